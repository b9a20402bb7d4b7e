"""One batch: booked, watched, committed, then acknowledged and receipted; or nothing of it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.mqtt import TakenOverError
from wheelpit.store.bookkeeper import Bookkeeper

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from wheelpit.contract.messages import Live, Record
    from wheelpit.store.rows import HostSeen

BOOT = SEQ_PER_BOOT


class Recorder:
    """A watch that notes what it is told, and can be made to fail."""

    def __init__(self) -> None:
        self.told: list[tuple[Any, ...]] = []
        self.looked: list[tuple[HostSeen, int]] = []
        self.reloads = 0
        self.fails: Exception | None = None
        self.writes: sqlite3.Connection | None = None

    def _tell(self, *what: Any) -> None:
        self.told.append(what)
        if self.writes is not None:
            self.writes.execute("INSERT OR IGNORE INTO tally VALUES ('the watch wrote', 1)")
        if self.fails is not None:
            raise self.fails

    def live(self, node: str, live: Live, now_ms: int) -> None:
        self._tell("live", node, live.up_ms, now_ms)

    def record(self, node: str, record: Record, start_ms: int, end_ms: int, now_ms: int) -> None:
        self._tell("record", node, record.seq - BOOT, end_ms - start_ms)

    def status(self, node: str, online: bool, now_ms: int) -> None:  # noqa: FBT001 - the watch's own signature
        self._tell("status", node, online)

    def host(self, seen: HostSeen, now_ms: int) -> None:
        self.looked.append((seen, now_ms))

    def tick(self, now_ms: int) -> None:
        self._tell("tick", now_ms)

    def reload(self) -> None:
        self.reloads += 1


def test_record_messages_are_answered_after_the_commit(bench: Any, make: Any) -> None:
    """Two receipts in a row that do not advance tell a node to go back: each of those is sent.

    Of the first two messages, which each go further, one receipt says enough.
    """
    bench.handle(
        bench.records(make.record(1), make.record(2)),
        bench.records(make.record(3), after=BOOT + 2),
        bench.records(make.record(2), after=BOOT + 1),
        bench.records(make.record(9), after=BOOT + 8),
    )
    assert [receipt["upto"] - BOOT for receipt in bench.outbox.said("receipt")] == [3, 3, 3]
    receipt = bench.outbox.messages[0]
    assert (receipt.topic, receipt.qos, receipt.retain) == ("wheelpit/1/sallow-ghyll/wheel/receipt", 1, True)
    assert json.loads(receipt.payload) == {
        "ledger": bench.mark.ledger,
        "start": bench.mark.start,
        "journal": make.journal,
        "upto": BOOT + 3,
    }
    assert bench.outbox.acks == [(1, 1), (1, 2), (1, 3), (1, 4)]


def test_births_and_connections_are_answered_with_receipts(bench: Any, make: Any, connected: Any) -> None:
    bench.handle(bench.event("birth", make.birth()))
    bench.handle(bench.records(make.record(1)))
    bench.handle(connected)
    assert [receipt["upto"] for receipt in bench.outbox.said("receipt")] == [0, BOOT + 1, BOOT + 1]
    assert bench.outbox.said("status") == [
        {"state": "online", "ledger": bench.mark.ledger, "start": bench.mark.start}
    ]


def test_time_is_answered_before_the_rest_with_the_askers_uptime(bench: Any, make: Any) -> None:
    ask = {"journal": make.journal, "boot": 1, "up_ms": 123}
    bench.handle(
        bench.records(make.record(1)),
        bench.event("time-ask", ask, qos=0),
        bench.event("time-ask", ask, qos=0, retained=True),
        bench.event("time-ask", b"what time is it?", qos=0),
    )
    assert bench.outbox.messages[0].topic == "wheelpit/1/sallow-ghyll/wheel/time"
    assert (bench.outbox.messages[0].qos, bench.outbox.messages[0].retain) == (0, False)
    assert bench.outbox.said("time") == [{"up_ms": 123, "now_ms": bench.now_ms}]
    assert bench.reader.tallies() == {"dead_letters": 1}


def test_a_host_clock_that_is_behind_is_not_given_out(bench: Any, make: Any) -> None:
    bench.handle(bench.records(make.record(1)))
    bench.now_ms -= 10 * 60_000
    bench.handle(bench.event("time-ask", {"journal": make.journal, "boot": 1, "up_ms": 1}, qos=0))
    assert bench.outbox.said("time") == []


def test_live_messages_are_shown_and_never_booked(bench: Any, make: Any) -> None:
    bench.handle(
        bench.event("live", make.live(1_000), qos=0),
        bench.event("live", make.live(2_000), qos=0),
        bench.event("live", make.live(9_000), qos=0, retained=True),
    )
    (row,) = bench.live.latest(make.site)
    assert (row.node, row.arrived_ms, row.live.up_ms) == ("wheel", bench.now_ms, 2_000)
    assert bench.reader.days(make.site) == []


def test_status_is_kept(bench: Any, make: Any) -> None:
    bench.handle(bench.event("birth", make.birth()))
    for state, online in (("online", True), ("offline", False)):
        bench.handle(bench.event("status", {"state": state, "journal": make.journal, "boot": 1}))
        (node,) = bench.reader.nodes(make.site)
        assert (node.online, node.status_ms) == (online, bench.now_ms)
        bench.now_ms += 1000


def test_the_hosts_own_status_is_nobodys_message(bench: Any) -> None:
    bench.handle(bench.event("status", {"state": "online", "ledger": "f" * 16, "start": 1}, node="host"))
    assert bench.reader.tallies() == {}
    assert bench.outbox.acks == [(1, 1)]


def test_a_host_that_started_later_ends_this_one_and_an_older_one_does_not(
    bench: Any, caplog: pytest.LogCaptureFixture
) -> None:
    def said(start: int, state: str = "online", **how: Any) -> Any:
        return bench.event("status", {"state": state, "ledger": "f" * 16, "start": start}, node="host", **how)

    bench.handle(said(bench.mark.start - 5), said(bench.mark.start - 5, retained=True))
    assert caplog.text.count("listens to sallow-ghyll as well") == 1
    bench.handle(bench.event("status", b"?", node="host"))
    bench.handle(said(bench.mark.start + 5, "offline", retained=True))
    with pytest.raises(TakenOverError, match="end the other one"):
        bench.handle(said(bench.mark.start + 5))


def test_the_watch_is_told_in_order_and_time_passes_for_it(make_bench: Callable[..., Any], make: Any) -> None:
    watch = Recorder()
    bench = make_bench(watch)
    bench.handle(
        bench.event("live", make.live(1_000), qos=0),
        bench.event("status", {"state": "online", "journal": make.journal, "boot": 1}),
        bench.records(make.record(1), make.record(2), make.record(2)),
    )
    bench.handle()
    assert watch.told == [
        ("live", "wheel", 1_000, bench.now_ms),
        ("status", "wheel", True),
        ("record", "wheel", 1, 10_000),
        ("record", "wheel", 2, 10_000),
        ("tick", bench.now_ms),
        ("tick", bench.now_ms),
    ]


def test_a_failing_watch_costs_its_judgements_and_never_the_books(
    make_bench: Callable[..., Any], make: Any, caplog: pytest.LogCaptureFixture
) -> None:
    watch = Recorder()
    bench = make_bench(watch)
    watch.writes = bench.ledger.connection
    watch.fails = KeyError("a fault of the watch")
    assert bench.handle(bench.records(make.record(1)))
    assert "the watch failed on this batch" in caplog.text
    assert watch.reloads == 1
    assert bench.reader.tallies() == {"watch_failures": 1}
    assert bench.outbox.said("receipt")[0]["upto"] == BOOT + 1
    assert bench.reader.days(make.site)[0].records == 1


def test_a_full_disk_drops_the_connection_and_costs_nothing(
    make_bench: Callable[..., Any], make: Any, caplog: pytest.LogCaptureFixture
) -> None:
    watch = Recorder()
    bench = make_bench(watch)
    bench.handle(bench.records(make.record(1)))
    pages = bench.ledger.connection.execute("PRAGMA page_count").fetchone()[0]
    bench.ledger.connection.execute(f"PRAGMA max_page_count = {pages}")
    before = len(bench.outbox.messages), len(bench.outbox.acks)
    many = [make.record(n) for n in range(2, 400)]
    assert not bench.handle(*(bench.records(record, after=record["seq"] - 1) for record in many))
    assert (len(bench.outbox.messages), len(bench.outbox.acks)) == before
    assert len(bench.outbox.dropped) == 1
    assert "cannot be written (database or disk is full)" in bench.outbox.dropped[0]
    assert "the ledger took nothing" in caplog.text
    assert watch.reloads == 1
    bench.ledger.connection.execute("PRAGMA max_page_count = 1000000")
    assert bench.handle(*(bench.records(record, after=record["seq"] - 1) for record in many))
    rows = bench.reader.records(make.site, 0, 2_000_000_000_000)
    assert [(row.seq - BOOT, row.totals["charge_mwh"]) for row in rows] == [
        (n, 1000 + n) for n in range(1, 400)
    ]


def test_a_fault_of_the_program_costs_the_message_that_brings_it_out(
    bench: Any, make: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    true_birth = Bookkeeper.birth

    def birth(self: Bookkeeper, node: str, *rest: Any) -> int:
        if node == "cursed":
            raise ZeroDivisionError("a fault of this program")
        return true_birth(self, node, *rest)

    monkeypatch.setattr(Bookkeeper, "birth", birth)
    bench.handle(
        bench.records(make.record(1)),
        bench.event("birth", make.birth(), node="cursed"),
        bench.records(make.record(2), after=BOOT + 1),
    )
    assert "a fault of this program" in caplog.text
    assert bench.reader.days(make.site)[0].records == 2
    (letter,) = bench.reader.dead_letters()
    assert letter.reason == "this program failed on it: ZeroDivisionError('a fault of this program')"
    assert sorted(bench.outbox.acks) == [(1, 1), (1, 2), (1, 3)]
    assert bench.outbox.dropped == []


def test_what_cannot_be_read_is_kept_acknowledged_and_counted(bench: Any, make: Any) -> None:
    """count(stored) + count(dead letters) == count(sent), and the next good record is stored."""
    bench.handle(bench.event("birth", make.birth()))
    bench.handle(
        bench.event("record", b"\xff\xfe\x00"),
        bench.event("record", b"x" * 1_000_000),
        bench.event("birth", {"journal": "short"}),
        bench.event("live", b"{}", qos=0),
        bench.records(make.record(1, up_ms=-5)),
        bench.records(make.record(2), after=BOOT + 1),
    )
    assert bench.reader.tallies() == {"dead_letters": 5, "records_refused": 1}
    (day,) = bench.reader.days(make.site)
    assert day.records == 1
    assert len(bench.outbox.acks) == 6
    big = [letter for letter in bench.reader.dead_letters() if letter.bytes == 1_000_000]
    assert len(big) == 1
    assert len(big[0].payload) == 16 * 1024


RUBBISH = st.tuples(
    st.sampled_from(["record", "birth", "live", "status", "time-ask", "order"]),
    st.binary(max_size=60) | st.sampled_from([b"{}", b"[]", b"null", b'{"journal":"0123456789abcdef"}']),
)


def test_whatever_comes_the_service_lives_and_books_the_next(bench: Any, make: Any) -> None:
    sent = [0, 0]  # messages that cannot be read, records that can

    @settings(deadline=None, max_examples=40)
    @given(st.lists(RUBBISH, max_size=8))
    def lives(rubbish: list[tuple[str, bytes]]) -> None:
        sent[0] += len(rubbish)
        sent[1] += 1
        n = sent[1]
        events = [bench.event(kind, payload) for kind, payload in rubbish]
        assert bench.handle(*events, bench.records(make.record(n), after=BOOT + n - 1 if n > 1 else 0))

    lives()
    assert bench.reader.tallies().get("dead_letters", 0) == sent[0]
    assert sum(day.records for day in bench.reader.days(make.site)) == sent[1]
    assert len(bench.outbox.acks) == sum(sent)
