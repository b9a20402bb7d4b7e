"""How sure sensors are, by kind of part, and how `plant check` tells it."""

from __future__ import annotations

import math

import pytest

from wheelpit.plant import demo_plant_path, parse_plant
from wheelpit.plant.check import as_json, as_text, check
from wheelpit.plant.precision import EXACT, Precision, precision_of

TEXT = demo_plant_path().read_text(encoding="utf-8")
ROOT = math.sqrt(3)


def of(channel: str, old: str = "", new: str = "") -> Precision:
    sensor = parse_plant(TEXT.replace(old, new) if old else TEXT).sensor(channel)
    assert sensor is not None
    return precision_of(sensor)


def test_limits_of_parts_become_standard_uncertainties() -> None:
    drift = 50e-6 * 15
    assert of("charge_a").gain_u == pytest.approx(math.hypot(0.005, 0.001, drift) / ROOT)
    assert of("charge_a").offset_u == pytest.approx(10e-6 / 0.0015 / ROOT)
    assert of("battery_v").gain_u == pytest.approx(math.hypot(0.001, drift) / ROOT)
    upper = 100_000 / 103_300
    assert of("rectified_v").gain_u == pytest.approx(
        math.hypot(upper * 0.01, upper * 0.01, 0.01, drift) / ROOT
    )
    assert of("battery_degc").offset_u == pytest.approx(1 / ROOT)
    assert of("wheel_rpm") == EXACT


def test_what_plant_toml_tells_counts() -> None:
    old = 'at = "controller-to-battery-node"'
    assert of(
        "charge_a", old, f"{old}\nshunt_pct = 1.0\nchip_pct = 0.0\nppm_per_degc = 0"
    ).gain_u == pytest.approx(0.01 / ROOT)
    assert of("charge_a", old, f"{old}\nchip_uv = 3.0").offset_u == pytest.approx(3e-6 / 0.0015 / ROOT)
    low = 'at = "bridge-negative"'
    assert of("rectified_a", low, f'{low}\nchip = "ina228"').offset_u < of("rectified_a").offset_u / 5
    compared = of("charge_a", old, f"{old}\ngain_u_pct = 0.2\noffset_u = 0.001\nswing_degc = 0")
    assert compared[:2] == pytest.approx((0.002, 0.001))


def test_plant_check_tells_them_and_the_changes() -> None:
    plant = parse_plant(
        TEXT.replace("lower_ohm = 3300.0", "lower_ohm = 3300.0\ngain_u_pct = 0.3")
        + '\n[[change]]\non = 2026-05-14\nwhat = "smaller pulley"\nbefore.belt.pulley_diameter_m = 0.0833\n'
    )
    checked = check(plant)
    text = as_text(checked)
    assert "  rectified_v     0.30 % and 0.029 V, by comparison" in text
    assert "  wheel_rpm       counted, exact" in text
    assert "changed         2026-05-14 00:00  smaller pulley: belt.pulley_diameter_m" in text
    told = as_json(checked)
    assert told["changes"] == ["2026-05-14 00:00  smaller pulley: belt.pulley_diameter_m"]
    assert {"channel", "gain_u", "offset_u", "text"} == set(told["sensors"][0])


def test_a_tolerance_that_cannot_be_is_refused_by_name() -> None:
    with pytest.raises(
        Exception, match=r"shunt_pct = 50: outside what is believed; give a value from 0 to 20 %"
    ):
        of(
            "charge_a",
            'at = "controller-to-battery-node"',
            'at = "controller-to-battery-node"\nshunt_pct = 50',
        )
