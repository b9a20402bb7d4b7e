"""A copy made while the ledger is written is whole and of one moment; put back, the nodes fill it up again."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from tests.store.delivery_checks import check
from tests.store.delivery_world import World

from wheelpit.cli import main
from wheelpit.ingest.serve import only_one
from wheelpit.store import backup
from wheelpit.store.backup import BackupError, back_up, checked, put_back
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.migrate import LedgerNewer
from wheelpit.store.newfile import FileInTheWayError
from wheelpit.store.reader import LedgerMissing, LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def test_a_copy_made_during_writes_is_of_one_moment(
    desk: Any, record: Callable[..., Any], tmp_path: Path
) -> None:
    desk.take(*(record(n) for n in range(1, 101)))
    written = [100]

    def write_on(_done: int, _of: int) -> None:
        # Between two steps of the copy the writer commits; the first was after all of the pages were new to it.
        written[0] += 1
        desk.take(record(written[0]))

    out = tmp_path / "copy.db"
    held = back_up(desk.path, out, say=write_on, step_pages=2)
    assert written[0] > 110
    assert held.rows["record"] == 100
    assert desk.one("SELECT count(*) FROM record") == written[0]
    reader = LedgerReader(out)
    (day,) = reader.days("site")
    assert (
        day.totals["charge_mwh"]
        == 100 * 100
        == sum(row.totals["charge_mwh"] for row in reader.records("site", 0, 2**42))
    )
    assert sorted(path.name for path in tmp_path.iterdir() if "copy" in path.name) == ["copy.db"]


def test_nothing_is_overwritten_unless_asked(desk: Any, record: Callable[..., Any], tmp_path: Path) -> None:
    desk.take(record(1))
    out = tmp_path / "copy.db"
    out.write_text("precious")
    with pytest.raises(FileInTheWayError, match="exists already: give another name, or --replace"):
        back_up(desk.path, out)
    assert out.read_text() == "precious"
    assert back_up(desk.path, out, replace=True).rows["record"] == 1
    with pytest.raises(BackupError, match="is the ledger itself"):
        back_up(desk.path, desk.path, replace=True)
    # The name is taken while the copy is made.
    late = tmp_path / "late.db"

    def take_the_name(_done: int, _of: int) -> None:
        late.write_text("precious")

    with pytest.raises(FileInTheWayError, match="exists already"):
        back_up(desk.path, late, say=take_the_name)
    assert late.read_text() == "precious"
    assert list(tmp_path.glob(".*")) == []


def test_a_copy_that_differs_is_not_kept(
    desk: Any, record: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.take(record(1))
    true_copy = backup._copy

    def forgetful(db: sqlite3.Connection, out: Path, *more: Any) -> None:
        true_copy(db, out, *more)
        with closing(sqlite3.connect(out)) as copy, copy:
            copy.execute("DELETE FROM record")

    monkeypatch.setattr(backup, "_copy", forgetful)
    with pytest.raises(BackupError, match="is not equal to it: nothing was kept"):
        back_up(desk.path, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def test_a_full_disk_is_named_before_anything_is_written(
    desk: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backup, "_SPARE_BYTES", 1 << 60)
    with pytest.raises(BackupError, match=r"MiB free, the copy needs .* make room"):
        back_up(desk.path, tmp_path / "copy.db")


@pytest.mark.parametrize("later", [0, 5, 40])
def test_a_restored_ledger_is_filled_again_by_the_node(tmp_path: Path, later: int) -> None:
    """The model node keeps its last records; what it no longer holds is a gap whose energy is booked with the next."""
    world = World(tmp_path)
    copy = tmp_path / "copy.db"
    for op in ["clock", *["sample", "exchange"] * 8]:
        world.do((op, 0))
    back_up(world.host.path, copy)
    for op in ["sample", "exchange"] * later:
        world.do((op, 0))
    before = world.host.mark
    world.host.batch = []
    world.host.ledger.close()
    aside = put_back(copy, world.host.path, world.now_ms)
    assert aside is not None
    assert checked(aside).rows["record"] >= checked(copy).rows["record"]
    world.host.open()
    assert world.host.mark.ledger == before.ledger
    assert world.host.mark.start > before.start
    world.rest()
    check(world)
    world.host.ledger.close()


def test_the_mark_rises_also_when_the_clock_went_back(tmp_path: Path) -> None:
    path, copy = tmp_path / FILE, tmp_path / "copy.db"
    with Ledger(path, 0) as ledger:
        ledger.begin_start(1_000)
        back_up(path, copy)
        latest = ledger.begin_start(900_000)
    put_back(copy, path, 0)
    with Ledger(path, 0) as ledger:
        assert ledger.begin_start(2_000).start > latest.start


def test_what_is_no_sound_copy_is_refused_and_the_ledger_stays(
    desk: Any, record: Callable[..., Any], tmp_path: Path
) -> None:
    desk.take(*(record(n) for n in range(1, 400)))
    good = tmp_path / "good.db"
    back_up(desk.path, good)
    desk.ledger.close()
    bad = tmp_path / "bad.db"
    whole = good.read_bytes()
    bad.write_bytes(whole[:4096] + b"\x99" * (len(whole) - 4096))
    with pytest.raises(BackupError, match=r"damaged|cannot be read as a ledger"):
        put_back(bad, desk.path, 0)
    bad.write_bytes(b"not a database, and long enough to be looked at" * 100)
    with pytest.raises(BackupError, match="cannot be read as a ledger"):
        put_back(bad, desk.path, 0)
    with closing(sqlite3.connect(good)) as db:
        db.execute("PRAGMA user_version = 999")
    with pytest.raises(LedgerNewer):
        put_back(good, desk.path, 0)
    with pytest.raises(LedgerMissing):
        put_back(tmp_path / "none.db", desk.path, 0)
    assert checked(desk.path).rows["record"] == 399
    assert list(tmp_path.glob("ledger-before*")) == []
    desk.open()


def test_a_damaged_ledger_and_its_log_go_aside(desk: Any, record: Callable[..., Any], tmp_path: Path) -> None:
    desk.take(record(1))
    copy = tmp_path / "copy.db"
    back_up(desk.path, copy)
    desk.ledger.close()
    desk.path.write_bytes(b"\x99" * 8192)
    log = desk.path.with_name(f"{desk.path.name}-wal")
    log.write_bytes(b"\x98" * 4096)
    aside = put_back(copy, desk.path, 0)
    assert aside is not None
    assert aside.read_bytes() == b"\x99" * 8192
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == b"\x98" * 4096
    assert not log.exists()
    desk.open()
    assert desk.one("SELECT count(*) FROM record") == 1


def test_the_commands(desk: Any, record: Callable[..., Any], tmp_path: Path) -> None:
    def run(*words: str, **how: Any) -> Any:
        return CliRunner().invoke(main, [*words, "--state", str(tmp_path)], **how)

    desk.take(record(1), record(2))
    (tmp_path / "copies").mkdir()
    told = run("backup", str(tmp_path / "copies"))
    assert told.exit_code == 0, told.output
    assert "2 records of 1 node stores" in told.output
    (copy,) = (tmp_path / "copies").iterdir()
    desk.take(record(3))
    desk.ledger.close()
    with only_one(tmp_path):
        told = run("restore", str(copy), "--yes")
    assert told.exit_code == 2
    assert "already" in told.output
    told = run("restore", str(copy), input="n\n")
    assert told.exit_code == 1
    assert checked(desk.path).rows["record"] == 3
    told = run("restore", str(copy), "--yes")
    assert told.exit_code == 0, told.output
    assert "has 3 records; it is kept, under a name with the date" in told.output
    assert "1 of 1 node stores go back to an earlier record" in told.output
    assert checked(desk.path).rows["record"] == 2
    (aside,) = tmp_path.glob("ledger-before-restore-*.db")
    assert checked(aside).rows["record"] == 3
    desk.open()
