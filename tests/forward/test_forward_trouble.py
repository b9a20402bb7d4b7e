"""What goes wrong on the way to the database: every good point arrives once, and what it says is what the ledger says."""

from __future__ import annotations

import logging
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest
from tests.forward.pen import NOON_MS, SITE, Memory, Pen, a_record

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.forward.follow import OtherLedgerError
from wheelpit.forward.run import Forwarder, Patience
from wheelpit.forward.send import RefusedError, deliver
from wheelpit.store.backup import back_up, put_back
from wheelpit.store.ledger import FILE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from wheelpit.forward.send import Refusal


def test_a_bad_line_is_found_by_halving_and_the_others_arrive() -> None:
    memory = Memory()
    memory.bad = {"n=577"}
    lines = [f"m,n={n} v=1.0 {n}" for n in range(1000)]
    outcome = deliver(memory, lines)
    assert outcome.refused == [("m,n=577 v=1.0 577", "status 400: a bad line")]
    assert len(memory.points) == 999
    assert memory.requests <= 2 * 10 + 1  # ten halvings


def test_a_database_that_refuses_everything_costs_nothing() -> None:
    memory = Memory()
    memory.bad = {"v="}
    with pytest.raises(RefusedError) as refused:
        deliver(memory, [f"m,n={n} v=1.0 {n}" for n in range(1000)])
    assert refused.value.kind == "place"


@pytest.mark.parametrize(("kind", "most"), [("unreachable", 60.0), ("busy", 60.0), ("login", 300.0)])
def test_the_patience_doubles_and_never_ends(kind: Refusal, most: float) -> None:
    patience = Patience()
    assert [patience.longest_wait_s(kind, n) for n in (1, 2, 3)] == [1.0, 2.0, 4.0]
    assert patience.longest_wait_s(kind, 10**6) == most


