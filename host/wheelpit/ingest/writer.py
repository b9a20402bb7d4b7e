"""One batch of what came, into the ledger and back out: book, roll up, watch, commit, acknowledge, receipt.

The writer has no thread and no clock of its own, so a test can lead it by the hand. It takes whatever is queued,
without waiting for more: a node that sends one message gets its receipt at once, and a node that sends a backlog
fills the transactions by itself.
"""

from __future__ import annotations

import logging
import sqlite3
from typing import TYPE_CHECKING, Final, Protocol

import msgspec

from wheelpit.contract import topics
from wheelpit.contract.messages import Birth, HostStatus, Live, Receipt, Status, Time, TimeAsk
from wheelpit.ingest.batch import Batch, of_record
from wheelpit.ingest.decode import UndecodableError, decode
from wheelpit.ingest.gate import Dropped, node_and_kind
from wheelpit.ingest.inbox import Connected, Incoming
from wheelpit.ingest.mqtt import Outgoing, TakenOverError
from wheelpit.store.booking import Sent
from wheelpit.store.ledger import damaged
from wheelpit.store.rows import HostSeen
from wheelpit.store.tables import count

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from wheelpit.contract.topics import Topic
    from wheelpit.ingest.batch import Watching
    from wheelpit.ingest.decode import Message
    from wheelpit.ingest.gate import Gate
    from wheelpit.ingest.inbox import Event
    from wheelpit.store.bookkeeper import Bookkeeper
    from wheelpit.store.ledger import Ledger, Mark
    from wheelpit.store.live import LiveStore

_LOOK_MS: Final = 1_000  # how often the host looks at itself
_MOST_NAME: Final = 64  # a stranger's name may be anything
_SURE: Final = 2  # signs of a newer host after which there is one

_log = logging.getLogger(__name__)


class Outlet(Protocol):
    """Where acknowledgements and messages go: the connection to the broker, or a test."""

    def send(self, acks: Iterable[tuple[int, int]], messages: Iterable[Outgoing]) -> None:
        """Acknowledge `(generation, mid)` and publish, in order."""

    def drop(self, why: str) -> None:
        """Break the connection and connect again."""


def host_status(site: str, mark: Mark, *, online: bool) -> Outgoing:
    """Return the message by which the host says that it listens, or that it does not."""
    state = HostStatus(state="online" if online else "offline", ledger=mark.ledger, start=mark.start)
    return Outgoing(topics.host_status(site), msgspec.json.encode(state), 1, retain=True)


