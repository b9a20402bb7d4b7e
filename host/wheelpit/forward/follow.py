"""What of the ledger is still to be forwarded: reads it, read-only, one consistent state at a time.

Records are followed by their numbers. With each goes the newest state of the roll-ups it touched, read in the same
state of the ledger, so the database never holds a sum without what it was made from for longer than one batch.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.errors import WheelpitError
from wheelpit.forward.progress import Moves
from wheelpit.store import points
from wheelpit.store.days import LocalDays
from wheelpit.store.decoded import layouts_of
from wheelpit.store.packing import unpack_record, unpack_sums
from wheelpit.store.stretches import HOUR_MS

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Collection

    from wheelpit.forward.progress import Progress
    from wheelpit.store.packing import Layout
    from wheelpit.store.reader import LedgerReader

_SUMS_AT_ONCE: Final = 500
_AGAIN_MS: Final = (
    3_600_000  # small facts are told anew so often, so that a retention period does not lose them
)


class OtherLedgerError(WheelpitError):
    """The ledger in the state folder is not the one that was forwarded before."""


@dataclass(slots=True)
class Batch:
    """Points to send, and what is true once they were taken."""

    lines: list[str] = field(default_factory=list)
    moves: Moves = field(default_factory=Moves)


@dataclass(frozen=True, slots=True)
class _Source:
    site: str
    node: str
    time_zone: str


_Row = tuple[int, int, int, int | None, bytes]
_TABLES: Final = {points.BUCKET: "bucket", points.DAY: "day"}


@dataclass(slots=True)
class _Pass:
    """One look at one state of the ledger; `touched` are roll-ups by source, measurement and start."""

    db: sqlite3.Connection
    sources: dict[int, _Source]
    layouts: dict[int, Layout]
    made: Batch = field(default_factory=Batch)
    touched: set[tuple[int, str, int]] = field(default_factory=set)
    hours: dict[tuple[int, int, int], dict[int, list[int]]] = field(default_factory=dict)

    def again(self, source_id: int, journal_id: int, seq: int, end_ms: int) -> int:
        """Return how many records of the same boot before this one ended at the very same millisecond."""
        key = (source_id, journal_id, end_ms // HOUR_MS)
        if key not in self.hours:
            ends: dict[int, list[int]] = {}
            for other, end in self.db.execute(
                "SELECT seq, end_ms FROM dated WHERE source_id = ? AND journal_id = ? AND hour = ?", key
            ):
                ends.setdefault(end, []).append(other)
            self.hours[key] = ends
        low = seq // SEQ_PER_BOOT * SEQ_PER_BOOT
        return sum(low <= other < seq for other in self.hours[key][end_ms])

    def records(self, journal_id: int, after: int, upto: int, most: int) -> list[_Row]:
        """Return records of a journal in order of their numbers."""
        return self.db.execute(
            "SELECT seq, source_id, layout_id, end_ms, body FROM record "
            "WHERE journal_id = ? AND seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
            (journal_id, after, upto, most),
        ).fetchall()

    def add_touched(self) -> None:
        """Add the roll-ups that the records of the batch touched."""
        for source_id, measured, start in sorted(self.touched):
            self.add_sums(source_id, measured, start)

    def add_sums(self, source_id: int, measured: str, start: int) -> None:
        """Add a roll-up as it stands in the ledger now."""
        row = self.db.execute(
            f"SELECT end_ms, layout_id, body FROM {_TABLES[measured]} WHERE source_id = ? AND start_ms = ?",  # noqa: S608 - our own names
            (source_id, start),
        ).fetchone()
        if row is not None:
            end, layout_id, body = row
            source, sums = self.sources[source_id], unpack_sums(self.layouts[layout_id], body)
            self.made.lines.append(
                points.sums_line(
                    measured, sums, site=source.site, node=source.node, start_ms=start, end_ms=end
                )
            )


class Follower:
    """Follows one ledger.

    Args:
        reader: the ledger.
        progress: how far it was forwarded.
        sites: only these sites; None for all.
        accept_ledger: go on although the folder holds another ledger than before.

    """

    def __init__(
        self,
        reader: LedgerReader,
        progress: Progress,
        sites: Collection[str] | None = None,
        *,
        accept_ledger: bool = False,
    ) -> None:
        self._reader = reader
        self._progress = progress
        self._sites = sites
        self._accept = accept_ledger
        self._days: dict[str, LocalDays] = {}

    def look(self) -> str | None:
        """Make sure that it is the ledger that was followed so far.

        Returns:
            Why everything is sent anew, in words; None if nothing is.

        Raises:
            OtherLedgerError: it is another one altogether.

        """
        with self._reader.open() as db:
            stat = self._reader.path.stat()
            file = f"{stat.st_dev}:{stat.st_ino}"
            (ledger,) = db.execute("SELECT ledger FROM ledger").fetchone()
            sources = self._sources(db)
            why = self._gone_back(db)
        nodes = [(source.site, source.node) for source in sources.values()]
        facts = self._progress.facts()
        moved = [
            source.site
            for source in sources.values()
            if facts.get(f"zone {source.site}", source.time_zone) != source.time_zone
        ]
        about = self._progress.about()
        if about is None:
            self._progress.set_about(ledger, file)
        elif about[0] != ledger:
            if not self._accept:
                msg = (
                    f"{self._reader.path} is ledger {ledger}, so far {about[0]} was forwarded. With --accept-ledger the "
                    "new one is forwarded from its beginning; what the database has of the old one stays in it"
                )
                raise OtherLedgerError(msg)
            why = "another ledger was accepted"
            self._progress.begin_again((), ledger, file, clear=False)
        elif about[1] != file or why or moved:
            why = why or (
                "the ledger's file is another one: it was restored, or moved"
                if about[1] != file
                else f"the time zone of {moved[0]} changed"
            )
            self._progress.begin_again(nodes, ledger, file, clear=True)
        known = self._progress.facts()
        self._progress.know([pair for pair in nodes if f"node {pair[0]} {pair[1]}" not in known])
        return why

    def _gone_back(self, db: sqlite3.Connection) -> str | None:
        """Return how the ledger differs from what was sent, if it does."""
        for journal, (seq, check) in self._progress.cursors().items():
            head = db.execute(
                "SELECT head_seq, journal_id FROM journal WHERE journal = ?", (journal,)
            ).fetchone()
            if head is None or head[0] < seq:
                return f"store {journal} went back from record {seq}: the ledger was restored"
            row = db.execute(
                "SELECT body FROM record WHERE journal_id = ? AND seq = ? AND end_ms IS NOT NULL",
                (head[1], seq),
            ).fetchone()
            if check and row is not None and zlib.crc32(row[0]) != check:
                return (
                    f"record {seq} of store {journal} is another one than was sent: the ledger was restored"
                )
        return None

    def oldest_ms(self, site: str, node: str) -> int | None:
        """Return when the oldest record of a node ended that is still kept in full."""
        with self._reader.open() as db:
            row = db.execute(
                "SELECT end_ms FROM site JOIN source USING (site_id) JOIN dated USING (source_id) "
                "WHERE site = ? AND node = ? ORDER BY hour, end_ms LIMIT 1",
                (site, node),
            ).fetchone()
        return None if row is None else int(row[0])

    def batch(self, most: int, now_ms: int) -> Batch:
        """Return what is to be sent next, about `most` records of it; an empty one when all is sent."""
        with self._reader.open() as db:
            at = _Pass(db, self._sources(db), layouts_of(db))
            self._facts(at, now_ms)
            left = self._pay(at, most)
            cursors = self._progress.cursors()
            for journal_id, journal in db.execute("SELECT journal_id, journal FROM journal").fetchall():
                if left <= 0:
                    break
                rows = at.records(journal_id, cursors.get(journal, (0, 0))[0], 1 << 62, left)
                left -= len(rows)
                if rows:
                    at.made.moves.owed += self._take(at, journal_id, journal, rows)
                    seq, _, _, end_ms, body = rows[-1]
                    at.made.moves.cursors[journal] = (seq, 0 if end_ms is None else zlib.crc32(body))
            at.add_touched()
            self._walk(at)
        return at.made

    def _sources(self, db: sqlite3.Connection) -> dict[int, _Source]:
        return {
            number: _Source(site, node, zone)
            for number, site, node, zone in db.execute(
                "SELECT source_id, site, node, time_zone FROM source JOIN site USING (site_id)"
            )
            if self._sites is None or site in self._sites
        }

    def _take(self, at: _Pass, journal_id: int, journal: str, rows: list[_Row]) -> list[tuple[str, int, int]]:
        """Add the points of some records of a journal; return the stretches that have no date."""
        undated: list[tuple[str, int, int]] = []
        for seq, source_id, layout_id, end_ms, body in rows:
            source = at.sources.get(source_id)
            if source is None:
                continue
            boot = seq // SEQ_PER_BOOT
            if end_ms is None:
                if undated and undated[-1][1] // SEQ_PER_BOOT == boot:
                    undated[-1] = (journal, undated[-1][1], seq)
                else:
                    undated.append((journal, seq, seq))
                continue
            again = at.again(source_id, journal_id, seq, end_ms)
            layout = at.layouts[layout_id]
            record = unpack_record(layout, seq, body)
            at.made.lines.append(
                points.record_line(
                    layout,
                    record,
                    site=source.site,
                    node=source.node,
                    journal=journal,
                    end_ms=end_ms,
                    again=again,
                )
            )
            days = self._local(source.time_zone)
            for day, start, _ in days.buckets(record.start_ms(end_ms), end_ms):
                at.touched.add((source_id, points.BUCKET, start))
                at.touched.add((source_id, points.DAY, days.bounds(day)[0]))
        return undated

    def _local(self, time_zone: str) -> LocalDays:
        found = self._days.get(time_zone)
        if found is None:
            found = self._days[time_zone] = LocalDays(time_zone)
        return found

    def _pay(self, at: _Pass, most: int) -> int:
        """Add records that had no date when they were passed and have one now; return how many may follow."""
        left = most
        for journal, first, last in self._progress.owed():
            row = at.db.execute(
                "SELECT journal_id FROM journal JOIN boot USING (journal_id) WHERE journal = ? AND boot = ?",
                (journal, first // SEQ_PER_BOOT),
            ).fetchone()
            if row is None or left <= 0:
                continue
            rows = at.records(row[0], first - 1, last, left)
            left -= len(rows)
            at.made.moves.paid.append((journal, first))
            if rows:
                self._take(at, row[0], journal, rows)
                if rows[-1][0] < last:
                    at.made.moves.owed.append((journal, rows[-1][0] + 1, last))
        return left

    def _walk(self, at: _Pass) -> None:
        """Add some of the roll-ups that are older than what is followed."""
        numbers = {(source.site, source.node): number for number, source in at.sources.items()}
        for site, node, measured, next_ms in self._progress.walks()[:1]:
            rows = at.db.execute(
                f"SELECT start_ms FROM {_TABLES[measured]} WHERE source_id = ? AND start_ms >= ? "  # noqa: S608 - our own names
                "ORDER BY start_ms LIMIT ?",
                (numbers.get((site, node)), next_ms, _SUMS_AT_ONCE),
            ).fetchall()
            for (start,) in rows:
                at.add_sums(numbers[site, node], measured, start)
            at.made.moves.walks[site, node, measured] = (
                rows[-1][0] + 1 if len(rows) == _SUMS_AT_ONCE else None
            )

    # Small things: told when they change, and every hour.

    def _facts(self, at: _Pass, now_ms: int) -> None:
        told = self._progress.facts()
        due = now_ms - int(told.get("told_ms", "0")) >= _AGAIN_MS
        for site, zone in {(source.site, source.time_zone) for source in at.sources.values()}:
            if due or told.get(f"zone {site}") != zone:
                at.made.lines.append(
                    points.line(points.SITE, {"site": site, "time_zone": zone}, {"seen": 1}, now_ms)
                )
                at.made.moves.facts[f"zone {site}"] = zone
        for number, source in at.sources.items():
            totals = dict(
                at.db.execute(
                    "SELECT total, amount FROM undated WHERE source_id = ? ORDER BY total", (number,)
                )
            )
            name, text = f"undated {source.site} {source.node}", json.dumps(totals)
            before = told.get(name, "{}")
            if text != before or (due and totals):
                fields = dict.fromkeys(json.loads(before), 0) | totals
                tags = {"site": source.site, "node": source.node}
                at.made.lines.append(points.line(points.UNDATED, tags, fields, now_ms))
                at.made.moves.facts[name] = text
        self._gaps(at, told)
        if due:
            at.made.moves.facts["told_ms"] = str(now_ms)

    @staticmethod
    def _gaps(at: _Pass, told: dict[str, str]) -> None:
        """Add gaps that are new, and take back those that the ledger no longer has."""
        rows = at.db.execute(
            "SELECT source_id, journal, kind, first, last, made_ms FROM hole JOIN journal USING (journal_id)"
        ).fetchall()
        seen = set()
        for source_id, journal, kind, first, last, made_ms in rows:
            source = at.sources.get(source_id)
            if source is None:
                continue
            name = f"gap {journal} {first}"
            seen.add(name)
            # Two gaps of one message were booked in one millisecond: their numbers tell them apart.
            tags = {"site": source.site, "node": source.node, "journal": journal, "first": str(first)}
            code = points.GAP_KINDS.index(kind)
            text = json.dumps([tags, made_ms, last, code])
            if told.get(name) != text:
                at.made.lines.append(
                    points.line(
                        points.GAP, tags, {"last": last, "kind": code, "count": last - first + 1}, made_ms
                    )
                )
                at.made.moves.facts[name] = text
        for name, text in told.items():
            if name.startswith("gap ") and text and name not in seen:
                tags, made_ms, last, code = json.loads(text)
                at.made.lines.append(
                    points.line(points.GAP, tags, {"last": last, "kind": code, "count": 0}, made_ms)
                )
                at.made.moves.facts[name] = ""
