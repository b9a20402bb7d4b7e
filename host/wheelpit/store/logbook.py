"""The logbook: what people did at the plant, in a file of its own beside the ledger.

It is written by `wheelpit note` and by the board, never by the service, and read by whoever makes the accounts: a wheel
that was parked is not stalled, a raked rack explains more power, a new belt begins a new baseline. An entry is struck
out, never deleted.

    book = Logbook(state / FILE)
    book.write(Draft(site="sallow-ghyll", kind=RAKED, from_ms=now_ms), now_ms)
    for entry in book.entries("sallow-ghyll", from_ms, to_ms):
        ...
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from wheelpit.errors import WheelpitError
from wheelpit.store import migrate

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

FILE: Final = "logbook.db"
SCHEMA: Final = Path(__file__).resolve().parent / "logbook_schema"

# Kinds of entries: what was done at a moment ...
RAKED: Final = "raked"  # the rack, the launder or the weir was cleared
TENSIONED: Final = "tensioned"  # the belt
BELT_CHANGED: Final = "belt-changed"
GREASED: Final = "greased"  # the wheel's bearings
TOPPED_UP: Final = "topped-up"  # the cells with water
HYDROMETER: Final = "hydrometer"  # specific gravity of each cell
EQUALISED: Final = "equalised"
ALARM_TESTED: Final = "alarm-tested"  # the whole way of an alarm, from the wheel to a person
NOTE: Final = "note"  # anything else
# ... and what lasts, until `to_ms` or still.
PARKED: Final = "parked"  # the wheel was held on purpose
LAID_UP: Final = "laid-up"  # for a season; the plant is not expected to run
GATE_CLOSED: Final = "gate-closed"  # the water was kept off by hand

KINDS: Final[dict[str, str]] = {
    RAKED: "rack, launder or weir cleared",
    TENSIONED: "belt tensioned",
    BELT_CHANGED: "belt changed",
    GREASED: "bearings greased",
    TOPPED_UP: "cells topped up with water",
    HYDROMETER: "acid measured",
    EQUALISED: "bank equalised",
    ALARM_TESTED: "alarm tried from the wheel to a person",
    NOTE: "note",
    PARKED: "wheel parked on purpose",
    LAID_UP: "laid up",
    GATE_CLOSED: "gate closed",
}
# The wheel stands, or has no water, because somebody wanted it so: the time ledger says parked, and an alarm that
# speaks of such a time is explained.
STANDING: Final = frozenset({PARKED, LAID_UP, GATE_CLOSED})
LASTING: Final = STANDING
# After these the plant is not the one of before: baselines begin anew.
RESTARTING: Final = frozenset({TENSIONED, BELT_CHANGED, GREASED})

_BUSY_S: Final = 10.0
_MOST_CELLS: Final = 30
# Acid that is believed [specific gravity] and its temperature [°C].
_GRAVITY: Final = (1.0, 1.4)
_ACID_DEGC: Final = (-40.0, 60.0)
_MOST_LITRES: Final = 200.0
_COLUMNS: Final = (
    "entry, site, kind, from_ms, to_ms, text, gravities, degc, litres, written_ms, struck_ms, struck_why"
)


class LogbookError(WheelpitError):
    """An entry that cannot be written or found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """An entry to be written.

    Attributes:
        site: the site's id.
        kind: one of `KINDS`.
        from_ms: when it was done, or began [Unix ms].
        to_ms: when what lasts ended; None while it does, and for what has no length.
        text: in the writer's own words.
        gravities: of a hydrometer, the specific gravity of each cell as it was read.
        degc: of a hydrometer, the temperature of the acid [°C]; None where it was not measured.
        litres: of topping up, the water added [L].

    """

    site: str
    kind: str
    from_ms: int
    to_ms: int | None = None
    text: str = ""
    gravities: tuple[float, ...] = ()
    degc: float | None = None
    litres: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry(Draft):
    """An entry as it stands in the book; `struck_ms` is None unless it was struck out."""

    number: int
    written_ms: int
    struck_ms: int | None = None
    struck_why: str | None = None

    @property
    def lasting(self) -> bool:
        """Whether it speaks of a stretch of time."""
        return self.kind in LASTING

    def end_ms(self, now_ms: int) -> int:
        """Return where it ends: what still lasts ends now, what has no length where it began."""
        if self.to_ms is not None:
            return self.to_ms
        return max(self.from_ms, now_ms) if self.lasting else self.from_ms


