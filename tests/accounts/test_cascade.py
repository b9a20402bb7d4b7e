"""The chain of energies: shares of the same time, what is modelled, and what is not known."""

from __future__ import annotations

import json
import math
from datetime import date
from typing import Any

import pytest
from click.testing import CliRunner
from tests.plant.pieces import RATING

from wheelpit.accounts.cascade import Cascade, Stage, cascade
from wheelpit.cli import main
from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.plant import demo_plant_path, load_plant, parse_plant
from wheelpit.plant.chain import chain_of
from wheelpit.plant.operating import OperatingPoint, operating_point
from wheelpit.store.booking import Sent
from wheelpit.store.days import LocalDays

HOUR = 3_600_000
TEN_MIN = 600_000
JUNE_1 = LocalDays("Europe/London").bounds(date(2026, 6, 1))[0]
TEXT = demo_plant_path().read_text(encoding="utf-8")
PLANT = load_plant(demo_plant_path())
PAIRS = ("charge", "battery", "dump", "rectified")


class Steady:
    """Books the demo plant at 10 L/s: what its formulas say of the point, in records of ten minutes."""

    def __init__(self, books: Any) -> None:
        self.books, self.n = books, 0
        self.totals: dict[str, int] = {}
        point = operating_point(PLANT, 10.0)
        assert isinstance(point, OperatingPoint)
        self.point = point

    def add(self, end_ms: int, *, lost: tuple[str, ...] = (), extra: dict[str, float] | None = None) -> None:
        point, hours = self.point, TEN_MIN / HOUR
        watts = {
            "charge_mwh": point.battery_w, "rectified_mwh": point.rectified_v * point.rectified_a,
            "battery_in_mwh": point.battery_w - 20.0, "dump_mwh": 0.0, "battery_out_mwh": 0.0,
        }  # fmt: skip
        for name, power in watts.items():
            pair = name.split("_", maxsplit=1)[0]
            if pair not in lost:
                self.totals[name] = self.totals.get(name, 0) + round(1000 * power * hours)
        for name in (*(f"{pair}_valid_ms" for pair in PAIRS), "wheel_valid_ms", "turning_ms", "charging_ms"):
            if name.split("_", maxsplit=1)[0] not in lost:
                self.totals[name] = self.totals.get(name, 0) + TEN_MIN
        turns = round(1000 * point.wheel_rpm * 10)
        self.totals["wheel_mrev"] = self.totals.get("wheel_mrev", 0) + turns
        mean: dict[str, float | None] = {
            "battery_v": 13.5, "charge_a": point.battery_w / 13.5, "rectified_v": point.rectified_v,
            "rectified_a": point.rectified_a, "wheel_rpm": point.wheel_rpm, **(extra or {}),
        }  # fmt: skip
        self.n += 1
        seq = SEQ_PER_BOOT + self.n
        record = Record(
            seq=seq, first=seq, up_ms=self.n * TEN_MIN, dur_ms=TEN_MIN, span_ms=TEN_MIN, end_ms=end_ms,
            clock="host", state="turning", mean=mean, min=mean, max=mean, total=dict(self.totals),
        )  # fmt: skip
        with self.books.ledger.transaction():
            self.books.keeper.records(
                "wheel", Sent("0" * 16, seq - 1 if self.n > 1 else 0, [record]), "t", end_ms
            )
            self.books.keeper.flush()


def by_name(found: Cascade) -> dict[str, Stage]:
    return {stage.name: stage for stage in (*found.stages, *found.uses)}


def wh(stage: Stage) -> float:
    assert stage.energy_wh is not None
    return stage.energy_wh.value


def test_modelled_stages_are_what_the_formulas_demand(books: Any) -> None:
    """The operating point is worked out downward from the wheel; the cascade upward from the bridge. They meet."""
    steady = Steady(books)
    for cell in range(36):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN)
    found = cascade(books.reader, books.site, PLANT)
    stages, point = by_name(found), steady.point
    assert found.common_h == 6.0
    assert wh(stages["behind the bridge"]) == pytest.approx(
        6 * point.rectified_v * point.rectified_a, abs=0.1
    )
    assert wh(stages["battery side"]) == pytest.approx(6 * point.battery_w, abs=0.1)
    chain = chain_of(PLANT)
    speed = point.wheel_rpm * 2 * math.pi / 60
    demanded = chain.demanded_nm(speed, chain.electric(speed, 13.5)) * speed
    assert wh(stages["wheel shaft"]) == pytest.approx(6 * demanded, rel=2e-3)
    share = stages["battery side"].share
    assert share is not None
    assert share.value == pytest.approx(0.92, abs=1e-3)
    assert stages["wheel shaft"].energy_wh is not None
    assert stages["wheel shaft"].energy_wh.origin == "modelled"
    assert stages["behind the bridge"].energy_wh.origin == "measured"  # type: ignore[union-attr]
    assert stages["wheel shaft"].energy_wh.u / wh(stages["wheel shaft"]) > 0.02
    assert stages["water"].energy_wh is None
    assert "stage_m" in stages["water"].needs
    assert found.overall is not None
    assert found.overall.origin == "modelled"