class Writer:
    """Handles events in batches.

    Args:
        ledger: the ledger, this being its only writer.
        keeper: books into it.
        live: where the newest live messages are kept.
        watch: judges what was booked; None where there is no plant to judge by.
        outlet: where answers go.
        site: the site's id.
        mark: what receipts are signed with.
        clock_ms: the time of day.
        gate: who is let in; everybody, at any pace, if None.

    """

    def __init__(
        self,
        *,
        ledger: Ledger,
        keeper: Bookkeeper,
        live: LiveStore,
        watch: Watching | None,
        outlet: Outlet,
        site: str,
        mark: Mark,
        clock_ms: Callable[[], int],
        gate: Gate | None = None,
    ) -> None:
        self._ledger = ledger
        self._keeper = keeper
        self._live = live
        self._watch = watch
        self._outlet = outlet
        self._site: Final = site
        self._mark: Final = mark
        self._clock_ms = clock_ms
        self._gate = gate
        self._newer_hosts = 0
        self._dropped = Dropped()
        self._looked_ms = 0

    def handle(self, events: Sequence[Event]) -> bool:
        """Handle a batch; an empty one lets time pass.

        Returns:
            Whether it was committed. If not, nothing of it is in the ledger, nothing was acknowledged, and the
            connection is dropped so that the nodes send again.

        Raises:
            LedgerDamaged: SQLite found the file damaged.
            TakenOverError: a host that started later works for the same site.

        """
        self._answer_time(events)
        try:
            batch = self._commit(events)
        except sqlite3.OperationalError as error:
            # A full disk, a failing card, a lock: the nodes hold what was not written, and send it again.
            self._undo()
            _log.error("the ledger took nothing of the last %d messages: %s", len(events), error)
            self._outlet.drop(f"the ledger cannot be written ({error})")
            return False
        except Exception as error:
            self._undo()
            if type(error) is sqlite3.DatabaseError:
                raise damaged(self._ledger.path, error) from error
            _log.exception("a fault of this program in a batch of %d", len(events))
            return self._one_by_one(events, error)
        self._outlet.send(batch.acks, batch.answers)
        self._keep_live(batch)
        if self._newer_hosts >= _SURE:
            msg = (
                f"another host for the site {self._site} has started since: only one `wheelpit serve` may run for a "
                "site; end the other one"
            )
            raise TakenOverError(msg)
        return True

    def _commit(self, events: Sequence[Event]) -> Batch:
        now_ms = self._clock_ms()
        batch = Batch()
        with self._ledger.transaction() as db:
            for event in events:
                if isinstance(event, Incoming):
                    self._take(event, batch, now_ms)
                elif isinstance(event, Connected):
                    self._greet(batch)
            self._tally(db, batch)
            self._judge(db, batch, now_ms)
            self._keeper.flush()
        return batch

    def _undo(self) -> None:
        self._keeper.forget()
        if self._watch is not None:
            self._watch.reload()

    def _one_by_one(self, events: Sequence[Event], error: Exception) -> bool:
        """After a fault of the program: the messages one at a time, the one that brings it out set aside."""
        if len(events) > 1:
            committed = [self.handle([event]) for event in events]
            return all(committed)
        for event in events:
            if isinstance(event, Incoming):
                with self._ledger.transaction() as db:
                    now_ms = self._clock_ms()
                    reason = f"this program failed on it: {error!r}"
                    self._keeper.dead_letter(event.topic[:500], reason, event.payload, now_ms, event.length)
                    count(db, "program_faults")
                if event.qos:
                    self._outlet.send([(event.generation, event.mid)], ())
        return True

    def _tally(self, db: sqlite3.Connection, batch: Batch) -> None:
        for name, turned_away in (
            ("messages_of_strangers", batch.strangers),
            ("messages_too_fast", batch.too_fast),
        ):
            if turned_away:
                count(db, name, turned_away.total())
                _log.warning(
                    "%s, turned away without a receipt: %s", name.replace("_", " "), ", ".join(turned_away)
                )

    def _keep_live(self, batch: Batch) -> None:
        try:
            if batch.newest:
                self._live.keep(self._site, batch.newest)
            if batch.strangers:
                self._live.note_strangers(self._site, batch.strangers, self._clock_ms())
        except sqlite3.Error as error:
            _log.warning("the newest values could not be shown: %s", error)

    def _answer_time(self, events: Sequence[Event]) -> None:
        """Answer who asks for the time before anything else: an answer is worth nothing after two seconds."""
        answers = []
        for event in events:
            if not isinstance(event, Incoming) or not event.topic.endswith("/time-ask") or event.retained:
                continue
            if self._gate is not None and not self._gate.knows(node_and_kind(event.topic)[0]):
                continue
            try:
                topic, message = decode(event.topic, event.payload, event.length)
            except UndecodableError:
                continue  # it becomes a dead letter with the rest of the batch
            now_ms = self._clock_ms()
            if not isinstance(message, TimeAsk):
                continue
            if not self._keeper.clock_is_good(now_ms):
                _log.error(
                    "this host's clock is behind what the ledger has seen: set it; until then no node gets the time "
                    "(if the clock was wrong before and is right now: `wheelpit serve --accept-clock`)"
                )
                continue
            answer = msgspec.json.encode(Time(up_ms=message.up_ms, now_ms=now_ms))
            answers.append(Outgoing(topics.to_node(self._site, topic.node, "time"), answer, 0, retain=False))
        if answers:
            self._outlet.send((), answers)

    def _greet(self, batch: Batch) -> None:
        """On each connection: tell each node how far it is accounted for, then that the host listens."""
        self._keeper.flush()
        for node, journal, upto in self._keeper.receipts():
            batch.answers.append(self._receipt(node, journal, upto))
        batch.answers.append(host_status(self._site, self._mark, online=True))

    def _receipt(self, node: str, journal: str, upto: int) -> Outgoing:
        receipt = Receipt(ledger=self._mark.ledger, start=self._mark.start, journal=journal, upto=upto)
        return Outgoing(
            topics.to_node(self._site, node, "receipt"), msgspec.json.encode(receipt), 1, retain=True
        )

    def _take(self, event: Incoming, batch: Batch, now_ms: int) -> None:
        if event.qos:
            batch.acks.append((event.generation, event.mid))
        if event.topic == topics.host_status(self._site):
            self._notice_host(event)
            return
        if event.topic == topics.BROKER_DROPPED:
            self._dropped.heard(event.payload, event.generation)
            return
        if not self._let_in(event, batch):
            return
        try:
            topic, message = decode(event.topic, event.payload, event.length)
        except UndecodableError as error:
            _log.warning("dead letter on %s: %s", event.topic[:200], error)
            self._keeper.dead_letter(event.topic[:500], str(error), event.payload, now_ms, event.length)
            return
        if isinstance(message, Sent | Birth) and not self._may_store(topic.node, message.journal, batch):
            return
        self._dispatch(event, topic, message, batch, now_ms)

    def _let_in(self, event: Incoming, batch: Batch) -> bool:
        """Let a message in, or note who was turned away: without a receipt, so that nothing is lost by it."""
        if self._gate is None:
            return True
        node, kind = node_and_kind(event.topic)
        verdict = self._gate.judge(node, kind)
        if verdict == "stranger":
            batch.strangers[node[:_MOST_NAME]] += 1
        elif verdict == "too fast":
            batch.too_fast[node] += 1
        return verdict == "welcome"

    def _may_store(self, node: str, journal: str, batch: Batch) -> bool:
        """Refuse a node that comes with ever new stores: each one would leave a row in the ledger."""
        if self._gate is None or self._keeper.knows_store(journal) or self._gate.may_begin_store(node):
            return True
        batch.too_fast[node] += 1
        return False

    def _notice_host(self, event: Incoming) -> None:
        """Look at what a host said of itself: as a rule it is our own word that comes back.

        A host that started after this one has taken the connection over; not every broker says so itself, but its
        word stays, or its last will. One such word may have lain at the broker since a day when the clock was
        wrong; a second one may not, since our own has replaced it.
        """
        try:
            said = msgspec.json.decode(event.payload, type=HostStatus)
        except msgspec.DecodeError:
            return
        if said.start > self._mark.start:
            self._newer_hosts += 1
        elif said.state == "online" and said.ledger != self._mark.ledger and not event.retained:
            _log.error(
                "another host, ledger %s, listens to %s as well; it should end by itself",
                said.ledger,
                self._site,
            )

    def _dispatch(self, event: Incoming, topic: Topic, message: Message, batch: Batch, now_ms: int) -> None:
        node = topic.node
        if isinstance(message, Sent):
            taken = self._keeper.records(node, message, event.topic, now_ms)
            receipt = self._receipt(node, message.journal, taken.upto)
            batch.answer(message.journal, receipt, moved=taken.moved)
            batch.judged += [of_record(node, dated) for dated in taken.booked]
        elif isinstance(message, Birth):
            upto = self._keeper.birth(node, message, now_ms)
            batch.answer(message.journal, self._receipt(node, message.journal, upto), moved=False)
        elif isinstance(message, Status):
            online = message.state == "online"
            self._keeper.status(node, now_ms, online=online)
            batch.judged.append(lambda watch, now: watch.status(node, online, now))
        elif isinstance(message, Live) and not event.retained:
            self._keeper.live(message, now_ms)
            batch.newest[node] = (now_ms, event.payload)
            batch.judged.append(lambda watch, now: watch.live(node, message, now))

    def _judge(self, db: sqlite3.Connection, batch: Batch, now_ms: int) -> None:
        """Let the watch judge; an error of its own costs its judgements of this batch, never the books."""
        if self._watch is None:
            return
        db.execute("SAVEPOINT watch")
        try:
            for judge in batch.judged:
                judge(self._watch, now_ms)
            if not 0 <= now_ms - self._looked_ms < _LOOK_MS:
                self._looked_ms = now_ms
                self._watch.host(self._seen(db, now_ms), now_ms)
            self._watch.tick(now_ms)
        except sqlite3.OperationalError:
            raise  # the ledger cannot be written: the batch as a whole failed
        except Exception:  # noqa: BLE001 - whatever fails in the watch, the books come first
            _log.exception("the watch failed on this batch: alarms may be late; the books are kept")
            db.execute("ROLLBACK TO watch")
            self._watch.reload()
            count(db, "watch_failures")
        db.execute("RELEASE watch")

    def _seen(self, db: sqlite3.Connection, now_ms: int) -> HostSeen:
        dropped = self._dropped.taken()
        if dropped:
            count(db, "dropped_by_broker", dropped)
        return HostSeen(
            stores_in_dispute=self._keeper.disputes(),
            clock_behind=not self._keeper.clock_is_good(now_ms),
            dropped=dropped,
        )