class Logbook:
    """A site's logbook; a file that is not there yet holds nothing and is made by the first entry.

    Args:
        path: the file.

    Raises (each call):
        LedgerNewer: it was written by a newer version; it is left untouched.

    """

    def __init__(self, path: Path) -> None:
        self.path: Final = path

    def entries(
        self, site: str, from_ms: int, to_ms: int, *, kinds: Collection[str] = (), struck: bool = False
    ) -> list[Entry]:
        """Return the entries that reach into `(from_ms, to_ms]`, in order of their beginning.

        Args:
            site: The site's id.
            from_ms: Where the time begins [Unix ms].
            to_ms: Where it ends.
            kinds: Only these, if any are named.
            struck: Whether entries that were struck out come too.

        """
        rows = self._read(
            f"SELECT {_COLUMNS} FROM entry WHERE site = ? AND from_ms <= ? "  # noqa: S608 - constants of this module
            f"AND (from_ms > ? OR to_ms > ? OR (to_ms IS NULL AND kind IN ({_names(LASTING)}))) "
            "ORDER BY from_ms, entry",
            (site, to_ms, from_ms, from_ms),
        )
        found = [_entry(row) for row in rows]
        return [
            entry
            for entry in found
            if (struck or entry.struck_ms is None) and (not kinds or entry.kind in kinds)
        ]

    def last(self, site: str, kinds: Collection[str], until_ms: int) -> Entry | None:
        """Return the newest entry of some kinds that began at `until_ms` or before, or None."""
        rows = self._read(
            f"SELECT {_COLUMNS} FROM entry WHERE site = ? AND from_ms <= ? AND struck_ms IS NULL "  # noqa: S608 - as above
            f"AND kind IN ({','.join('?' * len(kinds))}) ORDER BY from_ms DESC, entry DESC LIMIT 1",
            (site, until_ms, *kinds),
        )
        return _entry(rows[0]) if rows else None

    def write(self, draft: Draft, now_ms: int) -> Entry:
        """Write an entry down; it is on the disk when this returns.

        Raises:
            LogbookError: the entry says what cannot be.

        """
        _check(draft, now_ms)
        with self._writing() as db:
            number = db.execute(
                "INSERT INTO entry (site, kind, from_ms, to_ms, text, gravities, degc, litres, written_ms) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    draft.site,
                    draft.kind,
                    draft.from_ms,
                    draft.to_ms,
                    draft.text.strip(),
                    json.dumps(draft.gravities) if draft.gravities else None,
                    draft.degc,
                    draft.litres,
                    now_ms,
                ),
            ).lastrowid
            return _one(db, number or 0, self.path)

    def end(self, number: int, to_ms: int) -> Entry:
        """Note when what still lasted came to its end.

        Raises:
            LogbookError: there is no such entry, or it is over already, or does not last.

        """
        with self._writing() as db:
            entry = _one(db, number, self.path)
            if not entry.lasting or entry.to_ms is not None or entry.struck_ms is not None:
                msg = f"entry {number} ({KINDS.get(entry.kind, entry.kind)}) is not going on; nothing was changed"
                raise LogbookError(msg)
            if to_ms < entry.from_ms:
                msg = f"entry {number} would end before it began; give a later time"
                raise LogbookError(msg)
            db.execute("UPDATE entry SET to_ms = ? WHERE entry = ?", (to_ms, number))
            return _one(db, number, self.path)

    def strike(self, number: int, why: str, now_ms: int) -> Entry:
        """Strike an entry out: it stays in the book, and nothing is made of it any more.

        Raises:
            LogbookError: there is no such entry, it is struck out already, or no reason is given.

        """
        if not why.strip():
            msg = f"entry {number}: say why it is struck out"
            raise LogbookError(msg)
        with self._writing() as db:
            if _one(db, number, self.path).struck_ms is not None:
                msg = f"entry {number} is struck out already"
                raise LogbookError(msg)
            db.execute(
                "UPDATE entry SET struck_ms = ?, struck_why = ? WHERE entry = ?",
                (now_ms, why.strip(), number),
            )
            return _one(db, number, self.path)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
        try:
            migrate.check_not_newer(connection, str(self.path), SCHEMA)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            migrate.migrate(connection, str(self.path), SCHEMA)
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            msg = f"{self.path} cannot be written: {error}. Nothing was changed."
            raise LogbookError(msg) from error
        finally:
            connection.close()  # what was not committed is taken back

    def _read(self, query: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        if not self.path.is_file():
            return []
        connection = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True, timeout=_BUSY_S)
        try:
            connection.execute("PRAGMA query_only = ON")
            migrate.check_not_newer(connection, str(self.path), SCHEMA)
            if migrate.version(connection) == 0:  # made this moment
                return []
            return connection.execute(query, values).fetchall()
        except sqlite3.DatabaseError as error:
            msg = f"{self.path} cannot be read: {error}. Put a copy of it in its place."
            raise LogbookError(msg) from error
        finally:
            connection.close()