def test_uses_share_the_voltmeter_so_their_difference_is_surer(books: Any) -> None:
    steady = Steady(books)
    for cell in range(36):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN)
    stages = by_name(cascade(books.reader, books.site, PLANT))
    assert wh(stages["loads"]) == pytest.approx(120.0, abs=0.1)
    assert wh(stages["battery, net"]) == pytest.approx(6 * (steady.point.battery_w - 20), abs=0.1)
    assert wh(stages["diverted"]) == 0.0


def test_only_common_time_counts(books: Any) -> None:
    """The bridge's current was lost for two of six hours: all energies are those of the other four."""
    steady = Steady(books)
    for cell in range(36):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN, lost=("rectified",) if 12 <= cell < 24 else ())
    found = cascade(books.reader, books.site, PLANT)
    stages = by_name(found)
    assert found.common_h == pytest.approx(4.0)
    assert wh(stages["battery side"]) == pytest.approx(4 * steady.point.battery_w, abs=0.1)
    share = stages["battery side"].share
    assert share is not None
    assert share.value == pytest.approx(0.92, abs=1e-3)
    assert found.coverage == pytest.approx(4 / 24)


def test_without_a_current_at_the_bridge_it_is_modelled_and_less_sure(books: Any) -> None:
    steady = Steady(books)
    for cell in range(36):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN)
    without = parse_plant(TEXT[: TEXT.index('[[sensor]]\nchannel = "rectified_a"')])
    full, less = (by_name(cascade(books.reader, books.site, plant)) for plant in (PLANT, without))
    bridge = less["behind the bridge"].energy_wh
    assert bridge is not None
    assert bridge.origin == "modelled"
    assert bridge.value == pytest.approx(wh(full["behind the bridge"]), rel=2e-3)
    assert bridge.u > full["behind the bridge"].energy_wh.u  # type: ignore[union-attr]
    assert "rectified_a" in less["behind the bridge"].needs
    assert wh(less["alternator shaft"]) == pytest.approx(wh(full["alternator shaft"]), rel=0.02)


def test_water_and_shaft_are_measured_where_their_sensors_are_fitted(books: Any) -> None:
    """12.071 L/s flow over a 90° notch at 0.15 m (Kindsvater-Shen); 1.80 m of head make 212.9 W of it."""
    more = parse_plant(
        TEXT
        + """
[weir]
kind = "v-notch"
notch_deg = 90.0
crest_height_m = 0.5
channel_width_m = 1.2

[[sensor]]
channel = "stage_m"
node = "wheel"
kind = "linear"
pin = 28
mv_per_unit = 10000.0
at = "headrace"

[[sensor]]
channel = "shaft_nm"
node = "wheel"
kind = "load-cell"
data_pin = 18
clock_pin = 19
codes_per_nm = 20000.0
"""
    )
    steady = Steady(books)
    for cell in range(12):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN, extra={"stage_m": 0.15, "shaft_nm": 100.0})
    stages = by_name(cascade(books.reader, books.site, more))
    assert wh(stages["water"]) == pytest.approx(2 * 999.85 * 9.8146 * 12.071e-3 * 1.80, rel=2e-3)
    assert wh(stages["wheel shaft"]) == pytest.approx(
        2 * 100 * steady.point.wheel_rpm * 2 * math.pi / 60, rel=1e-4
    )
    for name in ("water", "wheel shaft"):
        energy = stages[name].energy_wh
        assert energy is not None
        assert energy.origin == "measured"
        assert energy.u > 0.005 * energy.value


