"""Reads the ledger while the service writes it: each call opens read-only, fetches all, closes.

No cursor stays open between calls, so a reader never holds back the writer's checkpoints.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from datetime import date
from hashlib import blake2b
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Final

import msgspec

from wheelpit.contract.messages import Birth
from wheelpit.contract.names import CHANNELS, TOTALS
from wheelpit.errors import WheelpitError
from wheelpit.store import migrate
from wheelpit.store.days import BUCKET_MS
from wheelpit.store.decoded import layouts_of, merged, record_row, shape, sources_of
from wheelpit.store.migrate import LedgerNewer
from wheelpit.store.packing import unpack_record
from wheelpit.store.rows import (
    BucketRow,
    DayMark,
    DayRow,
    DeadLetterRow,
    GapRow,
    NodeRow,
    RecordRow,
    UnmeasuredRow,
)
from wheelpit.store.stretches import dated, first_from

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from wheelpit.store.columns import BucketColumns, DayColumns
    from wheelpit.store.recordcells import RecordCells
    from wheelpit.store.recordcolumns import RecordColumns

__all__ = ["LedgerMissing", "LedgerNewer", "LedgerOlder", "LedgerReader"]

_BUSY_S: Final = 10.0
_LONG_MS: Final = 62 * 86_400_000  # what is shorter is read from the ledger itself
_DAYS: Final = (
    "SELECT day, start_ms, end_ms, layout_id, body FROM site JOIN source USING (site_id) "
    "JOIN day USING (source_id) WHERE site = ? AND day BETWEEN ? AND ? ORDER BY day"
)


class LedgerMissing(WheelpitError):  # noqa: N818 - an error that names a state reads as one
    """There is no ledger at this place yet."""


class LedgerOlder(WheelpitError):  # noqa: N818 - an error that names a state reads as one
    """The ledger was not yet brought up to this version."""


class LedgerReader:
    """Read-only access to a ledger file, safe beside the running service.

    Args:
        path: the file; it is looked for at each call, so the reader may be made before it.
        keep: where columns of past months are kept between calls (`wheelpit.store.kept`); None to keep none.

    Raises (each call):
        LedgerMissing: there is no ledger yet.
        LedgerNewer: it was written by a newer version.
        LedgerOlder: the service has not brought it up to this version yet.

    """

    def __init__(self, path: Path, *, keep: Path | None = None) -> None:
        self.path: Final = path
        self._keep: Final = keep

    @contextmanager
    def open(self) -> Iterator[sqlite3.Connection]:
        """Open the ledger for one piece of reading: read-only, one consistent state throughout."""
        if not self.path.is_file():
            msg = f"{self.path}: there is no ledger yet; `wheelpit serve` makes it when it starts"
            raise LedgerMissing(msg)
        uri = f"{self.path.resolve().as_uri()}?mode=ro"
        connection = sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)
        try:
            connection.execute("PRAGMA query_only = ON")
            connection.execute("PRAGMA wal_autocheckpoint = 0")
            connection.execute("BEGIN")
            migrate.check_not_newer(connection, str(self.path))
            have = migrate.version(connection)
            if have == 0:
                msg = f"{self.path}: the ledger is being made; try again in a moment"
                raise LedgerMissing(msg)
            if have < migrate.newest_version():
                msg = f"{self.path} has schema {have}: start `wheelpit serve` once, it brings it up to date"
                raise LedgerOlder(msg)
            yield connection
        finally:
            connection.close()

    def sites(self) -> list[str]:
        """Return the ids of the sites in the ledger."""
        with self.open() as db:
            return [site for (site,) in db.execute("SELECT site FROM site ORDER BY site")]

    def time_zone(self, site: str) -> str:
        """Return the IANA time zone by which the days of a site are cut."""
        with self.open() as db:
            found = db.execute("SELECT time_zone FROM site WHERE site = ?", (site,)).fetchone()
        if found is None:
            msg = f"site {site!r} is not in {self.path}; `wheelpit books` without --site lists what is there"
            raise LedgerMissing(msg)
        return str(found[0])

    def nodes(self, site: str) -> list[NodeRow]:
        """Return the nodes of a site, each with the store it has now."""
        with self.open() as db:
            rows = db.execute(
                "SELECT node, chip, journal, birth, birth_ms, online, status_ms, last_end_ms, "
                "coalesce(head_seq, 0), disputed_chip, coalesce(conflicts, 0) "
                "FROM site JOIN source USING (site_id) LEFT JOIN journal USING (journal_id) "
                "WHERE site = ? ORDER BY node",
                (site,),
            ).fetchall()
        return [
            NodeRow(
                node=node,
                chip=chip,
                journal=journal,
                birth=None if birth is None else msgspec.json.decode(birth, type=Birth),
                birth_ms=birth_ms,
                online=None if online is None else bool(online),
                status_ms=status_ms,
                last_end_ms=last_end_ms,
                head_seq=head_seq,
                disputed_chip=disputed_chip,
                conflicts=conflicts,
            )
            for node, chip, journal, birth, birth_ms, online, status_ms, last_end_ms, head_seq, disputed_chip,
            conflicts in rows
        ]  # fmt: skip

    def newest_ms(self, site: str) -> int | None:
        """Return when the newest record of a site ended [Unix ms], None where there is none."""
        return max((row.last_end_ms for row in self.nodes(site) if row.last_end_ms is not None), default=None)

    def days(self, site: str, first: date | None = None, last: date | None = None) -> list[DayRow]:
        """Return the local days that have records, from `first` to `last`, both included; None is no limit."""
        with self.open() as db:
            layouts = layouts_of(db)
            rows = db.execute(_DAYS, (site, *_between(first, last))).fetchall()
        return [
            DayRow(date.fromisoformat(day), start, end, *shape(sums))
            for day, start, end, sums in merged(layouts, rows)
        ]

    def day_columns(self, site: str, first: date | None = None, last: date | None = None) -> DayColumns:
        """Return the same days as columns, without least and most: for years."""
        from wheelpit.store.columns import day_columns  # noqa: PLC0415 - numpy, which the service must not load

        with self.open() as db:
            layouts = layouts_of(db)
            rows = db.execute(_DAYS, (site, *_between(first, last))).fetchall()
        return day_columns(layouts, rows)

    def day_marks(self, site: str, first: date | None = None, last: date | None = None) -> list[DayMark]:
        """Return the local days that have records, each with a number that changes with what is booked in it."""
        with self.open() as db:
            (ledger,) = db.execute("SELECT ledger FROM ledger").fetchone()
            rows = db.execute(
                "SELECT day, start_ms, end_ms, source_id, layout_id, body FROM site JOIN source USING (site_id) "
                "JOIN day USING (source_id) WHERE site = ? AND day BETWEEN ? AND ? ORDER BY day, source_id",
                (site, *_between(first, last)),
            ).fetchall()
        found: list[DayMark] = []
        for (day, start, end), nodes in groupby(rows, key=itemgetter(0, 1, 2)):
            told = [f"{ledger} {start} {end}".encode()]
            for _, _, _, source_id, layout_id, body in nodes:
                told += (b"%d %d %d " % (source_id, layout_id, len(body)), body)
            check = int.from_bytes(blake2b(b"".join(told), digest_size=8).digest(), "big", signed=True)
            found.append(DayMark(date.fromisoformat(day), start, end, check))
        return found

    def buckets(self, site: str, from_ms: int, to_ms: int) -> list[BucketRow]:
        """Return the 10-minute buckets that reach into `(from_ms, to_ms]` and have records."""
        with self.open() as db:
            layouts = layouts_of(db)
            rows = db.execute(
                "SELECT start_ms, start_ms, end_ms, layout_id, body FROM site JOIN source USING (site_id) "
                "JOIN bucket USING (source_id) WHERE site = ? AND start_ms > ? AND start_ms < ? AND end_ms > ? "
                "ORDER BY start_ms",
                (site, from_ms - BUCKET_MS, to_ms, from_ms),
            ).fetchall()
        return [BucketRow(start, end, *shape(sums)) for _, start, end, sums in merged(layouts, rows)]

    def bucket_columns(
        self, site: str, from_ms: int, to_ms: int, names: Sequence[str], channels: Sequence[str] = ()
    ) -> BucketColumns:
        """Return some totals, and channels, of the buckets that reach into `(from_ms, to_ms]` as columns."""
        # numpy, which the service must not load
        from wheelpit.store.columns import bucket_columns  # noqa: PLC0415
        from wheelpit.store.kept import Kept  # noqa: PLC0415

        if self._keep is not None and to_ms - from_ms > _LONG_MS:
            return Kept(LedgerReader(self.path), self._keep).columns(site, from_ms, to_ms, names, channels)
        with self.open() as db:
            layouts = layouts_of(db)
            rows = db.execute(
                "SELECT start_ms, end_ms, layout_id, body FROM site JOIN source USING (site_id) "
                "JOIN bucket USING (source_id) WHERE site = ? AND start_ms > ? AND start_ms < ? AND end_ms > ?",
                (site, from_ms - BUCKET_MS, to_ms, from_ms),
            ).fetchall()
        return bucket_columns(layouts, rows, names, channels)

    def records(self, site: str, from_ms: int, to_ms: int) -> list[RecordRow]:
        """Return the dated records that reach into `(from_ms, to_ms]`, in order of their ends."""
        found: list[RecordRow] = []
        with self.open() as db:
            layouts = layouts_of(db)
            for source_id, node in sources_of(db, site):
                # The first record that ends at or after `to_ms` may begin before it.
                last_ms = first_from(db, source_id, to_ms) or to_ms
                for rows in dated(db, source_id, from_ms, last_ms):
                    for seq, end_ms, layout_id, body in rows:
                        row = record_row(node, layouts[layout_id], seq, end_ms, body)
                        if row.start_ms < to_ms:
                            found.append(row)
        found.sort(key=lambda row: row.end_ms)
        return found

    def record_columns(
        self,
        site: str,
        from_ms: int,
        to_ms: int,
        totals: Sequence[str],
        values: Sequence[tuple[str, str]] = (),
    ) -> Iterator[RecordColumns]:
        """Yield those records node by node as columns, for long periods."""
        # numpy, which the service must not load
        from wheelpit.store.recordcolumns import record_columns  # noqa: PLC0415

        return record_columns(self, site, from_ms, to_ms, totals=totals, values=values)

    def record_cells(
        self, site: str, from_ms: int, to_ms: int, channels: Sequence[str], totals: Sequence[str]
    ) -> RecordCells:
        """Return all that the records say that end in `(from_ms, to_ms]`."""
        from wheelpit.store.recordcells import record_cells  # noqa: PLC0415 - numpy again

        return record_cells(self, site, from_ms, to_ms, channels=channels, totals=totals)

    def columns(self, site: str) -> tuple[list[str], list[str]]:  # noqa: ARG002 - a ledger is one plant's as a rule
        """Return the channels and the totals that records of the ledger have, in the contract's order."""
        with self.open() as db:
            layouts = layouts_of(db).values()
        channels = {name for layout in layouts for name in layout.channels}
        totals = {name for layout in layouts for name in layout.totals}
        return (
            [name for name in CHANNELS if name in channels] + sorted(channels - CHANNELS.keys()),
            [name for name in TOTALS if name in totals] + sorted(totals - TOTALS.keys()),
        )

    def gaps(self, site: str) -> list[GapRow]:
        """Return the numbers that are not stored, oldest first, with the time in which they lie if known."""
        with self.open() as db:
            layouts = layouts_of(db)
            rows = db.execute(
                "SELECT node, kind, first, last, reason, record.seq, record.end_ms, layout_id, body "
                "FROM site JOIN source USING (site_id) JOIN hole USING (source_id) LEFT JOIN record ON "
                "record.journal_id = hole.journal_id AND record.seq = "
                "(SELECT min(seq) FROM record AS later WHERE later.journal_id = hole.journal_id "
                "AND later.seq > hole.last) AND record.seq >> 24 = hole.last >> 24 "
                "WHERE site = ? ORDER BY node, hole.journal_id, first",
                (site,),
            ).fetchall()
        found = []
        for node, kind, first, last, reason, seq, end_ms, layout_id, body in rows:
            start = end = None
            if end_ms is not None:
                record = unpack_record(layouts[layout_id], seq, body)
                start = record.start_ms(end_ms)
                end = max(start, end_ms - record.span_ms)
            found.append(GapRow(node, kind, first, last, reason, start, end))
        return found

    def unmeasured(
        self, site: str, from_ms: int, to_ms: int, shortest_ms: int = 60_000
    ) -> list[UnmeasuredRow]:
        """Return the stretches inside `(from_ms, to_ms]` that no record of a node covers, per node.

        Stretches shorter than `shortest_ms` are left out: the clocks of node and host drift by fractions of it.
        """
        covered: dict[str, int] = {}
        found = []
        for row in self.records(site, from_ms, to_ms):
            upto = covered.get(row.node, from_ms)
            if row.start_ms - upto >= shortest_ms:
                found.append(UnmeasuredRow(row.node, upto, row.start_ms))
            covered[row.node] = max(upto, row.end_ms)
        for node in (node.node for node in self.nodes(site)):
            upto = covered.get(node, from_ms)
            if to_ms - upto >= shortest_ms:
                found.append(UnmeasuredRow(node, upto, to_ms))
        return sorted(found, key=lambda row: (row.start_ms, row.node))

    def undated(self, site: str) -> dict[str, int]:
        """Return the totals of the records that have no date, so that no joule is left out of the books."""
        with self.open() as db:
            rows = db.execute(
                "SELECT total, sum(amount) FROM site JOIN source USING (site_id) JOIN undated USING (source_id) "
                "WHERE site = ? GROUP BY total HAVING sum(amount) <> 0 ORDER BY total",
                (site,),
            )
            return {str(total): int(amount) for total, amount in rows.fetchall()}

    def dead_letters(self, limit: int = 100) -> list[DeadLetterRow]:
        """Return the newest messages that could not be used, newest first."""
        with self.open() as db:
            rows = db.execute(
                "SELECT at_ms, topic, reason, payload, bytes FROM dead_letter ORDER BY letter_id DESC LIMIT ?",
                (limit,),
            ).fetchall()
        return [DeadLetterRow(*row) for row in rows]

    def tallies(self) -> dict[str, int]:
        """Return the counters that only rise: dead letters, refused records, conflicts and so on."""
        with self.open() as db:
            rows = db.execute("SELECT name, amount FROM tally ORDER BY name").fetchall()
        return {str(name): int(amount) for name, amount in rows}


def _between(first: date | None, last: date | None) -> tuple[str, str]:
    return (first or date.min).isoformat(), (last or date.max).isoformat()