def _names(kinds: Collection[str]) -> str:
    return ",".join(f"'{kind}'" for kind in sorted(kinds))


def _one(db: sqlite3.Connection, number: int, path: Path) -> Entry:
    rows = db.execute(f"SELECT {_COLUMNS} FROM entry WHERE entry = ?", (number,)).fetchall()  # noqa: S608 - as above
    if not rows:
        msg = f"{path} has no entry {number}; `wheelpit note list` shows them with their numbers"
        raise LogbookError(msg)
    return _entry(rows[0])


def _entry(row: tuple[Any, ...]) -> Entry:
    return Entry(
        number=row[0],
        site=row[1],
        kind=row[2],
        from_ms=row[3],
        to_ms=row[4],
        text=row[5],
        gravities=tuple(json.loads(row[6])) if row[6] else (),
        degc=row[7],
        litres=row[8],
        written_ms=row[9],
        struck_ms=row[10],
        struck_why=row[11],
    )


def _check(draft: Draft, now_ms: int) -> None:
    """Raise `LogbookError` for an entry that says what cannot be."""
    low, high = _GRAVITY
    coldest, hottest = _ACID_DEGC
    lasts = draft.kind in LASTING
    degc, litres = draft.degc, draft.litres
    rules = (
        (draft.kind in KINDS, f"kind {draft.kind!r} is not known; known are {', '.join(KINDS)}"),
        (draft.from_ms <= now_ms, "it lies in the future; a logbook holds what was done"),
        (lasts or draft.to_ms is None, f"what is {draft.kind!r} has no length; leave its end out"),
        (draft.to_ms is None or draft.to_ms >= draft.from_ms, "it would end before it begins"),
        (draft.kind != NOTE or bool(draft.text.strip()), "a note needs words"),
        (
            (draft.kind == HYDROMETER) == bool(draft.gravities),
            f"specific gravities go with {HYDROMETER!r}, one for each cell, such as 1.265",
        ),
        (len(draft.gravities) <= _MOST_CELLS, f"more than {_MOST_CELLS} cells are not believed"),
        (
            all(low <= gravity <= high for gravity in draft.gravities),
            f"a specific gravity lies from {low:.3f} to {high:.3f}, such as 1.265, not 1265",
        ),
        (degc is None or coldest <= degc <= hottest, f"acid is from {coldest:g} to {hottest:g} °C"),
        (
            litres is None or 0 < litres <= _MOST_LITRES,
            f"water added is more than 0 and at most {_MOST_LITRES:g} L",
        ),
        (litres is None or draft.kind == TOPPED_UP, f"litres go with {TOPPED_UP!r}"),
    )
    for holds, wrong in rules:
        if not holds:
            msg = f"this is not written down: {wrong}"
            raise LogbookError(msg)
