"""Writes into the ledger what `wheelpit.store.booking` decides, and dates it.

Every method runs inside the writer's transaction; `flush` comes before its commit, `forget` after a rollback.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import msgspec

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.errors import WheelpitError
from wheelpit.store import booking
from wheelpit.store.births import reopen, take_birth, write_hole
from wheelpit.store.booking import BadRecord, Booked, Disbelieved, Missing, Refused, boot_of
from wheelpit.store.days import LocalDays
from wheelpit.store.heads import Heads
from wheelpit.store.packing import pack_record, unpack_record
from wheelpit.store.summing import Summing
from wheelpit.store.tables import DeadLetters, Layouts, count
from wheelpit.store.upkeep import pruned

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from wheelpit.contract.messages import Birth, Live, Record
    from wheelpit.store.booking import Sent
    from wheelpit.store.heads import Journal, Source

# A date before 2020-01-01 is the factory setting of some clock, one from 2100-01-01 on is damage.
EARLIEST_MS: Final = 1_577_836_800_000
LATEST_MS: Final = 4_102_444_800_000
# A node's clock may be this far ahead of the host's before its dates are not believed.
FARTHEST_AHEAD_MS: Final = 86_400_000
# The host's clock is taken for wrong when it is this much behind what the ledger has seen.
CLOCK_SLACK_MS: Final = 60_000

_log = logging.getLogger(__name__)


class ZoneChangedError(WheelpitError):
    """A site's time zone changed after full records were deleted."""


class Dated(msgspec.Struct, frozen=True):
    """A record that was booked with a date, over `(start_ms, end_ms]`."""

    record: Record
    start_ms: int
    end_ms: int


@dataclass(slots=True)
class Taken:
    """What became of a record message: how far the journal is accounted for now, and what was booked dated.

    `moved` says whether the message brought it any further.
    """

    upto: int
    moved: bool = False
    booked: list[Dated] = field(default_factory=list)


