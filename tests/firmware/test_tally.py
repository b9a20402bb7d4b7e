"""Totals are exact, whatever is put in, and made of small integers only."""

from __future__ import annotations

import ast
import importlib
import struct
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

tally: Any = importlib.import_module("node.tally")
pulses: Any = importlib.import_module("node.pulses")
node_settings: Any = importlib.import_module("node.settings")
SMALL = 1 << 30
FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"


class BoardInt(int):
    """An integer as a board has it: a small one stays below 2^30, and a quotient is a 32-bit float."""

    def __truediv__(self, other: float) -> float:
        return float(struct.unpack("f", struct.pack("f", int.__truediv__(self, int(other))))[0])

    def __float__(self) -> float:
        return float(struct.unpack("f", struct.pack("f", int.__float__(self)))[0])


def _small(name: str) -> Any:
    operation = getattr(int, name)

    def checked(self: BoardInt, *others: int) -> Any:
        result = operation(self, *others)
        if result is NotImplemented:
            return result
        assert -SMALL <= result < SMALL, f"{int(self)} {name} {others}"
        return BoardInt(result)

    return checked


for _name in (
    "add",
    "radd",
    "sub",
    "rsub",
    "mul",
    "rmul",
    "floordiv",
    "rfloordiv",
    "mod",
    "rmod",
    "neg",
    "abs",
):
    setattr(BoardInt, f"__{_name}__", _small(f"__{_name}__"))


def make(channels: list[str], magnets: int = 4, **told: Any) -> tuple[Any, Any, Any]:
    """Return a tally, its layout and its wheel."""
    amps = {"chip": "ina226", "reads": "current", "shunt_uohm": 100, "range_ma": 500_000}
    wheel = {"pin": 1, "magnets": magnets, "slow_mrpm": 6500, "cutin_mrpm": 6700, "cutout_mrpm": 6300}
    settings_: dict[str, Any] = {
        "site": "s",
        "node": "n",
        "broker": {"host": "h"},
        "i2c": {"sda": 2, "scl": 3},
        "channels": {
            name: {"address": 64 + i, **amps}
            if name.endswith("_a")
            else {"chip": "adc", "pin": 30 + i, "gain_ppm": 1}
            for i, name in enumerate(channels)
        },
        "wheel": wheel,
        **told,
    }
    found = node_settings.Settings(settings_, {})
    wheel_ = pulses.Wheel(magnets, 120, 0)
    return tally.Tally(found, wheel_), found.layout, wheel_


def read(made: Any, layout: Any) -> dict[str, int]:
    return dict(zip(layout.totals, made.totals(), strict=True))


def feed(
    made: Any, layout: Any, values: dict[str, int | None], state: str = "turning", ms: int = 100
) -> None:
    made.add(
        [None if (v := values.get(name)) is None else BoardInt(v) for name in layout.channels], state, ms
    )


def test_this_integer_tells_when_it_would_not_fit_a_board() -> None:
    assert BoardInt(1 << 19) * 2047 < SMALL
    with pytest.raises(AssertionError):
        BoardInt(1 << 19) * 2048
    assert BoardInt(16_777_217) / 1 == 16_777_216  # 24 bits are all that a 32-bit float holds


# Energy and charge -----------------------------------------------------------------------------------------------

Samples = st.lists(
    st.tuples(
        st.integers(0, 110_000) | st.none(),
        st.integers(-200_000, 200_000) | st.none(),
        st.integers(1, 10).map(lambda tenths: 100 * tenths),
    ),
    max_size=300,
)


@settings(deadline=None, max_examples=60)
@given(Samples)
def test_f33_energy_and_charge_are_exact_to_the_last_nanojoule(
    samples: list[tuple[int | None, int | None, int]],
) -> None:
    made, layout, _ = make(["battery_v", "charge_a", "battery_a"])
    for mv, ma, ms in samples:
        feed(made, layout, {"battery_v": mv, "charge_a": ma, "battery_a": ma, "wheel_rpm": 10_000}, ms=ms)
    found = read(made, layout)
    both = [(mv, ma, ms) for mv, ma, ms in samples if mv is not None and ma is not None]
    # mV x mA x ms is nJ; 3600 J is 1 Wh.
    forth = sum(Fraction(mv * ma * ms, 3_600_000_000) for mv, ma, ms in both if ma > 0)
    back = sum(Fraction(-mv * ma * ms, 3_600_000_000) for mv, ma, ms in both if ma < 0)
    assert found["charge_mwh"] == found["battery_in_mwh"] == int(forth)
    assert found["charge_back_mwh"] == found["battery_out_mwh"] == int(back)
    assert found["charge_valid_ms"] == found["battery_valid_ms"] == sum(ms for _, _, ms in both)
    into = sum(Fraction(ma * ms, 1000) for _, ma, ms in samples if ma is not None and ma > 0)
    out = sum(Fraction(-ma * ms, 1000) for _, ma, ms in samples if ma is not None and ma < 0)
    assert found["charge_mas"] == found["battery_in_mas"] == int(into)
    assert found["battery_out_mas"] == int(out)


