"""The commands of bench tests, logbook, battery and service, as a person gives them."""

from __future__ import annotations

import json
import re
import time
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from click.testing import CliRunner

from wheelpit.accounts.service import WATER_G_PER_AH, service, water_l
from wheelpit.cli import main
from wheelpit.contract.messages import Live
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.live import FILE as LIVE
from wheelpit.store.live import LiveStore
from wheelpit.store.logbook import FILE as LOGBOOK
from wheelpit.store.logbook import GREASED, TOPPED_UP, Draft, Logbook

if TYPE_CHECKING:
    from pathlib import Path

_DAY_MS = 86_400_000
_NEW_YEAR_MS = 1_767_225_600_000  # 2026-01-01, UTC and London


def run(state: Path, *words: str, told: str | None = None) -> Any:
    return CliRunner().invoke(main, [*words, "--state", str(state)], input=told)


@pytest.fixture
def at_home(state: Path) -> Path:
    state.mkdir(parents=True, exist_ok=True)
    (state / "plant.toml").write_text(demo_plant_path().read_text(encoding="utf-8"), encoding="utf-8")
    return state


def test_broken_off_and_gone_on_with(at_home: Path) -> None:
    # Yes, do the turns; then the terminal is closed before the third answer.
    first = run(at_home, "commission", "turns", told="y\n20\n357\n")
    assert first.exit_code != 0
    assert "no sleeves" in first.output
    kept = (at_home / "commission.toml").read_text(encoding="utf-8")
    assert "alternator = 357.0" in kept
    second = run(at_home, "commission", "turns", told="y\nmany\n20\n115\n\n")
    assert second.exit_code == 0, second.output
    assert "turns of the wheel, by hand" not in second.output
    assert "write numbers" in second.output
    assert re.search(r"ratio by counting +17\.85", second.output)