class Bookkeeper:
    """Books what the nodes of one site say.

    Args:
        db: the writer's connection, a transaction open.
        site: the site's id.
        time_zone: the IANA zone in which the site's days are cut. When it differs from the one in the ledger
            the roll-ups are made anew; once full records were deleted that is refused.
        say: is told the progress of such a long job, in words.

    """

    def __init__(
        self, db: sqlite3.Connection, site: str, time_zone: str, say: Callable[[str], None] = _log.info
    ) -> None:
        self._db = db
        self._layouts = Layouts(db)
        self._summing = Summing(db, LocalDays(time_zone), self._layouts)
        self._letters = DeadLetters(db)
        self._rows: list[tuple[int, int, int, int, int | None, bytes]] = []
        self._site_id = self._open_site(site, time_zone, say)
        self._heads = Heads(db, self._site_id)
        self._seen_ms = int(db.execute("SELECT seen_ms FROM ledger").fetchone()[0])
        self._saw_ms = self._seen_ms

    def _open_site(self, site: str, time_zone: str, say: Callable[[str], None]) -> int:
        self._db.execute("INSERT OR IGNORE INTO site (site, time_zone) VALUES (?, ?)", (site, time_zone))
        site_id, had = self._db.execute(
            "SELECT site_id, time_zone FROM site WHERE site = ?", (site,)
        ).fetchone()
        if had != time_zone:
            if pruned(self._db):
                msg = (
                    f"the time zone of {site} is {had} in the ledger and {time_zone} in the plant: the days of records "
                    f"that are no longer kept cannot be cut anew. Keep {had}, or begin another ledger with --state"
                )
                raise ZoneChangedError(msg)
            say(f"the time zone of {site} changed from {had} to {time_zone}: its days are cut anew")
            self._db.execute("UPDATE site SET time_zone = ? WHERE site_id = ?", (time_zone, site_id))
            self._summing.rebuild(site_id, lambda done: say(f"{done} records counted into days again"))
        self._db.execute("UPDATE source SET online = NULL WHERE site_id = ?", (site_id,))
        return int(site_id)

    # What the nodes say.

    def birth(self, node: str, birth: Birth, now_ms: int) -> int:
        """Take a birth message and return how far its journal is accounted for."""
        return take_birth(self._db, self._heads, node, birth, now_ms).head.seq

    def records(self, node: str, sent: Sent, topic: str, now_ms: int) -> Taken:
        """Book the records of one message, in order, as far as they connect to what is accounted for."""
        book = self._heads.journal(sent.journal)
        source = self._heads.source(node)
        if source.journal_id is None:
            source.journal_id, source.dirty = book.journal_id, True
        taken = Taken(book.head.seq)
        if book.disputed_chip is not None:
            count(self._db, "messages_in_dispute")
            return taken
        prev, unreadable = sent.after, False
        for item in sent.records:
            decision = booking.take(
                book.head, prev, item, known_boot=book.birth_boot, unreadable_before=unreadable
            )
            if isinstance(decision, Missing):
                break
            unreadable = isinstance(decision, Disbelieved)
            if item.seq is not None and not unreadable:
                prev = item.seq
            if isinstance(decision, Booked):
                self._book(book, source, decision, taken, now_ms)
            elif isinstance(decision, (Refused, Disbelieved)):
                raw = item.raw if isinstance(item, BadRecord) else msgspec.json.encode(item)
                self._letters.keep(now_ms, topic, decision.reason, raw)
                if isinstance(decision, Refused):
                    self._advance(book, source, decision, now_ms)
            elif not isinstance(item, BadRecord):
                self._check_duplicate(book, item, topic, now_ms)
        taken.moved = book.head.seq > taken.upto
        taken.upto = book.head.seq
        return taken

    def live(self, live: Live, now_ms: int) -> None:
        """Learn from a live message that came just now when its boot began, if that is not known."""
        book = self._heads.known(live.journal)
        if book is None or live.boot not in (book.birth_boot, boot_of(book.head.seq)):
            return
        if self._anchor(book, live.boot) is not None:
            return
        at_ms = live.at_ms
        if at_ms is None or not self._plausible(at_ms, now_ms):
            at_ms = now_ms if self.clock_is_good(now_ms) else None
        if at_ms is not None:
            self._date_boot(book, live.boot, at_ms - live.up_ms, "live")

    def status(self, node: str, now_ms: int, *, online: bool) -> None:
        """Note whether a node is connected."""
        self._db.execute(
            "UPDATE source SET online = ?, status_ms = ? WHERE source_id = ? AND online IS NOT ?",
            (int(online), now_ms, self._heads.source(node).source_id, int(online)),
        )

    def dead_letter(
        self, topic: str, reason: str, payload: bytes, now_ms: int, length: int | None = None
    ) -> None:
        """Keep a message that could not be used at all."""
        self._letters.keep(now_ms, topic, reason, payload, length)

    def receipts(self) -> list[tuple[str, str, int]]:
        """Return `(node, journal, upto)` for every node of the site that has a journal."""
        rows = self._db.execute(
            "SELECT node, journal, head_seq FROM source JOIN journal USING (journal_id) WHERE site_id = ?",
            (self._site_id,),
        )
        return [(str(node), str(journal), int(upto)) for node, journal, upto in rows.fetchall()]

    def nodes(self) -> list[str]:
        """Return the nodes of the site that the ledger knows."""
        rows = self._db.execute("SELECT node FROM source WHERE site_id = ? ORDER BY node", (self._site_id,))
        return [str(node) for (node,) in rows.fetchall()]

    def knows_store(self, journal: str) -> bool:
        """Return whether the ledger knows a node's store."""
        return self._heads.known(journal) is not None

    def disputes(self) -> int:
        """Return how many stores two boards say are theirs."""
        (found,) = self._db.execute(
            "SELECT count(*) FROM journal WHERE disputed_chip IS NOT NULL AND closed_ms IS NULL"
        ).fetchone()
        return int(found)

    def clock_is_good(self, now_ms: int) -> bool:
        """Return whether the host's clock can be right: not behind what the ledger has seen already."""
        return now_ms >= max(self._seen_ms - CLOCK_SLACK_MS, EARLIEST_MS)

    def accept_clock(self, now_ms: int) -> None:
        """Take the host's clock for right although the ledger has seen later times."""
        self._db.execute("UPDATE ledger SET seen_ms = ?", (now_ms,))
        self._seen_ms = self._saw_ms = now_ms

    # Booking.

    def _book(self, book: Journal, source: Source, decision: Booked, taken: Taken, now_ms: int) -> None:
        self._advance(book, source, decision, now_ms)
        record, layout, stored = decision.record, decision.layout, decision.stored
        end_ms = self._date(book, record, now_ms)
        if end_ms is None:
            self._summing.add_undated(source.source_id, layout, stored)
        else:
            # What the node already booked of this time is cut away in time, never in energy.
            stored.clip_ms = min(stored.row_ms, max(0, source.last_end_ms - (end_ms - stored.row_ms)))
            self._summing.add(source.source_id, layout, stored, end_ms)
            if end_ms > source.last_end_ms:
                source.last_end_ms, source.dirty = end_ms, True
            taken.booked.append(Dated(record, stored.start_ms(end_ms), end_ms))
        layout_id = self._layouts.number(layout)
        body = pack_record(layout, stored)
        self._rows.append((book.journal_id, stored.seq, source.source_id, layout_id, end_ms, body))
        self._saw_ms = max(self._saw_ms, now_ms)

    def _advance(self, book: Journal, source: Source, decision: Booked | Refused, now_ms: int) -> None:
        if book.closed_ms is not None:
            reopen(self._db, book)
        book.head, book.dirty = decision.head, True
        for hole in decision.holes:
            write_hole(self._db, book.journal_id, source.source_id, hole, now_ms)

    def _check_duplicate(self, book: Journal, record: Record, topic: str, now_ms: int) -> None:
        """A number that comes again must bring the same contents, or two boots share it."""
        self._flush_rows()
        row = self._db.execute(
            "SELECT layout_id, body FROM record WHERE journal_id = ? AND seq = ?",
            (book.journal_id, record.seq),
        ).fetchone()
        if row is None:
            return
        stored = unpack_record(self._layouts.layout(row[0]), record.seq, row[1])
        if stored.check == booking.fingerprint(record.up_ms, record.total):
            return
        reason = (
            f"seq {record.seq} of store {book.name} came a second time with different contents: the node's "
            "boot number went back, or two boards share one store; empty the node's store folder"
        )
        self._letters.keep(now_ms, topic, reason, msgspec.json.encode(record))
        book.conflicts, book.dirty = book.conflicts + 1, True
        count(self._db, "conflicts")
        _log.error("%s", reason)

    # Dates.

    def _date(self, book: Journal, record: Record, now_ms: int) -> int | None:
        """Return when a record ended, as the node or else the boot's anchor says; None if neither does."""
        anchor = self._anchor(book, record.boot)
        if record.end_ms is not None and self._plausible(record.end_ms, now_ms):
            if anchor is None:
                self._date_boot(book, record.boot, record.end_ms - record.up_ms, "record")
            return record.end_ms
        return None if anchor is None else anchor + record.up_ms

    def _plausible(self, end_ms: int, now_ms: int) -> bool:
        if not EARLIEST_MS <= end_ms < LATEST_MS:
            return False
        return end_ms <= now_ms + FARTHEST_AHEAD_MS or not self.clock_is_good(now_ms)

    def _anchor(self, book: Journal, boot: int) -> int | None:
        if boot not in book.anchors:
            row = self._db.execute(
                "SELECT anchor_ms FROM boot WHERE journal_id = ? AND boot = ?", (book.journal_id, boot)
            ).fetchone()
            book.anchors[boot] = None if row is None else int(row[0])
        return book.anchors[boot]

    def _date_boot(self, book: Journal, boot: int, anchor_ms: int, told_by: str) -> None:
        """Set when a boot began and date those of its records that had no date."""
        self._db.execute(
            "INSERT INTO boot (journal_id, boot, anchor_ms, told_by) VALUES (?, ?, ?, ?)",
            (book.journal_id, boot, anchor_ms, told_by),
        )
        book.anchors[boot] = anchor_ms
        self._flush_rows()
        low = boot * SEQ_PER_BOOT
        undated = self._db.execute(
            "SELECT seq, source_id, layout_id, body FROM record WHERE journal_id = ? AND end_ms IS NULL "
            "AND seq BETWEEN ? AND ? ORDER BY seq",
            (book.journal_id, low, low + SEQ_PER_BOOT - 1),
        ).fetchall()
        before_ms = self._end_before(book, low)
        for seq, source_id, layout_id, body in undated:
            layout = self._layouts.layout(layout_id)
            stored = unpack_record(layout, seq, body)
            self._summing.add_undated(source_id, layout, stored, -1)
            end_ms = anchor_ms + stored.up_ms
            stored.clip_ms = min(stored.row_ms, max(0, before_ms - (end_ms - stored.row_ms)))
            self._summing.add(source_id, layout, stored, end_ms)
            self._db.execute(
                "UPDATE record SET end_ms = ?, body = ? WHERE journal_id = ? AND seq = ?",
                (end_ms, pack_record(layout, stored), book.journal_id, seq),
            )
            before_ms = max(before_ms, end_ms)
            source = self._heads.source_of_id(source_id)
            if end_ms > source.last_end_ms:
                source.last_end_ms, source.dirty = end_ms, True
        if undated:
            _log.info("%d records of boot %d of store %s got their date", len(undated), boot, book.name)

    def _end_before(self, book: Journal, seq: int) -> int:
        """Return when the last dated record before a number ended; 0 if there is none."""
        row = self._db.execute(
            "SELECT end_ms FROM record WHERE journal_id = ? AND seq < ? AND end_ms IS NOT NULL "
            "ORDER BY seq DESC LIMIT 1",
            (book.journal_id, seq),
        ).fetchone()
        return 0 if row is None else int(row[0])

    # Before the commit, or instead of it.

    def _flush_rows(self) -> None:
        self._db.executemany(
            "INSERT INTO record (journal_id, seq, source_id, layout_id, end_ms, body) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            self._rows,
        )
        self._rows.clear()

    def flush(self) -> None:
        """Write everything that the methods above collected; the commit comes after it."""
        self._flush_rows()
        self._summing.flush()
        self._heads.flush()
        if self._saw_ms - self._seen_ms > CLOCK_SLACK_MS // 2:
            self._db.execute("UPDATE ledger SET seen_ms = ?", (self._saw_ms,))
            self._seen_ms = self._saw_ms

    def forget(self) -> None:
        """Drop everything that was read or collected, after a transaction that was rolled back."""
        self._rows.clear()
        self._summing.forget()
        self._heads.forget()
        self._layouts.forget()
        self._letters.forget()
        self._saw_ms = self._seen_ms
