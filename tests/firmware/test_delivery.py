"""The rules of the window, one by one."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from delivery_world import HELD, LAYOUT, RECORD_BYTES

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.decode import records_in

clock: Any = import_module("node.clock")
delivery: Any = import_module("node.delivery")
encode: Any = import_module("node.encode")
journal_module: Any = import_module("node.journal")
packets: Any = import_module("node.packets")
records: Any = import_module("node.records")

LEDGER, OTHER = "a" * 16, "b" * 16
PATIENCE_MS = 30_000


class Rig:
    """A journal, a window, and a clock that stands still."""

    def __init__(self, *, size: int = 500) -> None:
        self.now_ms = 0
        self.clock = clock.Clock(lambda: self.now_ms)
        self.journal = journal_module.RamJournal(
            LAYOUT, lambda count: b"\x11" * count, room=HELD * RECORD_BYTES
        )
        message = packets.Message("a/record", qos=1, retain=False, size=size)  # 500 bytes hold one record
        self.window = delivery.Delivery(
            self.journal, encode.RecordEncoder(LAYOUT, self.journal.id, message), self.clock, PATIENCE_MS
        )
        self.n = 0

    def measure(self, count: int) -> None:
        for _ in range(count):
            self.n += 1
            head = (self.n, self.n, 1, self.now_ms + 1, 1, 1, None, "none", "unknown")
            values: list[int | None] = [1, 1]
            total = [self.n] * len(LAYOUT.totals)
            self.journal.append(records.Rec(*head, values, values, values, total, [None, None]))

    def up(self) -> None:
        self.window.on_disconnect()  # as the link does after each connection
        self.window.on_connect()
        self.window.on_host(online=True, now_ms=self.now_ms)

    def sent(self) -> list[tuple[int, list[int]]]:
        """Send everything that may go; return `after` and the numbers of each message."""
        found = []
        while (message := self.window.next_message(self.now_ms)) is not None:
            told = records_in(message.payload())
            numbers = [(record.seq or 0) - SEQ_PER_BOOT for record in told.records]
            found.append((max(0, told.after - SEQ_PER_BOOT), numbers))
        return found

    def receipt(
        self, n: int, *, ledger: str = LEDGER, start: int = 1, journal: str = "", kept: bool = False
    ) -> None:
        self.window.on_receipt(
            ledger, start, journal or self.journal.id, SEQ_PER_BOOT + n, self.now_ms, answer=not kept
        )


def test_nothing_goes_before_the_host_says_that_it_listens() -> None:
    rig = Rig()
    rig.measure(1)
    assert rig.sent() == []
    rig.window.on_connect()
    assert rig.sent() == []
    rig.window.on_host(online=True, now_ms=0)
    assert rig.sent() == [(0, [1])]
    rig.measure(1)
    rig.window.on_host(online=False, now_ms=0)
    assert rig.sent() == []


def test_four_messages_go_and_each_receipt_makes_room_for_more() -> None:
    rig = Rig()
    rig.measure(9)
    rig.up()
    assert rig.sent() == [(0, [1]), (1, [2]), (2, [3]), (3, [4])]
    rig.receipt(2)
    assert rig.sent() == [(4, [5]), (5, [6])]
    rig.receipt(6)
    assert rig.sent() == [(6, [7]), (7, [8]), (8, [9])]


def test_a_message_takes_as_many_records_as_fit() -> None:
    rig = Rig(size=4096)
    rig.measure(HELD)
    rig.up()
    (first, *rest) = rig.sent()
    assert len(first[1]) > 5
    assert [n for _, numbers in [first, *rest] for n in numbers] == list(range(1, HELD + 1))


def test_f07_every_connection_begins_again_from_the_receipt() -> None:
    rig = Rig()
    rig.measure(3)
    rig.up()
    rig.sent()
    rig.receipt(1)
    rig.window.on_disconnect()
    assert rig.sent() == []
    rig.up()
    assert rig.sent() == [(1, [2]), (2, [3])]
    assert rig.window.birth_due


def test_the_host_s_word_may_come_before_the_connection_is_confirmed() -> None:
    """MQTT 3.1.1, section 3.8.4: a broker may send matching messages before its SUBACK; retained ones come once."""
    rig = Rig()
    rig.measure(2)
    rig.up()
    assert len(rig.sent()) == 2
    rig.window.on_disconnect()
    rig.window.on_host(online=True, now_ms=0)
    assert rig.sent() == []
    rig.window.on_connect()
    assert rig.sent() == [(0, [1]), (1, [2])]


def test_a_host_that_comes_back_has_not_heard_what_was_in_flight() -> None:
    rig = Rig()
    rig.measure(2)
    rig.up()
    rig.sent()
    rig.window.on_host(online=False, now_ms=0)
    rig.window.on_host(online=True, now_ms=0)
    assert rig.sent() == [(0, [1]), (1, [2])]


def test_two_answers_that_do_not_advance_rewind_once() -> None:
    rig = Rig()
    rig.measure(4)
    rig.up()
    assert len(rig.sent()) == 4
    rig.receipt(1)
    rig.receipt(1)  # to the third: the second went missing
    assert rig.sent() == []
    rig.receipt(1)
    assert rig.sent() == [(1, [2]), (2, [3]), (3, [4])]
    rig.receipt(1)  # to the first copy of the fourth
    rig.measure(2)
    rig.receipt(2)
    assert rig.sent() == [(4, [5]), (5, [6])]
    rig.receipt(2)
    rig.receipt(2)  # now the third went missing
    assert rig.sent() == [(2, [3]), (3, [4]), (4, [5]), (5, [6])]


def test_a_host_that_goes_on_refusing_is_not_flooded() -> None:
    rig = Rig()
    rig.measure(4)
    rig.up()
    messages = 0
    rig.receipt(0, kept=True)
    for _ in range(50):
        messages += len(rig.sent())
        rig.receipt(0)
    assert messages == 8


def test_answers_to_copies_rewind_nothing() -> None:
    rig = Rig()
    rig.measure(4)
    rig.up()
    rig.sent()
    rig.now_ms = PATIENCE_MS
    assert len(rig.sent()) == 4  # nothing came for a while: again
    for n in (1, 2, 3, 4):
        rig.receipt(n)  # the receipts were only slow
    rig.measure(4)
    assert [numbers for _, numbers in rig.sent()] == [[5], [6], [7], [8]]
    for _ in range(4):
        rig.receipt(4)  # to the copies
    assert rig.sent() == []
    for n in (5, 6, 7, 8):
        rig.receipt(n)
    assert rig.window.rewinds == 1


def test_the_answer_to_a_birth_is_none_to_a_record() -> None:
    rig = Rig()
    rig.receipt(0)
    rig.measure(2)
    rig.up()
    rig.window.on_birth_sent()
    rig.window.on_birth_sent()
    assert len(rig.sent()) == 2
    rig.receipt(0)
    rig.receipt(0)
    assert rig.sent() == []
    assert rig.window.rewinds == 0


def test_a_receipt_that_the_broker_kept_is_no_answer() -> None:
    rig = Rig()
    rig.measure(2)
    rig.up()
    rig.receipt(0, kept=True)
    assert len(rig.sent()) == 2
    rig.receipt(0, kept=True)
    rig.receipt(0, kept=True)
    assert rig.sent() == []


def test_patience_doubles_to_a_quarter_of_an_hour_and_any_progress_resets_it() -> None:
    rig = Rig()
    rig.measure(2)
    rig.up()
    waits: list[int] = []
    began_ms = rig.now_ms
    assert rig.sent()
    while len(waits) < 7:
        rig.now_ms += 1_000
        if rig.sent():
            waits.append((rig.now_ms - began_ms) // 1000)
            began_ms = rig.now_ms
    assert waits == [30, 60, 120, 240, 480, 900, 900]
    rig.receipt(1)
    rig.now_ms += PATIENCE_MS - 1
    assert rig.sent() == []
    rig.now_ms += 1
    assert rig.sent() == [(1, [2])]


def test_time_without_anything_in_flight_wears_out_no_patience() -> None:
    rig = Rig()
    rig.up()
    rig.now_ms += 10 * PATIENCE_MS
    rig.measure(1)
    assert rig.sent() == [(0, [1])]
    rig.now_ms += PATIENCE_MS - 1
    assert rig.sent() == []
    assert rig.window.rewinds == 0


def test_after_three_rewinds_onto_it_a_record_travels_alone() -> None:
    rig = Rig(size=4096)
    rig.measure(5)
    rig.up()
    assert [numbers for _, numbers in rig.sent()] == [[1, 2, 3, 4, 5]]
    for _ in range(2):
        rig.up()
        assert [numbers for _, numbers in rig.sent()] == [[1, 2, 3, 4, 5]]
    rig.up()
    assert [numbers for _, numbers in rig.sent()] == [[1], [2, 3, 4, 5]]
    rig.receipt(1)
    rig.up()
    assert [numbers for _, numbers in rig.sent()] == [[2, 3, 4, 5]]


def test_another_ledger_or_a_later_start_forgets_what_was_receipted() -> None:
    rig = Rig()
    rig.measure(4)
    rig.up()
    rig.sent()
    rig.receipt(4)
    rig.window.birth_due = False
    rig.receipt(2, start=2)  # this host went back to before the third
    assert rig.window.birth_due
    assert rig.sent() == [(2, [3]), (3, [4])]
    rig.receipt(4, start=2)
    rig.receipt(0, ledger=OTHER)
    assert rig.sent() == [(0, [1]), (1, [2]), (2, [3]), (3, [4])]


def test_a_late_receipt_of_an_earlier_start_is_ignored() -> None:
    rig = Rig()
    rig.measure(2)
    rig.up()
    rig.sent()
    rig.receipt(1, start=7)
    rig.receipt(2, start=6)
    assert rig.journal.upto == SEQ_PER_BOOT + 1
    assert (rig.window.ledger, rig.window.start) == (LEDGER, 7)


def test_within_a_mark_a_receipt_never_goes_back() -> None:
    rig = Rig()
    rig.measure(3)
    rig.up()
    rig.sent()
    rig.receipt(3)
    rig.receipt(1)
    assert rig.journal.upto == SEQ_PER_BOOT + 3
    assert rig.sent() == []


def test_a_receipt_beyond_what_was_recorded_is_not_believed() -> None:
    rig = Rig()
    rig.measure(2)
    rig.up()
    rig.sent()
    rig.receipt(3)
    assert rig.journal.upto == 0
    assert rig.window.beyond == 1
    rig.receipt(2)
    assert rig.journal.upto == SEQ_PER_BOOT + 2


def test_a_receipt_for_another_journal_says_nothing_about_this_one() -> None:
    rig = Rig()
    rig.measure(2)
    rig.up()
    rig.sent()
    rig.receipt(2)
    rig.receipt(1, journal="c" * 16)
    assert rig.journal.upto == SEQ_PER_BOOT + 2
    rig.receipt(1, journal="c" * 16, start=2)  # a new mark: this host may not know our journal at all
    assert rig.sent() == [(0, [1]), (1, [2])]


def test_records_that_gave_way_without_a_receipt_are_told_in_a_birth() -> None:
    rig = Rig()
    rig.up()
    rig.window.on_birth_sent()
    rig.measure(HELD)
    rig.sent()
    assert not rig.window.birth_due
    rig.measure(1)
    rig.sent()
    assert rig.window.birth_due
    rig.window.on_birth_sent()
    rig.receipt(4)
    rig.measure(1)  # the host has the one that gives way now
    rig.sent()
    assert not rig.window.birth_due


def test_after_names_the_record_held_before_even_if_it_is_receipted() -> None:
    rig = Rig()
    rig.measure(3)
    rig.up()
    rig.sent()
    rig.receipt(3)
    rig.measure(1)
    assert rig.sent() == [(3, [4])]
    rig.measure(HELD)  # the records before the fifth are gone
    rig.receipt(4)
    assert rig.sent()[0] == (0, [5])


def test_f18_records_made_before_the_clock_was_known_are_dated_when_they_go() -> None:
    rig = Rig()
    rig.now_ms = 5_000
    rig.measure(1)
    rig.up()
    rig.now_ms = 6_000
    (record,) = records_in(rig.window.next_message(rig.now_ms).payload()).records
    assert isinstance(record, Record)
    assert (record.end_ms, record.clock) == (None, "none")
    assert rig.clock.offer(1_780_000_006_000, 6_000, 6_000)
    rig.up()
    (record,) = records_in(rig.window.next_message(rig.now_ms).payload()).records
    assert isinstance(record, Record)
    assert (record.end_ms, record.clock) == (1_780_000_005_001, "host")