def test_water_beyond_the_gauged_levels_is_counted_and_marked(books: Any) -> None:
    """320 L/s (h + 0.02 m)^2.4 gives 4.552 L/s at 0.15 m and 32.38 L/s at 0.365 m, by a pocket calculator."""
    rated = parse_plant(
        TEXT
        + RATING
        + """
[[sensor]]
channel = "stage_m"
node = "wheel"
kind = "linear"
pin = 28
mv_per_unit = 10000.0
at = "headrace"
"""
    )
    steady = Steady(books)
    for cell in range(6):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN, extra={"stage_m": 0.15})
    inside = by_name(cascade(books.reader, books.site, rated))["water"]
    assert wh(inside) == pytest.approx(999.85 * 9.8146 * 4.552e-3 * 1.80, rel=5e-3)
    assert inside.energy_wh is not None
    assert inside.energy_wh.origin == "measured"
    assert inside.energy_wh.u > 0.04 * wh(inside)
    for cell in range(6, 12):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN, extra={"stage_m": 0.365})
    both = by_name(cascade(books.reader, books.site, rated))["water"]
    assert wh(both) == pytest.approx(999.85 * 9.8146 * (4.552e-3 + 32.378e-3) * 1.80, rel=5e-3)
    assert both.energy_wh is not None
    assert both.energy_wh.origin == "modelled"
    assert both.energy_wh.u / wh(both) > 1.2 * inside.energy_wh.u / wh(inside)


def test_battery_a_alone_gives_a_lower_bound_and_no_chain_above(books: Any) -> None:
    begin, end = (
        TEXT.index('[[sensor]]\nchannel = "charge_a"'),
        TEXT.index('[[sensor]]\nchannel = "battery_a"'),
    )
    less = parse_plant(TEXT[:begin] + TEXT[end : TEXT.index('[[sensor]]\nchannel = "rectified_a"')])
    steady = Steady(books)
    for cell in range(6):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN, lost=("charge",))
    stages = by_name(cascade(books.reader, books.site, less))
    side = stages["battery side"].energy_wh
    assert side is not None
    assert side.origin == "lower-bound"
    assert stages["behind the bridge"].energy_wh is None
    assert stages["wheel shaft"].energy_wh is None
    assert stages["loads"].energy_wh is None


def test_the_copper_s_loss_does_not_hang_on_charge_a(books: Any) -> None:
    begin, end = (
        TEXT.index('[[sensor]]\nchannel = "charge_a"'),
        TEXT.index('[[sensor]]\nchannel = "battery_a"'),
    )
    less = parse_plant(TEXT[:begin] + TEXT[end:])
    steady = Steady(books)
    for cell in range(144):
        steady.add(JUNE_1 + (cell + 1) * TEN_MIN, lost=("charge", "charging"))
    stages = by_name(cascade(books.reader, books.site, less))
    loss_w = (wh(stages["alternator shaft"]) - wh(stages["behind the bridge"])) / 24
    amps, alternator = steady.point.rectified_a, PLANT.alternator
    wanted_w = 2 * alternator.resistance_ohm * amps**2 + 2 * alternator.diode_v * amps
    assert loss_w == pytest.approx(
        wanted_w + alternator.iron_nm * steady.point.alternator_rpm * math.pi / 30, rel=0.01
    )


def test_a_change_of_the_plant_is_marked_and_its_day_left_out(books: Any) -> None:
    changed = parse_plant(
        f'{TEXT}\n[[change]]\non = 2026-06-02T12:00:00\nwhat = "another belt"\nbefore.belt.loss_nm = 0.3\n'
    )
    steady = Steady(books)
    for day in range(3):
        for cell in range(6):
            steady.add(JUNE_1 + day * 24 * HOUR + (cell + 1) * TEN_MIN)
    found = cascade(books.reader, books.site, changed)
    assert found.changes == ("another belt",)
    assert found.common_h == pytest.approx(2.0, abs=0.05)
    assert cascade(books.reader, books.site, changed, last=date(2026, 6, 1)).changes == ()


def test_the_command_prints_a_table_and_json(books: Any) -> None:
    steady = Steady(books)
    path = str(demo_plant_path())
    empty = CliRunner().invoke(main, ["cascade", "--plant", path, "--site", books.site])
    assert "no day has records" in empty.output
    steady.add(JUNE_1 + TEN_MIN)
    shown = CliRunner().invoke(main, ["cascade", "--plant", path])
    assert shown.exit_code == 0, shown.output
    assert "water is not known; would be with stage_m" in shown.output
    assert "modelled, of wheel shaft" in shown.output
    told = json.loads(CliRunner().invoke(main, ["cascade", "--plant", path, "--json"]).output)
    assert next(stage["name"] for stage in told["stages"]) == "water"
    assert told["stages"][0]["energy_wh"] is None
    missing = CliRunner().invoke(main, ["cascade"])
    assert missing.exit_code != 0
    assert "takes the plant's description" in missing.output
