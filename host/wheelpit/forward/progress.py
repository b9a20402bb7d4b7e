"""How far the ledger was forwarded, in `forward.db` beside it: the only file that the forwarder writes."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from wheelpit.store import migrate
from wheelpit.store.points import SUMMED
from wheelpit.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterable

FILE: Final = "forward.db"
_SCHEMA: Final = Path(__file__).resolve().parent / "schema"
_MOST_REFUSED: Final = 10_000
_MOST_TEXT: Final = 500
_WITH_TROUBLE: Final = 2  # the schema that first has the table


@dataclass(slots=True)
class Moves:
    """What becomes true once a batch was taken by the database.

    `cursors` are journal -> (seq, check of its body), `owed` new stretches without a date, `paid` those that are
    done with, `walks` (site, node, measurement) -> next start or None at the end, `facts` name -> what was told.
    """

    cursors: dict[str, tuple[int, int]] = field(default_factory=dict)
    owed: list[tuple[str, int, int]] = field(default_factory=list)
    paid: list[tuple[str, int]] = field(default_factory=list)
    walks: dict[tuple[str, str, str], int | None] = field(default_factory=dict)
    facts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trouble:
    """Why the database as a whole took nothing: the newest error, from when to when, and how often it was tried.

    `kind` is a `wheelpit.forward.send.Refusal`; `over_ms` is None while it lasts.
    """

    kind: str
    says: str
    since_ms: int
    last_ms: int
    attempts: int
    over_ms: int | None


class Progress:
    """The account. Each call is one transaction, on the disk when it returns.

    Args:
        path: the file; it is made when it does not exist.
        only_look: beside a forwarder that may be running: nothing is made, changed or brought up to date.

    Raises:
        LedgerNewer: the file was written by a newer version; it is left untouched.

    """

    def __init__(self, path: Path, *, only_look: bool = False) -> None:
        if not only_look:
            path.parent.mkdir(parents=True, exist_ok=True)
        where = f"{path.resolve().as_uri()}?mode={'ro' if only_look else 'rwc'}"
        self._db = sqlite3.connect(where, uri=True, isolation_level=None, timeout=10)
        try:
            if only_look:
                self._db.execute("PRAGMA query_only = ON")
                migrate.check_not_newer(self._db, str(path), _SCHEMA)
            else:
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = FULL")
                migrate.migrate(self._db, str(path), _SCHEMA)
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def about(self) -> tuple[str, str] | None:
        """Return the ledger's id and its file as they were last seen; None before the first look."""
        row = self._db.execute("SELECT ledger, file FROM about").fetchone()
        return None if row is None else (str(row[0]), str(row[1]))

    def set_about(self, ledger: str, file: str) -> None:
        """Note which ledger is forwarded."""
        with transaction(self._db):
            self._db.execute("INSERT OR REPLACE INTO about VALUES (1, ?, ?)", (ledger, file))

    def cursors(self) -> dict[str, tuple[int, int]]:
        """Return per journal the last record that was sent and the check of its body."""
        return {name: (seq, check) for name, seq, check in self._db.execute("SELECT * FROM cursor")}

    def owed(self) -> list[tuple[str, int, int]]:
        """Return the stretches of records that had no date: journal, first, last."""
        return self._db.execute("SELECT journal, first, last FROM owed ORDER BY journal, first").fetchall()

    def walks(self) -> list[tuple[str, str, str, int]]:
        """Return the roll-ups that are still to be sent: site, node, measurement, next start."""
        return self._db.execute("SELECT site, node, measured, next_ms FROM walk").fetchall()

    def clearing(self) -> list[tuple[str, str]]:
        """Return the nodes, by site, whose points are to be deleted before they are sent anew."""
        return self._db.execute("SELECT site, node FROM clearing ORDER BY site, node").fetchall()

    def facts(self) -> dict[str, str]:
        """Return what was last told of small things."""
        return dict(self._db.execute("SELECT name, told FROM fact"))

    def tally(self) -> dict[str, int]:
        """Return the counters, which only rise."""
        return dict(self._db.execute("SELECT name, amount FROM tally"))

    def refused(self, limit: int = 100) -> list[tuple[int, str, str]]:
        """Return the newest points that were refused, newest first: when, why, and the point."""
        return self._db.execute(
            "SELECT at_ms, reason, point FROM refused ORDER BY refused_id DESC LIMIT ?", (limit,)
        ).fetchall()

    def trouble(self) -> Trouble | None:
        """Return the last trouble with the database as a whole; None if there was none yet."""
        if migrate.version(self._db) < _WITH_TROUBLE:
            return None
        row = self._db.execute(
            "SELECT kind, says, since_ms, last_ms, attempts, over_ms FROM trouble"
        ).fetchone()
        return None if row is None else Trouble(*row)

    def failed(self, kind: str, says: str, now_ms: int) -> None:
        """Note that the database took nothing; whatever the kinds in a row, it is one trouble until it takes again."""
        with transaction(self._db) as db:
            db.execute("DELETE FROM trouble WHERE over_ms IS NOT NULL")
            db.execute(
                "INSERT INTO trouble VALUES (1, ?, ?, ?, ?, 1, NULL) ON CONFLICT DO UPDATE SET kind = excluded.kind, "
                "says = excluded.says, last_ms = excluded.last_ms, attempts = attempts + 1",
                (kind, says[:_MOST_TEXT], now_ms, now_ms),
            )

    def move(
        self, moves: Moves, sent: int, refused: Iterable[tuple[str, str]], beyond: int, now_ms: int
    ) -> None:
        """Note what a batch brought: points sent, points refused with their reasons, and how many were too old."""
        kept = list(refused)
        with transaction(self._db):
            self._db.execute("UPDATE trouble SET over_ms = ? WHERE over_ms IS NULL", (now_ms,))
            self._db.executemany(
                "INSERT OR REPLACE INTO cursor VALUES (?, ?, ?)",
                [(journal, *place) for journal, place in moves.cursors.items()],
            )
            self._db.executemany("DELETE FROM owed WHERE journal = ? AND first = ?", moves.paid)
            self._db.executemany("INSERT OR REPLACE INTO owed VALUES (?, ?, ?)", moves.owed)
            for key, next_ms in moves.walks.items():
                if next_ms is None:
                    self._db.execute("DELETE FROM walk WHERE site = ? AND node = ? AND measured = ?", key)
                else:
                    self._db.execute("INSERT OR REPLACE INTO walk VALUES (?, ?, ?, ?)", (*key, next_ms))
            self._db.executemany("INSERT OR REPLACE INTO fact VALUES (?, ?)", list(moves.facts.items()))
            self._db.executemany(
                "INSERT INTO refused (at_ms, reason, point) VALUES (?, ?, ?)",
                [(now_ms, reason, point) for point, reason in kept],
            )
            if kept:
                self._db.execute(
                    "DELETE FROM refused WHERE refused_id <= (SELECT max(refused_id) FROM refused) - ?",
                    (_MOST_REFUSED,),
                )
            for name, amount in (
                ("points_sent", sent),
                ("points_refused", len(kept)),
                ("points_too_old", beyond),
            ):
                if amount:
                    self._db.execute(
                        "INSERT INTO tally VALUES (?, ?) ON CONFLICT DO UPDATE SET amount = amount + excluded.amount",
                        (name, amount),
                    )

    def begin_again(self, nodes: Iterable[tuple[str, str]], ledger: str, file: str, *, clear: bool) -> None:
        """Forget how far the ledger was forwarded; with `clear` the points of these nodes are deleted first."""
        with transaction(self._db):
            for table in ("cursor", "owed", "walk", "fact"):
                self._db.execute(f"DELETE FROM {table}")  # noqa: S608 - names of our own
            self._db.execute("INSERT OR REPLACE INTO about VALUES (1, ?, ?)", (ledger, file))
            if clear:
                self._db.executemany("INSERT OR IGNORE INTO clearing VALUES (?, ?)", list(nodes))

    def cleared(self, site: str, node: str) -> None:
        """Note that the points of a node were deleted."""
        with transaction(self._db):
            self._db.execute("DELETE FROM clearing WHERE site = ? AND node = ?", (site, node))

    def know(self, nodes: Iterable[tuple[str, str]]) -> None:
        """Note nodes; all roll-ups of one that is new are to be sent."""
        with transaction(self._db):
            for site, node in nodes:
                self._db.execute("INSERT INTO fact VALUES (?, '')", (f"node {site} {node}",))
                self._db.executemany(
                    "INSERT OR REPLACE INTO walk VALUES (?, ?, ?, ?)",
                    [(site, node, measured, 0) for measured in SUMMED],
                )
