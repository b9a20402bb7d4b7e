"""The twin in time: paced by a clock, dated by another, its totals kept for questions about the past."""

from __future__ import annotations

from itertools import pairwise

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.live import LiveTwin
from wheelpit.twin.machine import FRAME_US, TwinPlant
from wheelpit.twin.series import Series
from wheelpit.twin.trouble import TwinError

PLANT = load_plant(demo_plant_path())
BEGUN_MS = 1_750_000_000_000


class Clocks:
    """Two clocks of which the test is master."""

    def __init__(self) -> None:
        self.ns = 5_000_000_000
        self.unix_ms = BEGUN_MS

    def go(self, seconds: float) -> None:
        self.ns += round(seconds * 1e9)
        self.unix_ms += round(seconds * 1e3)

    def monotonic_ns(self) -> int:
        return self.ns

    def unix_ns(self) -> int:
        return self.unix_ms * 1_000_000


def _live(seed: int = 1) -> tuple[LiveTwin, Clocks]:
    clocks = Clocks()
    twin = TwinPlant(PLANT, seed=seed)
    return LiveTwin(twin, monotonic_ns=clocks.monotonic_ns, unix_ns=clocks.unix_ns), clocks


def _run(live: LiveTwin, clocks: Clocks, seconds: float) -> None:
    for _ in range(round(seconds / 0.05)):
        clocks.go(0.05)
        live.frames()


def test_it_makes_the_frames_that_are_due_and_no_more() -> None:
    live, clocks = _live()
    assert live.frames() == []
    assert live.wait_s() == pytest.approx(0.05)
    clocks.go(0.12)
    assert [frame.t_us for frame in live.frames()] == [50_000, 100_000]
    assert live.wait_s() == pytest.approx(0.03)
    clocks.go(1.5)
    assert len(live.frames()) == 20
    assert live.wait_s() == 0
    assert len(live.frames()) == 10
    assert live.plant.t_us == 1_600_000


def test_a_long_sleep_is_skipped_and_told() -> None:
    live, clocks = _live()
    _run(live, clocks, 2)
    clocks.go(600)
    frames = live.frames()
    assert [frame.t_us for frame in frames] == [602_000_000]
    assert all(frame.t_us - FRAME_US <= edge <= frame.t_us for frame in frames for edge in frame.edges)
    assert live.state()["skipped_s"] == pytest.approx(599.95)
    # Nothing is counted in the time in which the plant stood still.
    assert live.energy(BEGUN_MS + 10_000, BEGUN_MS + 600_000)["charge_wh"] == pytest.approx(0)


def test_energy_is_additive_and_agrees_with_the_totals() -> None:
    live, clocks = _live()
    _run(live, clocks, 30)
    whole = live.energy(None, None)
    assert (whole["from_ms"], whole["to_ms"]) == (BEGUN_MS, BEGUN_MS + 30_000)
    totals = live.plant.totals()
    assert whole["charge_wh"] == pytest.approx(totals.charge_j / 3600)
    assert whole["battery_in_ah"] == pytest.approx(totals.battery_in_c / 3600)
    assert whole["revolutions"] == pytest.approx(totals.revolutions)
    cuts = [BEGUN_MS, BEGUN_MS + 7, BEGUN_MS + 4_321, BEGUN_MS + 20_000, BEGUN_MS + 30_000]
    parts = [live.energy(begin, end) for begin, end in pairwise(cuts)]
    for name in whole.keys() - {"from_ms", "to_ms"}:
        assert sum(part[name] for part in parts) == pytest.approx(whole[name]), name


def test_energy_within_a_frame_is_a_share_of_it() -> None:
    live, clocks = _live()
    _run(live, clocks, 10)
    frame = live.energy(BEGUN_MS + 5_000, BEGUN_MS + 5_050)
    part = live.energy(BEGUN_MS + 5_010, BEGUN_MS + 5_030)
    assert part["charge_wh"] == pytest.approx(0.4 * frame["charge_wh"])
    assert frame["charge_wh"] * 3600 / 0.05 == pytest.approx(73, rel=0.1)


def test_questions_about_what_it_does_not_know_are_refused() -> None:
    live, clocks = _live()
    _run(live, clocks, 1)
    for begin, end, told in [
        (BEGUN_MS - 1, BEGUN_MS + 10, "knows"),
        (BEGUN_MS, BEGUN_MS + 1_001, "knows"),
        (BEGUN_MS + 10, BEGUN_MS + 9, "before the beginning"),
    ]:
        with pytest.raises(TwinError, match=told):
            live.energy(begin, end)


def test_the_last_edge_is_dated() -> None:
    live, clocks = _live()
    assert live.state()["last_edge_ms"] is None
    edges: list[int] = []
    for _ in range(200):
        clocks.go(0.05)
        for frame in live.frames():
            edges.extend(frame.edges)
    assert live.state()["last_edge_ms"] == BEGUN_MS + edges[-1] // 1000


def test_a_clock_that_is_put_back_loses_nothing() -> None:
    live, clocks = _live()
    _run(live, clocks, 5)
    clocks.unix_ms -= 3_000
    _run(live, clocks, 5)
    whole = live.energy(None, None)
    assert whole["charge_wh"] == pytest.approx(live.plant.totals().charge_j / 3600)
    assert whole["to_ms"] - whole["from_ms"] == pytest.approx(7_000, abs=100)


def test_state_tells_channels_stores_and_faults() -> None:
    live, clocks = _live()
    _run(live, clocks, 1)
    state = live.state()
    assert state["wheel_rpm"] == pytest.approx(10.4, abs=0.2)
    assert state["charge_a"] == pytest.approx(state["battery_a"] + state["load_a"] + state["dump_a"])
    assert state["state_of_charge"] == pytest.approx(0.98, abs=1e-3)
    assert state["faults"] == {}
    live.plant.put("bearing", on=True, severity=0.5)
    assert live.state()["faults"] == {"bearing": 0.5}
    assert state["balance_error_share"] < 1e-3


def test_a_series_thins_the_past_and_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wheelpit.twin.series._FINE", 400)
    monkeypatch.setattr("wheelpit.twin.series._COARSE", 60)
    monkeypatch.setattr("wheelpit.twin.series._LUMP", 40)
    series = Series(2)
    for number in range(20_000):
        series.add(number * 50_000, (number * 2.0, -float(number)))
        assert len(series) < 400 + 40 + 60 + 40
    oldest_us = series.first_us
    assert oldest_us > 0
    # In what is fine, in what is thinned, and across the two.
    for begin_us, end_us in [
        (series.last_us - 123_456, series.last_us - 7),
        (oldest_us, oldest_us + 333_333),
        (oldest_us + 1, series.last_us),
    ]:
        grown = series.between(begin_us, end_us)
        assert grown == pytest.approx([(end_us - begin_us) / 25_000, (begin_us - end_us) / 50_000])
    with pytest.raises(TwinError, match="knows"):
        series.between(oldest_us - 1, series.last_us)
