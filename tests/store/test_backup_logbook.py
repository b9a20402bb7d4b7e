"""The logbook goes with the ledger's copies, and comes back only where there is none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.store.backup_logbook import beside
from wheelpit.store.ledger import Ledger
from wheelpit.store.logbook import FILE, Draft, Logbook

if TYPE_CHECKING:
    from pathlib import Path

NOW_MS = 1_790_000_000_000


def test_it_is_copied_beside_the_ledger_and_put_back_where_there_is_none(tmp_path: Path) -> None:
    state, out = tmp_path / "state", tmp_path / "copy.db"
    Ledger(state / "ledger.db", NOW_MS).close()
    book = Logbook(state / FILE)
    book.write(Draft(site="mill", kind="raked", from_ms=NOW_MS), NOW_MS)

    def run(*words: str) -> str:
        for aside in state.glob("ledger-before-restore-*"):
            aside.unlink()  # named by the second, and these restores follow each other sooner
        told = CliRunner().invoke(main, [*words, "--state", str(state)])
        assert told.exit_code == 0, told.output
        return told.output

    assert "1 entries of the logbook, checked" in run("backup", str(out))
    book.write(Draft(site="mill", kind="raked", from_ms=NOW_MS), NOW_MS)
    assert "stays as it is" in run("restore", str(out), "--yes")
    assert len(book.entries("mill", 0, NOW_MS + 1)) == 2
    for file in state.glob(f"{FILE}*"):
        file.unlink()
    assert "1 entries put back" in run("restore", str(out), "--yes")
    assert len(Logbook(state / FILE).entries("mill", 0, NOW_MS + 1)) == 1
    beside(out).unlink()
    assert "logbook" not in run("restore", str(out), "--yes")