def test_answers_by_option_and_file_go_into_plant_toml_with_a_copy(at_home: Path, tmp_path: Path) -> None:
    file = tmp_path / "morning.toml"
    file.write_text("[pull]\npulley_radius_m = 0.0417\npulley_idle_n = [6.5, 6.6, 6.4]\n", encoding="utf-8")
    sheet = tmp_path / "sheet.html"
    done = run(
        at_home, "commission", "--answers", str(file), "--set", "signs.battery_a_on=2.0", "--set", "signs.battery_a_zero=0.01",
        "--leave", "battery_a.invert", "--write", "--sheet", str(sheet),
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    plant = load_plant(at_home / "plant.toml")
    assert plant.alternator.iron_nm == pytest.approx(0.271, abs=0.001)
    battery = plant.sensor("battery_a")
    # The wires are swapped by hand: the chip's own offset does not turn with them.
    assert (battery.invert, battery.zero_a) == (False, 0.01)  # type: ignore[union-attr]
    (copy,) = at_home.glob("plant.toml.before-*")
    assert copy.read_text(encoding="utf-8") == demo_plant_path().read_text(encoding="utf-8")
    assert not (at_home / "commission.toml").exists()
    page = sheet.read_text(encoding="utf-8")
    assert "sense wires are swapped" in page
    assert not re.search(r"(src|href)=|url\(https?:", page)


def test_next_year_s_sheet_stands_beside_last_year_s(at_home: Path, tmp_path: Path) -> None:
    then = {"day": "2025-05-02", "results": [
        {"key": "cutin_rpm", "value": 6.2, "u": 0.03, "origin": "measured", "note": ""},
        {"key": "cutout_rpm", "value": 6.3, "u": 0.05, "origin": "measured", "note": ""},
    ]}  # fmt: skip
    (at_home / "commission").mkdir()
    (at_home / "commission" / "2025-05-02.json").write_text(json.dumps(then), encoding="utf-8")
    sheet = tmp_path / "sheet.html"
    done = run(
        at_home, "commission", "--set", "threshold.cutin_rpm=6.8,6.8,6.9", "--set", "threshold.cutout_rpm=6.3,6.3,6.4",
        "--sheet", str(sheet),
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert re.search(r"cut-in.*2025-05-02: 6\.200 .*\+0\.633 \(\+10 %\)", done.output)
    assert re.search(r"cut-out: .*the same", done.output)
    assert "<svg" in sheet.read_text(encoding="utf-8")
    wrong = run(at_home, "commission", "--set", "threshold.cutin=6.8")
    assert wrong.exit_code == 2
    assert "nothing of that name" in wrong.output


def test_a_running_node_shows_what_its_shunts_read(at_home: Path) -> None:
    live = Live(
        journal="0" * 16, boot=1, up_ms=1000, at_ms=None, clock="none", state="turning", edge_age_ms=1, edge_gap_ms=1,
        values={"charge_a": 5.4, "rectified_a": None},
    )  # fmt: skip
    store = LiveStore(at_home / LIVE)
    store.keep("sallow-ghyll", {"wheel": (time.time_ns() // 1_000_000, msgspec.json.encode(live))})
    store.close()
    done = run(at_home, "commission", "signs", told="y\n=\n" + "\n" * 20)
    assert done.exit_code == 0, done.output
    assert "now it shows 5.4 A" in done.output
    assert "charge_a_on = 5.4" in (at_home / "commission.toml").read_text(encoding="utf-8")


def test_the_logbook_by_command(at_home: Path) -> None:
    assert run(at_home, "note", "raked", "leaves", "--at", "2026-01-14T10:00").exit_code == 0
    told = run(
        at_home, "note", "hydrometer", "--cells", "1.265,1.262,1.230", "--degc", "12", "--at", "2026-01-15"
    )
    assert "replace" in told.output
    assert (
        run(at_home, "note", "parked", "--from", "2026-01-16T09:00", "--until", "2026-01-16T11:00").exit_code
        == 0
    )
    assert run(at_home, "note", "laid-up", "--from", "2026-01-17", "--until", "2027-01-17").exit_code == 0
    assert run(at_home, "note", "strike", "1", "another day").exit_code == 0
    told = run(at_home, "note", "list", "--from", "2026-01-14", "--to", "2026-01-16")
    assert "leaves" not in told.output
    assert "until 2026-01-16 11:00" in told.output
    kept = json.loads(run(at_home, "note", "list", "--struck", "--json").output)["entries"]
    assert [entry["struck_why"] for entry in kept] == ["another day", None, None, None]
    wrong = run(at_home, "note", "raked", "--at", "yesterday")
    assert wrong.exit_code == 2
    assert "no time" in wrong.output


def test_battery_and_service_over_a_ledger(books: Any, state: Path) -> None:
    (state / "plant.toml").write_text(demo_plant_path().read_text(encoding="utf-8"), encoding="utf-8")
    for k in range(1, 97):
        books.add(
            _NEW_YEAR_MS + k * 1_800_000, 1_800_000, wheel_mrev=300_000_000, battery_in_mas=10_800_000,
            charge_mwh=45_000, charge_valid_ms=1_800_000,
            battery_out_mas=5_400_000, battery_in_mwh=39_000, battery_out_mwh=18_900, battery_valid_ms=1_800_000,
        )  # fmt: skip
    found = json.loads(run(state, "battery", "--json").output)
    assert found["basis"] == "counted"
    assert found["charge_pct"] is None
    assert found["in_ah"] == pytest.approx(288.0)
    # 45 Wh in half an hour came, 20.1 Wh of them went into the battery on balance.
    assert found["give_w"]["value"] == pytest.approx(90.0, rel=0.01)
    assert found["take_w"]["value"] == pytest.approx(90.0 - 40.2, rel=0.01)
    assert 0 < found["give_w"]["u"] < found["take_w"]["u"]
    told = run(state, "battery")
    assert "not yet seen full" in told.output
    assert "no percentage yet" in told.output
    plant = load_plant(state / "plant.toml")
    book, now_ms = Logbook(state / LOGBOOK), _NEW_YEAR_MS + 2 * _DAY_MS
    due = {one.what: one for one in service(books.reader, "sallow-ghyll", plant, book, now_ms)}
    # 96 times 300 000 turns of the wheel, and 18 of the alternator for each.
    assert due["grease the bearings"].used == pytest.approx(28.8)
    assert due["grease the bearings"].state == "due"
    assert due["new belt"].used == pytest.approx(28.8 * 18.0, rel=0.001)
    assert due["top up the cells"].used == 0.0
    book.write(Draft(site="sallow-ghyll", kind=GREASED, from_ms=_NEW_YEAR_MS + _DAY_MS), now_ms)
    book.write(Draft(site="sallow-ghyll", kind=TOPPED_UP, from_ms=now_ms, litres=1.0), now_ms)
    after = {one.what: one for one in service(books.reader, "sallow-ghyll", plant, book, now_ms)}
    assert after["grease the bearings"].used == pytest.approx(14.4)
    assert after["grease the bearings"].logged
    shown = run(state, "service")
    assert shown.exit_code == 0
    assert "million wheel turns" in shown.output


def test_water_that_charge_can_split() -> None:
    assert water_l(100.0, 12.0) == pytest.approx(100 * 6 * WATER_G_PER_AH / 1000)
    assert water_l(100.0, 24.0) == pytest.approx(2 * water_l(100.0, 12.0))