def test_an_outage_of_ten_minutes_costs_a_minute_at_most(
    pen: Pen, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    """The clock stands still but for the waits: the database is away, refuses the token, is away again."""
    pen.book(*[a_record(n) for n in range(1, 30)])
    desk = forward(nothing_listens)
    taken: list[str] = []
    now_s, waits = 0.0, []

    class Away:
        def send(self, lines: Sequence[str]) -> None:
            if now_s < 600:
                kind: Any = "login" if 200 < now_s < 300 else "unreachable"
                raise RefusedError(kind, "away", after_s=5.0 if now_s < 30 else 0.0)
            taken.extend(lines)

    def rest(seconds: float) -> None:
        nonlocal now_s
        waits.append(seconds)
        now_s += seconds

    once = Forwarder(
        desk.follower, desk.progress, Away(), None, desk.stop, clock_ms=lambda: NOON_MS, rest=rest
    )
    once.run(once=True)
    assert min(waits) >= 0.5
    assert waits[0] >= 5.0, "the database asked for it"
    assert len(waits) < 40, "it must not be hammered"
    assert now_s <= 600 + 60
    # Sums may come again with other records; each record came once.
    records = [line for line in taken if line.startswith("wheelpit_record")]
    assert len(records) == len(set(records)) == 29
    assert desk.progress.tally()["points_sent"] == len(taken)


def lines_of(desk: Any) -> dict[str, str]:
    memory = Memory()
    while True:
        desk.follower.look()
        batch = desk.follower.batch(7, NOON_MS)
        deliver(memory, batch.lines)
        desk.progress.move(batch.moves, len(batch.lines), (), 0, NOON_MS)
        if not (batch.moves.cursors or batch.moves.paid or batch.moves.walks):
            return memory.points


def test_every_field_is_a_float_and_times_are_milliseconds(
    pen: Pen, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    pen.book(*[a_record(n) for n in range(1, 30)])
    found = lines_of(forward(nothing_listens))
    kinds = {key.split(",")[0] for key in found}
    assert kinds == {"wheelpit_record", "wheelpit_bucket", "wheelpit_day", "wheelpit_site"}
    for key, fields in found.items():
        assert all("." in field.split("=")[1] for field in fields.split(",")), fields
        assert len(key.rsplit(" ", 1)[1]) == len(str(NOON_MS))
    assert sum(key.startswith("wheelpit_record") for key in found) == 29


def test_records_that_end_in_one_millisecond_are_points_of_their_own(
    pen: Pen, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    # The node's clock is set back by 10 s: three records of a boot end at one time; so does one of the next boot.
    same = NOON_MS + 20_000
    pen.book(
        a_record(1), a_record(2), a_record(3, end_ms=same), a_record(4, end_ms=same),
        a_record(1, boot=2, end_ms=same),
    )  # fmt: skip
    found = [key for key in lines_of(forward(nothing_listens)) if key.startswith("wheelpit_record")]
    assert len(found) == 5
    assert sum(key.endswith(f" {same}") for key in found) == 4


def test_records_without_a_date_follow_when_they_have_one(
    pen: Pen, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    pen.book(*[a_record(n, end_ms=None, clock="none") for n in range(1, 10)])
    desk = forward(nothing_listens)
    first = lines_of(desk)
    assert not any(key.startswith("wheelpit_record") for key in first)
    assert any(
        "charge_mwh=981.0" in told for key, told in first.items() if key.startswith("wheelpit_undated")
    )
    pen.book(a_record(10), after=SEQ_PER_BOOT + 9)
    then = lines_of(desk)
    assert sum(key.startswith("wheelpit_record") for key in then) == 10
    assert any("charge_mwh=0.0" in told for key, told in then.items() if key.startswith("wheelpit_undated"))


def test_another_ledger_is_refused_until_it_is_accepted(
    pen: Pen, state: Path, forward: Callable[..., Any], nothing_listens: Any
) -> None:
    pen.book(a_record(1))
    lines_of(forward(nothing_listens))
    for file in state.glob("ledger.db*"):
        file.unlink()
    pen.book(a_record(1, boot=3), journal="f" * 16)
    with pytest.raises(OtherLedgerError, match="--accept-ledger"):
        lines_of(forward(nothing_listens))
    assert len(lines_of(forward(nothing_listens, accept_ledger=True))) == 4


@pytest.mark.slow
def test_outage_login_and_a_bad_line_against_a_real_server(
    influx: Any,
    pen: Pen,
    forward: Callable[..., Any],
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    patience = Patience(idle_s=0.05, first_s=0.02, longest_s=0.2)
    pen.book(*[a_record(n) for n in range(1, 100)])
    # Another program wrote one of our fields as an integer: the server refuses the one record that has it.
    influx.get("/write?db=site&precision=ms", f"wheelpit_record,x=y battery_degc_fault=1i {NOON_MS}".encode())
    desk = forward(influx.where)
    influx.gate.answers = [503, 429, 401, 500]
    begun: list[Any] = []

    def run() -> None:
        mine = type(desk)(
            desk.folder, influx.where, patience=patience
        )  # SQLite wants its own connection in each thread
        begun.append(mine)
        mine.forwarder.run()
        mine.close()

    runner = threading.Thread(target=run)
    runner.start()
    try:
        until(lambda: begun and count(influx) == 99)
        influx.stop()
        pen.book(*[a_record(n) for n in range(100, 150)], after=SEQ_PER_BOOT + 99)
        bad = a_record(150, faults={"battery_degc": "absent"}, mean={"battery_degc": None}, min={}, max={})
        pen.book(bad, a_record(151), after=SEQ_PER_BOOT + 149)
        until(lambda: 502 in influx.gate.writes)
        assert desk.progress_seq() <= SEQ_PER_BOOT + 149
        influx.start()
        until(lambda: count(influx) == 150)
        until(desk.refused)
    finally:
        begun[0].stop.set()
        runner.join(30)
    assert not runner.is_alive()
    rows = influx.query('SELECT "seq" FROM "wheelpit_record"')[0]["values"]
    assert sorted(int(seq) - SEQ_PER_BOOT for _, seq in rows) == [*range(1, 150), 151]
    ((reason, point),) = desk.refused()
    assert "battery_degc_fault" in reason
    assert f"seq={SEQ_PER_BOOT + 150}.0" in point
    # The books are whole all the same: the sums are points of their own.
    assert desk.reader.days(SITE) == desk.ledger.days(SITE)
    told = caplog.text
    assert "does not take points just now" in told
    assert "refuses the token" in told
    assert "the database takes points again" in told


@pytest.mark.slow
def test_a_restored_ledger_takes_back_what_it_no_longer_has(
    influx: Any, pen: Pen, state: Path, tmp_path: Path, forward: Callable[..., Any]
) -> None:
    pen.book(*[a_record(n) for n in range(1, 50)])
    copy = tmp_path / "copy.db"
    back_up(state / FILE, copy)
    pen.book(*[a_record(n) for n in range(50, 100)], after=SEQ_PER_BOOT + 49)
    desk = forward(influx.where)
    desk.all()
    assert count(influx) == 99
    put_back(copy, state / FILE, NOON_MS)
    # The node no longer holds 50 to 89: the next record brings their energy.
    pen.book(*[a_record(n) for n in range(90, 110)], after=SEQ_PER_BOOT + 49)
    desk.all()
    assert count(influx) == 49 + 20
    assert desk.reader.days(SITE) == desk.ledger.days(SITE)
    whole = (0, NOON_MS * 2)
    assert desk.reader.records(SITE, *whole) == desk.ledger.records(SITE, *whole)
    mine, theirs = desk.reader.gaps(SITE), desk.ledger.gaps(SITE)
    assert mine == theirs
    # Once more from the beginning changes nothing: a point that is sent twice is there once.
    desk.progress.begin_again((), *desk.progress.about(), clear=False)
    assert desk.all() > 0
    assert count(influx) == 49 + 20
    assert desk.reader.days(SITE) == desk.ledger.days(SITE)
    assert [(gap.first - SEQ_PER_BOOT, gap.last - SEQ_PER_BOOT) for gap in mine] == [(50, 89)]


@pytest.mark.slow
def test_two_hosts_share_a_database_and_points_too_old_are_only_counted(
    influx: Any, tmp_path: Path, forward: Callable[..., Any]
) -> None:
    readers = {}
    for site, zone in (("sallow-ghyll", "Europe/London"), ("upper-leat", "Asia/Kolkata")):
        folder = tmp_path / site
        folder.mkdir()
        Pen(folder, zone, site).book(*[a_record(n) for n in range(1, 20)], journal=site.encode().hex()[:16])
        desk = forward(influx.where, folder)
        desk.all()
        readers[site] = desk
    board = readers["upper-leat"].reader
    assert board.sites() == sorted(readers)
    for site, desk in readers.items():
        assert board.days(site) == desk.ledger.days(site)
        assert board.time_zone(site) == desk.ledger.time_zone(site)
    old = tmp_path / "old"
    old.mkdir()
    Pen(old, site="old-mill").book(a_record(1, end_ms=1_600_000_000_000), journal="e" * 16)
    influx.query('ALTER RETENTION POLICY "autogen" ON "site" DURATION 30w')
    desk = forward(influx.where, old)
    desk.all()
    assert desk.progress.tally()["points_too_old"] >= 3  # the record, its ten minutes and its day
    assert desk.progress.refused() == []


def count(influx: Any) -> int:
    try:
        found = influx.query('SELECT count("seq") FROM "wheelpit_record"')
    except OSError:
        return -1
    return int(found[0]["values"][0][1]) if found else 0


def until(what: Callable[[], Any], patience_s: float = 60.0) -> None:
    end = time.monotonic() + patience_s
    while not what():
        if time.monotonic() > end:
            pytest.fail(f"waited {patience_s:.0f} s in vain")
        time.sleep(0.05)
