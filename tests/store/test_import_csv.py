"""`wheelpit import`: our own export comes back exactly, and nothing in a foreign file is guessed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from wheelpit.accounts.export import export, table
from wheelpit.cli import main
from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.serve import only_one
from wheelpit.plant import demo_plant_path
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from pathlib import Path

SITE = "sallow-ghyll"
NOON_MS = 1_780_311_600_000  # 2026-06-01 11:00 UTC
FOREIGN = ("--time", "when", "--every-s", "60", "--map", "battery_v=Volt", "--map", "charge_mwh=Wh*1000")


def run(*told: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, told)
    return done.exit_code, done.output


def import_(file: Path, state: Path, *told: str) -> tuple[int, str]:
    return run("import", str(file), "--state", str(state), "--plant", str(demo_plant_path()), *told)


def booked(folder: Path) -> LedgerReader:
    """A ledger with odd records: two boots, folded, clipped, faults, and a clock that was set back."""
    totals = [(1, 10, 0), (2, 20, 0), (3, 50, 0), (4, 45, 0), (5, 60, 7)]
    records = [
        Record(
            seq=SEQ_PER_BOOT + n, first=SEQ_PER_BOOT + n, up_ms=n * 10_000, dur_ms=9_000, span_ms=10_000,
            end_ms=NOON_MS + at * 1000, clock="host", state="slow",
            mean={"battery_v": 12.501, "battery_degc": None}, min={"battery_v": 12.25}, max={"battery_v": 12.75},
            total={"charge_mwh": n * 101, "charge_valid_ms": n * 10_000, "charge_flips": flips},
            faults={"battery_degc": "absent"},
        )
        for n, at, flips in totals
    ]  # fmt: skip
    with Ledger(folder / FILE, 0) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, SITE, "Europe/London")
        keeper.records("wheel", Sent("0" * 16, 0, records), "t", NOON_MS + 100_000)
        keeper.flush()
    return LedgerReader(folder / FILE)


def test_our_own_export_comes_back_exactly(tmp_path: Path, state: Path) -> None:
    (tmp_path / "old").mkdir()
    old = booked(tmp_path / "old")
    file = tmp_path / "records.csv"
    export(table(old, SITE, "records", None, None), file, "csv")
    code, told = import_(file, state)
    assert code == 0, told
    assert "5 rows imported" in told
    new = LedgerReader(state / FILE)
    assert new.days(SITE) == old.days(SITE)
    assert new.buckets(SITE, 0, 1 << 45) == old.buckets(SITE, 0, 1 << 45)
    for mine, theirs in zip(new.records(SITE, 0, 1 << 45), old.records(SITE, 0, 1 << 45), strict=True):
        for what in ("start_ms", "end_ms", "span_ms", "dur_ms", "clock", "state", "mean", "min", "max"):
            assert getattr(mine, what) == getattr(theirs, what), what
        assert mine.totals == theirs.totals
        assert mine.faults == theirs.faults
    with new.open() as db:
        assert db.execute("SELECT DISTINCT chip FROM journal").fetchall() == [("import",)]
    # A second time, and with the rows under another file's name, nothing is added.
    before = new.days(SITE)
    code, told = import_(file, state)
    assert code == 0
    assert "0 rows imported" in told
    assert "5 had been imported before" in told
    other = tmp_path / "other.csv"
    other.write_text(file.read_text() + "\n")
    code, told = import_(other, state)
    assert code == 2
    assert "line 2: the ledger has measurements of node wheel for this time" in told
    assert new.days(SITE) == before


def test_a_foreign_file_with_a_mapping(tmp_path: Path, state: Path) -> None:
    file = tmp_path / "logger.csv"
    file.write_text(
        "when,Volt,Wh,other\n"
        "2026-06-01T12:01:00+01:00,12.5,1.5,x\n"
        "2026-06-01T12:02:00+01:00,12.7,2.0,x\n"
        "2026-06-01T11:02:30Z,12.9,,x\n"
    )
    code, told = import_(file, state, *FOREIGN, "--node", "logger", "--dry-run")
    assert code == 0, told
    assert "nothing was written" in told
    assert not (state / FILE).exists()
    code, told = import_(file, state, *FOREIGN, "--node", "logger")
    assert code == 0, told
    (day,) = LedgerReader(state / FILE).days(SITE)
    assert day.totals == {"charge_mwh": 3500, "charge_valid_ms": 120_000}
    assert day.span_ms == 150_000
    assert day.channels["battery_v"].mean == pytest.approx((60 * 12.5 + 60 * 12.7 + 30 * 12.9) / 150)


def test_a_running_counter_is_booked_by_its_differences(tmp_path: Path, state: Path) -> None:
    file = tmp_path / "meter.csv"
    lines = "".join(f"{1_780_311_600 + 60 * n},{count}\n" for n, count in enumerate((700, 701, 703, 1, 2)))
    file.write_text("t,kWh\n" + lines)
    code, told = import_(
        file, state, "--time", "t", "--times", "unix-s", "--every-s", "60", "--map", "charge_mwh=kWh*1000000",
        "--counter", "charge_mwh",
    )  # fmt: skip
    assert code == 0, told
    (day,) = LedgerReader(state / FILE).days(SITE)
    assert day.totals["charge_mwh"] == (1 + 2 + 1 + 1) * 1_000_000  # the meter began anew at zero


@pytest.mark.parametrize(
    ("when", "why"),
    [
        # Europe/London, 2026: forward on 29 March at 01:00, back on 25 October at 02:00 (IANA time zone database).
        ("2026-03-29 01:30:00", "did not exist"),
        ("2026-10-25 01:30:00", "came twice"),
        ("2026-06-01 12:00:00Z", "has an offset"),
        ("soon", "is no time"),
        ("1970-01-01 00:00:01", "before 2020"),
    ],
)
def test_a_local_time_that_is_not_clear_is_reported_and_not_guessed(
    tmp_path: Path, state: Path, when: str, why: str
) -> None:
    file = tmp_path / "local.csv"
    file.write_text(f"when,Volt,Wh\n{when},12.5,1\n2026-11-01 12:00:00,12.5,1\n")
    code, told = import_(file, state, *FOREIGN, "--times", "local")
    assert code == 2
    assert "line 2: " in told
    assert why in told
    assert not (state / FILE).exists()
    code, told = import_(file, state, *FOREIGN, "--times", "local", "--leave-out")
    assert code == 0
    assert "1 rows imported" in told


def test_other_local_times_of_those_days_are_clear(tmp_path: Path, state: Path) -> None:
    file = tmp_path / "local.csv"
    file.write_text(
        "when,Volt,Wh\n2026-03-29 02:30:00,12.5,1\n2026-10-25 00:30:00,12.5,1\n2026-10-25 02:30,12.5,1\n"
    )
    assert import_(file, state, *FOREIGN, "--times", "local")[0] == 0
    ends = [row.end_ms for row in LedgerReader(state / FILE).records(SITE, 0, 1 << 45)]
    assert ends == [1_774_747_800_000, 1_792_884_600_000, 1_792_895_400_000]  # 01:30, 23:30 and 02:30 UTC


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        ("2026-06-01T12:00Z,12.5,1\n2026-06-01T12:00Z,12.5,1\n", "line 3: it comes twice"),
        ("2026-06-01T12:00Z,12.5,1\n2026-06-01T11:00Z,12.5,1\n", "line 3: it is earlier than line 2"),
        ("2026-06-01T12:00Z,12.5\n", "it has 2 cells"),
        ("2026-06-01T12:00Z,nan,1\n", "no measured value"),
        ("2026-06-01T12:00Z,12.5 V,1\n", "is no number"),
        ("2026-06-01T12:00Z,12.5,-1\n", "totals do not fall"),
        ("2026-06-01T12:00,12.5,1\n", "has no offset"),
    ],
)
def test_a_line_that_cannot_be_used_is_named(tmp_path: Path, state: Path, lines: str, why: str) -> None:
    file = tmp_path / "bad.csv"
    file.write_text("when,Volt,Wh\n" + lines)
    code, told = import_(file, state, *FOREIGN)
    assert code == 2
    assert why in told


def test_it_does_not_write_beside_a_running_service(tmp_path: Path, state: Path) -> None:
    file = tmp_path / "ours.csv"
    file.write_text("when,Volt,Wh\n2026-06-01T12:00Z,12.5,1\n")
    with only_one(state):
        code, told = import_(file, state, *FOREIGN)
    assert code == 2
    assert "a service works on" in told
    assert not (state / FILE).exists()


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (("--map", "frost=Volt"), "none of our channels"),
        (("--map", "battery_v=Volt*x"), "no factor"),
        (("--map", "battery_v=Amps"), "lacks Amps"),
        (("--counter", "load_mwh"), "no total that --map names"),
    ],
)
def test_a_wrong_mapping_is_refused(tmp_path: Path, state: Path, told: Any, why: str) -> None:
    file = tmp_path / "f.csv"
    file.write_text("when,Volt,Wh\n")
    code, said = import_(file, state, *FOREIGN, *told)
    assert code == 2
    assert why in said
