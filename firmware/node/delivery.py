"""Bringing every record to the host in order: a window over the journal that goes back whenever it must.

A pure state machine: it is told what happens and when, and says what to send next. A record counts as delivered
only by the host's receipt, whatever the broker has acknowledged. Sending one again is always harmless: the host
knows a record by its journal and seq, and what it counts are differences of totals.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.clock import Clock
    from node.encode import RecordEncoder
    from node.journal import RamJournal
    from node.packets import Message

WINDOW = 8  # messages without a receipt: enough to fill the way to the host and back while it commits
_LONGEST_PATIENCE_MS = 900000
_ALONE_AFTER = 3  # rewinds onto the same record after which it travels by itself
_REFUSALS = 2  # receipts that do not advance, before something in flight is taken for lost
_ANSWERS_REMEMBERED = 4 * WINDOW


class Delivery:
    """The window. Call everything from one task.

    host_online: whether the host says that it listens; nothing is sent while it does not. birth_due: whether the
    host must be told again what this node holds. ledger, start: the mark of the receipts believed now. rewinds:
    since boot. beyond: receipts since boot that claimed more than this journal ever gave out.
    """

    def __init__(
        self, journal: "RamJournal", encoder: "RecordEncoder", clock: "Clock", patience_ms: int
    ) -> None:
        self.host_online = False
        self.birth_due = False
        self.ledger: str | None = None
        self.start = 0
        self.rewinds = 0
        self.beyond = 0
        self._journal = journal
        self._encoder = encoder
        self._clock = clock
        self._base_ms = patience_ms
        self._patience_ms = patience_ms
        self._connected = False
        self._sent = 0  # seq of the last record sent since the window was last rewound
        self._flight: list[int] = []  # last seq of each message in flight, in order
        self._answers: list[
            int
        ] = []  # the same of the messages of this connection that no receipt has answered yet
        self._idle_ms = 0  # since when nothing has advanced
        self._refusals = 0  # receipts in a row that answer a message in flight and do not advance
        self._turned_back = False  # whether such refusals have rewound the window since it last advanced
        self._stuck = 0  # the first record of the window when it was last rewound ...
        self._stuck_times = 0  # ... and how often in a row it was that one
        self._lost_told = 0

    @property
    def in_flight(self) -> int:
        """How many messages wait for a receipt."""
        return len(self._flight)

    def on_connect(self) -> None:
        """Send again as soon as the host says that it listens; a broker may bring that word before it confirms."""
        self._connected = True
        self.birth_due = True

    def on_disconnect(self) -> None:
        """Send nothing until the next connection."""
        self._connected = False
        self.host_online = False

    def on_host(self, online: bool, now_ms: int) -> None:  # noqa: FBT001 - what the topic says
        """Take what the host says about itself.

        One that has been away, or from which this node was cut off, has not heard what is in flight: the window
        begins again from the last receipt.
        """
        if online and not self.host_online:
            self._begin_again(now_ms)
        self.host_online = online

    def on_birth_sent(self) -> None:
        """Take note that the birth is on its way; the host answers it with a receipt, like a message of records."""
        self.birth_due = False
        self._ask(0)

    def on_receipt(
        self, ledger: str, start: int, journal: str, upto: int, now_ms: int, *, answer: bool = True
    ) -> None:
        """Take a receipt: the host has durably accounted for everything of `journal` up to `upto`.

        Receipts are believed under one mark at a time. A later start of the same ledger, or another ledger, is a
        new mark: what earlier receipts said is forgotten, since that host may have lost it. `answer` is False for a
        receipt that the broker had kept.
        """
        if ledger == self.ledger and start < self.start:
            return  # a late copy from before the host's present start
        ours = journal == self._journal.id
        if ours and upto > self._journal.top:
            self.beyond += 1
            ours = False
        if ledger != self.ledger or start != self.start:
            self._new_mark(ledger, start, upto if ours else 0, now_ms)
        elif ours and upto > self._journal.upto:
            self._advance(upto, now_ms)
        elif ours and answer:
            self._refused(now_ms)

    def next_message(self, now_ms: int) -> "Message | None":
        """Return the next message of records to send, or None."""
        self._notice_loss()
        if not (self._connected and self.host_online):
            return None
        if self._flight and now_ms - self._idle_ms >= self._patience_ms:
            self._patience_ms = min(2 * self._patience_ms, _LONGEST_PATIENCE_MS)
            self._rewind(now_ms)
        if len(self._flight) >= WINDOW:
            return None
        seq = self._journal.next(self._sent)
        if not seq:
            return None
        if not self._flight:
            self._idle_ms = now_ms
        return self._fill(seq)

    def _fill(self, seq: int) -> "Message":
        alone = seq == self._stuck and self._stuck_times >= _ALONE_AFTER
        journal = self._journal
        encoder = self._encoder
        encoder.begin(journal.before(seq))
        while seq:
            rec = journal.read(seq)
            end_ms = rec.end_ms
            clock = rec.clock
            if end_ms is None and rec.boot == journal.boot:
                # Made before the clock was known in this boot: dated now that it is.
                end_ms = self._clock.unix_ms(rec.up_ms)
                clock = self._clock.quality
            if not encoder.add(rec, end_ms, clock):
                break
            self._sent = seq
            seq = 0 if alone else journal.next(seq)
        self._flight.append(self._sent)
        self._ask(self._sent)
        return encoder.end()

    def _ask(self, last: int) -> None:
        self._answers.append(last)
        if len(self._answers) > _ANSWERS_REMEMBERED:
            del self._answers[0]

    def _new_mark(self, ledger: str, start: int, upto: int, now_ms: int) -> None:
        first = self.ledger is None
        self.ledger = ledger
        self.start = start
        if first:
            # Nothing was believed before, so nothing is forgotten: this is progress like any other.
            self._advance(upto, now_ms)
            return
        self._journal.receipted(upto)
        self._begin_again(now_ms)
        self.birth_due = True

    def _begin_again(self, now_ms: int) -> None:
        self._patience_ms = self._base_ms
        self._turned_back = False
        self._answers.clear()
        self._rewind(now_ms)

    def _refused(self, now_ms: int) -> None:
        """Take an answer that does not advance.

        Every message is answered, in order. A copy of what the host had already changes nothing; only an answer to
        something that it did not have says that something before it went missing. One rewind for that is enough
        until the window advances: a host that goes on refusing must not be flooded.
        """
        answered = self._answers.pop(0) if self._answers else 0
        if answered <= self._journal.upto or not self._flight:
            return
        self._refusals += 1
        if self._refusals >= _REFUSALS and not self._turned_back:
            self._turned_back = True
            self._rewind(now_ms)

    def _advance(self, upto: int, now_ms: int) -> None:
        self._journal.receipted(upto)
        while self._answers:
            if self._answers.pop(0) >= upto:
                break
        while self._flight and self._flight[0] <= upto:
            del self._flight[0]
        self._sent = max(self._sent, upto)
        self._idle_ms = now_ms
        self._patience_ms = self._base_ms
        self._refusals = 0
        self._turned_back = False
        self._stuck = 0
        self._stuck_times = 0

    def _rewind(self, now_ms: int) -> None:
        if self._flight:
            self.rewinds += 1
            first = self._journal.next(self._journal.upto)
            self._stuck_times = self._stuck_times + 1 if first == self._stuck else 1
            self._stuck = first
        self._flight.clear()
        self._sent = self._journal.upto
        self._refusals = 0
        self._idle_ms = now_ms

    def _notice_loss(self) -> None:
        if self._journal.lost != self._lost_told:
            self._lost_told = self._journal.lost
            self.birth_due = True