def test_f33_five_watts_lose_nothing_below_a_milliwatt_hour() -> None:
    # 5 W x 10 s is 13.889 mWh: cut off in each record it would be 6.4 % less.
    made, layout, _ = make(["battery_v", "charge_a"])
    books = [0]
    for _ in range(360):
        for _ in range(10):
            feed(made, layout, {"battery_v": 12_500, "charge_a": 400, "wheel_rpm": None}, ms=1000)
        books.append(read(made, layout)["charge_mwh"])
    assert books[-1] == 5_000
    assert {after - before for before, after in pairwise(books)} == {13, 14}


def test_f33_the_greatest_plant_stays_within_small_integers() -> None:
    # The bound of the module: volts and amperes together below 1074, for the longest step.
    made, layout, _ = make(["battery_v", "charge_a"])
    feed(made, layout, {"battery_v": 573_999, "charge_a": 499_999}, ms=tally.STEP_MAX_MS)
    assert read(made, layout)["charge_mwh"] == 573_999 * 499_999 * 1000 // 3_600_000_000


def test_f33_a_total_goes_on_rising_past_the_reach_of_a_small_integer() -> None:
    counter = tally.Counter()
    for _ in range(9):
        counter.add((1 << 28) - 1)
    assert counter.value() == 9 * ((1 << 28) - 1)
    charge = tally.Charge()
    # 30 A for 50 hours: mA s pass 2^32 after 39.8 h.
    for _ in range(50 * 3600):
        charge.flow(30_000, 1000)
    assert charge.value() == 30_000 * 50 * 3600 > 1 << 32


def test_f33_no_float_would_make_a_difference_because_there_is_none() -> None:
    for module in (
        "ads1115", "analogue", "chipsettings", "clock", "counted", "ds18b20", "hx711", "ina226", "ina228", "pattern",
        "pins", "pulses", "recorder", "sampler", "shaft", "tally",
    ):  # fmt: skip
        for node in ast.walk(ast.parse((FIRMWARE / "node" / f"{module}.py").read_text())):
            assert not (isinstance(node, ast.Constant) and isinstance(node.value, float)), module
            assert not (isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div)), module
            assert not (isinstance(node, ast.Name) and node.id in {"float", "round"}), module


# Turns and time --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("magnets", [1, 3, 4, 7, 8])
def test_f33_turns_are_exact_for_any_number_of_magnets(magnets: int) -> None:
    made, layout, wheel = make([], magnets)
    seen = []
    for edges in range(3000):
        wheel.edges = edges
        seen.append(read(made, layout)["wheel_mrev"])
    assert seen == [int(Fraction(1000 * edges, magnets)) for edges in range(3000)]
    assert seen[magnets * 300] == 300_000


def test_each_moment_belongs_to_one_state() -> None:
    made, layout, _ = make([])
    told = [
        ("unknown", None),
        ("turning", 8000),
        ("turning", 6600),
        ("slow", 6000),
        ("stopped", 0),
        ("parked", 0),
        ("parked", 9000),
    ]
    for state, mrpm in told:
        feed(made, layout, {"wheel_rpm": mrpm}, state)
    found = read(made, layout)
    assert found["turning_ms"] == 300
    assert found["stopped_ms"] == 100
    assert found["parked_ms"] == 200
    assert found["above_cutin_ms"] == 100
    assert found["wheel_valid_ms"] == 600


def test_a_dropout_counts_once_and_only_if_the_wheel_did_not_cause_it() -> None:
    made, layout, _ = make(["battery_v", "charge_a"], charging_ma=100)

    def say(ma: int | None, mrpm: int | None = 8000, state: str = "turning") -> int:
        feed(made, layout, {"battery_v": 13_000, "charge_a": ma, "wheel_rpm": mrpm}, state)
        return read(made, layout)["charge_flips"]

    assert say(0) == 0  # never charged yet
    assert say(100) == 0
    assert say(60) == 0  # above half: still the same charging
    assert read(made, layout)["charging_ms"] == 200
    assert say(None) == 0
    assert say(49) == 1
    assert say(0) == 1
    assert say(500) == 1
    assert say(0, mrpm=6200) == 1  # below cut-out the wheel is the reason
    assert say(500) == 1
    assert say(0, state="parked") == 1
    assert say(500) == 1
    assert say(-200) == 2
    assert read(made, layout)["charging_ms"] == 500


def test_totals_never_fall() -> None:
    made, layout, _ = make(["battery_v", "charge_a", "dump_a", "load_a"])
    before = made.totals()
    for i in range(400):
        ma = 3000 - (i * 37) % 6000
        feed(
            made,
            layout,
            {"battery_v": 12_700, "charge_a": ma, "dump_a": ma, "load_a": -ma, "wheel_rpm": 9000},
        )
        after = made.totals()
        assert all(a >= b for a, b in zip(after, before, strict=True))
        before = after


def test_a_channel_that_is_not_read_adds_nothing() -> None:
    made, layout, _ = make(["battery_v", "charge_a"])
    feed(made, layout, {"battery_v": 13_000, "charge_a": None, "wheel_rpm": None})
    feed(made, layout, {"battery_v": None, "charge_a": 5_000, "wheel_rpm": None})
    found = read(made, layout)
    assert found["charge_mwh"] == found["charge_valid_ms"] == 0
    assert found["charge_mas"] == 500
