"""Who is let in, and that whoever is turned away loses nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.contract.topics import BROKER_DROPPED
from wheelpit.ingest.gate import NEW_STORES_A_DAY, OTHERS_PER_S, RECORDS_PER_S, Dropped, Gate, node_and_kind
from wheelpit.ingest.inbox import Incoming

if TYPE_CHECKING:
    from wheelpit.store.rows import HostSeen

BOOT = SEQ_PER_BOOT


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def gated(bench: Any, known: set[str] | None, clock: Clock) -> Any:
    bench.writer._gate = Gate(known, clock)
    return bench


def test_a_strangers_records_are_not_booked_not_receipted_and_not_lost(bench: Any, make: Any) -> None:
    gated(bench, {"tailrace"}, Clock())
    bench.handle(
        bench.event("birth", make.birth()),
        bench.records(make.record(1)),
        bench.event("live", make.live(), qos=0),
        bench.event("time-ask", {"journal": make.journal, "boot": 1, "up_ms": 1}, qos=0),
    )
    assert bench.outbox.messages == []
    assert bench.outbox.acks == [(1, 1), (1, 2)]  # so that the broker does not hold them for ever
    assert bench.reader.nodes(make.site) == []
    assert bench.reader.tallies() == {"messages_of_strangers": 4}
    assert bench.live.latest(make.site) == []
    (stranger,) = bench.live.strangers(make.site)
    assert (stranger.node, stranger.heard_ms, stranger.messages) == ("wheel", bench.now_ms, 4)
    # The plant's description names it now, and it sends again from what it was told last: nothing.
    gated(bench, {"wheel"}, Clock())
    bench.handle(bench.records(make.record(1), make.record(2)))
    assert [receipt["upto"] for receipt in bench.outbox.said("receipt")] == [BOOT + 2]


def test_only_the_strangers_heard_last_are_remembered(bench: Any, make: Any) -> None:
    gated(bench, set(), Clock())
    for n in range(30):
        bench.now_ms += 1000
        bench.handle(bench.event("birth", make.birth(), node=f"n{n:02}"))
    assert [row.node for row in bench.live.strangers(make.site)] == [f"n{n:02}" for n in range(29, 9, -1)]


def test_a_flood_gets_no_receipts_and_a_quiet_neighbour_all_of_its_own() -> None:
    clock = Clock()
    gate = Gate(None, clock)
    came = [gate.judge("loud", "record") for _ in range(10_000)]
    assert came.count("too fast") > 5000
    assert gate.judge("quiet", "record") == "welcome"
    clock.now_s += 1.0
    again = [gate.judge("loud", "record") for _ in range(10_000)]
    assert again.count("welcome") == RECORDS_PER_S


def test_live_messages_have_a_pace_of_their_own() -> None:
    clock = Clock()
    gate = Gate(None, clock)
    while gate.judge("wheel", "live") == "welcome":
        pass
    assert gate.judge("wheel", "record") == "welcome"
    clock.now_s += 1.0
    assert [gate.judge("wheel", "live") for _ in range(100)].count("welcome") == OTHERS_PER_S


def test_a_message_that_came_too_fast_is_taken_when_it_comes_again(bench: Any, make: Any) -> None:
    clock = Clock()
    gated(bench, None, clock)
    while bench.writer._gate.judge("wheel", "record") == "welcome":
        pass
    bench.handle(bench.records(make.record(1)))
    assert bench.outbox.messages == []
    assert bench.reader.tallies() == {"messages_too_fast": 1}
    clock.now_s += 30.0
    bench.handle(bench.records(make.record(1)))
    assert [receipt["upto"] for receipt in bench.outbox.said("receipt")] == [BOOT + 1]


def test_ever_new_stores_are_refused_and_the_known_one_goes_on(bench: Any, make: Any) -> None:
    clock = Clock()
    gated(bench, None, clock)
    bench.handle(bench.records(make.record(1)))
    for n in range(2 * NEW_STORES_A_DAY):
        bench.handle(bench.event("birth", make.birth() | {"journal": f"{n:016x}"}))
    (stores,) = bench.ledger.connection.execute("SELECT count(*) FROM journal").fetchone()
    assert stores == NEW_STORES_A_DAY
    bench.handle(bench.records(make.record(2), after=BOOT + 1))
    assert bench.outbox.said("receipt")[-1]["upto"] == BOOT + 2
    clock.now_s += 86_400.0
    bench.handle(bench.event("birth", make.birth() | {"journal": "f" * 16}))
    assert bench.outbox.said("receipt")[-1] == {
        "ledger": bench.mark.ledger,
        "start": bench.mark.start,
        "journal": "f" * 16,
        "upto": 0,
    }


def test_topics_of_every_shape_have_a_sender() -> None:
    assert node_and_kind("wheelpit/1/sallow-ghyll/wheel/record") == ("wheel", "record")
    assert node_and_kind("x") == ("", "x")
    assert node_and_kind("") == ("", "")


def test_the_brokers_count_is_taken_as_a_difference() -> None:
    dropped = Dropped()
    assert dropped.taken() is None
    dropped.heard(b"500", 1)  # before our time
    assert dropped.taken() == 0
    dropped.heard(b"507", 1)
    dropped.heard(b"509", 1)
    assert dropped.taken() == 9
    dropped.heard(b"4", 2)  # the broker began again
    dropped.heard(b"nonsense", 2)
    assert dropped.taken() == 0
    dropped.heard(b"6", 2)
    assert dropped.taken() == 2


def test_the_watch_hears_what_the_broker_dropped(make_bench: Any, make: Any) -> None:
    class Watch:
        def __init__(self) -> None:
            self.seen: list[HostSeen] = []

        def host(self, seen: HostSeen, _now_ms: int) -> None:
            self.seen.append(seen)

        def tick(self, _now_ms: int) -> None:
            return

    watch = Watch()
    bench = make_bench(watch)
    for total in (b"10", b"10", b"13"):
        bench.now_ms += 10_000
        bench.handle(Incoming(BROKER_DROPPED, total, len(total), 0, retained=False, mid=0, generation=1))
    assert [seen.dropped for seen in watch.seen] == [0, 0, 3]
    assert bench.reader.tallies() == {"dropped_by_broker": 3}
