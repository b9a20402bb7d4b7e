"""`wheelpit doctor` about the forwarder: how far behind it is, what was refused and why, and what to do."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner
from tests.forward.pen import NOON_MS, Memory, Pen, a_record

from wheelpit import forward as forwarding
from wheelpit.cli import main
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.forward.progress import FILE, Progress
from wheelpit.forward.run import Forwarder
from wheelpit.forward.send import RefusedError
from wheelpit.places import announce
from wheelpit.report.forwarding import forward_findings

if TYPE_CHECKING:
    from collections.abc import Callable

MINUTE_MS = 60_000
_FIRST_SCHEMA = Path(str(forwarding.__file__)).with_name("schema") / "0001_forward.sql"


class Course:
    """A forwarder whose waits take a minute of its own clock each; `seen` is what the doctor found after each."""

    def __init__(self, state: Path, desk: Any, database: Any) -> None:
        self.state = state
        self.now_ms = NOON_MS
        self.seen: list[list[tuple[str, str]]] = []
        self.forwarder = Forwarder(
            desk.follower,
            desk.progress,
            database,
            None,
            desk.stop,
            clock_ms=lambda: self.now_ms,
            rest=self._rest,
        )

    def _rest(self, _seconds: float) -> None:
        self.now_ms += MINUTE_MS
        with announce(self.state, "forward"):
            self.seen.append(self.told())

    def told(self) -> list[tuple[str, str]]:
        """Return what the doctor finds now, by level."""
        return [
            (found.level, f"{found.says} | {found.remedy}")
            for found in forward_findings(self.state, self.now_ms)
        ]


def test_nothing_is_said_where_nothing_is_forwarded_and_nothing_is_made(pen: Pen, state: Path) -> None:
    pen.book(a_record(1))
    assert forward_findings(state, NOON_MS) == []
    assert not (state / FILE).exists()


def test_how_far_behind(pen: Pen, state: Path, forward: Callable[..., Any], nothing_listens: Any) -> None:
    pen.book(*[a_record(n) for n in range(1, 7)])
    course = Course(state, forward(nothing_listens), Memory())
    course.forwarder.run(once=True)
    assert course.told() == [("good", "everything that was booked was sent | ")]
    # Ten more records, the first of which ends 70 s after noon.
    pen.book(*[a_record(n) for n in range(7, 17)], after=SEQ_PER_BOOT + 6)
    course.now_ms = NOON_MS + 70_000 + 10 * MINUTE_MS
    [(level, said)] = course.told()
    assert (level, said.partition(f"{state}: ")[2].partition(" |")[0]) == (
        "note",
        "records waiting: 10, the oldest since 10 minutes",
    )
    with announce(state, "forward"):
        assert course.told() == [("good", "records waiting: 10, the oldest since 10 minutes | ")]
        course.now_ms += 3 * 60 * MINUTE_MS
        assert [level for level, _ in course.told()] == ["note"]
    [(level, said)] = course.told()
    assert level == "wrong"
    assert said.startswith("no forwarder works on")
    assert "the oldest since 3 hours | start `wheelpit forward`" in said


def test_the_last_error_and_since_when(
    pen: Pen, state: Path, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    pen.book(a_record(1))
    memory = Memory()
    memory.down = [RefusedError("unreachable", "no route to it")] * 11
    memory.down += [RefusedError("login", "status 401: " + "x" * 5000)]
    course = Course(state, forward(nothing_listens), memory)
    course.forwarder.run(once=True)
    troubles = [[line for line in seen if "taken nothing" in line[1]] for seen in course.seen]
    assert [len(lines) for lines in troubles] == [1] * 12
    # The trouble begins with the first attempt; each wait is a minute.
    level, said = troubles[2][0]
    assert level == "note", "it may be back by itself"
    assert said.startswith(
        "the database has taken nothing for 3 minutes, 3 attempts, the last 60 seconds ago: no route to it | "
    )
    assert troubles[10][0][0] == "wrong"
    level, said = troubles[11][0]
    assert level == "wrong"
    assert "for 12 minutes, 12 attempts" in said
    assert said.partition(" | ")[2].startswith("give a token that may write to this bucket: --token-file")
    assert len(said) < 1000
    # It is over, and stays known for a week.
    course.now_ms += 60 * MINUTE_MS
    [good, (level, said)] = course.told()
    assert good[0] == "good"
    assert level == "note"
    assert said.startswith("the database took nothing for 12 minutes, until 60 minutes ago (status 401")
    course.now_ms += 7 * 24 * 60 * MINUTE_MS
    assert course.told() == [good]


def test_points_that_were_refused(
    pen: Pen, state: Path, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    pen.book(*[a_record(n) for n in range(1, 7)])
    memory = Memory()
    memory.bad = {f"seq={SEQ_PER_BOOT + 3}.0"}
    course = Course(state, forward(nothing_listens), memory)
    course.forwarder.run(once=True)
    course.now_ms += 5 * MINUTE_MS
    [_, (level, said)] = course.told()
    assert level == "wrong"
    assert said.startswith(
        "points refused one by one: 1, the last 5 minutes ago: status 400: a bad line; it begins 'wheelpit_record,"
    )
    told = CliRunner().invoke(
        main, ["doctor", "--json", "--broker-port", str(nothing_listens.url.rpartition(":")[2])]
    )
    findings = [found for found in json.loads(told.output)["findings"] if found["subject"] == "forwarding"]
    assert any("points refused one by one: 1" in found["says"] and found["remedy"] for found in findings)
    course.now_ms += 8 * 24 * 60 * MINUTE_MS
    assert course.told()[1][0] == "note"


def test_another_ledger_than_the_one_forwarded(
    pen: Pen, state: Path, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    pen.book(a_record(1))
    course = Course(state, forward(nothing_listens), Memory())
    course.forwarder.run(once=True)
    for file in state.glob("ledger.db*"):
        file.unlink()
    pen.book(a_record(1))
    [(level, said)] = course.told()
    assert level == "wrong"
    assert "another ledger was forwarded before" in said
    assert "--accept-ledger" in said


def test_an_account_of_the_first_version_is_read_as_it_is_and_brought_up_to_date(
    pen: Pen, state: Path
) -> None:
    pen.book(a_record(1))
    with closing(sqlite3.connect(state / FILE)) as db:
        db.executescript(_FIRST_SCHEMA.read_text() + "PRAGMA user_version = 1;")
        db.execute("INSERT INTO cursor VALUES ('0123456789abcdef', ?, 0)", (SEQ_PER_BOOT + 1,))
        db.commit()
    assert [found.level for found in forward_findings(state, NOON_MS)] == ["good"]
    with closing(sqlite3.connect(state / FILE)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,), "looking changes nothing"
    with Progress(state / FILE) as progress:
        progress.failed("busy", "status 503", NOON_MS)
        assert progress.cursors() == {"0123456789abcdef": (SEQ_PER_BOOT + 1, 0)}
        trouble = progress.trouble()
    assert trouble is not None
    assert (trouble.kind, trouble.says, trouble.since_ms, trouble.over_ms) == (
        "busy",
        "status 503",
        NOON_MS,
        None,
    )


def test_an_account_that_is_no_database(pen: Pen, state: Path) -> None:
    pen.book(a_record(1))
    (state / FILE).write_bytes(b"not a database at all, but long enough to be looked at" * 40)
    [found] = forward_findings(state, NOON_MS)
    assert found.level == "wrong"
    assert "cannot be read" in found.says
    assert "everything is sent anew" in found.remedy
