"""What must hold once everything has come to rest, whatever happened before."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from tests.store.delivery_node import RECORD_MS

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.packing import Layout, Stored, Sums, unpack_record, unpack_sums

if TYPE_CHECKING:
    import sqlite3

    from tests.store.delivery_world import World


def check(world: World) -> None:
    assert not world.node.pending(), "the node still holds records that the host does not take"
    db = world.host.ledger.connection
    layouts = {
        number: Layout(tuple(channels.split()), tuple(totals.split()))
        for number, channels, totals in db.execute("SELECT layout_id, channels, totals FROM layout")
    }
    rows: dict[str, list[tuple[Layout, Stored, int | None]]] = {}
    for journal, seq, layout_id, end_ms, body in db.execute(
        "SELECT journal, seq, layout_id, end_ms, body FROM record JOIN journal USING (journal_id) "
        "ORDER BY journal, seq"
    ):
        layout = layouts[layout_id]
        rows.setdefault(journal, []).append((layout, unpack_record(layout, seq, body), end_ms))
    _check_rows(world, rows)
    _check_rollups(db, layouts, [row for found in rows.values() for row in found])
    _check_holes(world, db)
    tallies = dict(db.execute("SELECT name, amount FROM tally"))
    assert not {"conflicts", "disputes", "messages_in_dispute"} & tallies.keys()


def _check_rows(world: World, rows: dict[str, list[tuple[Layout, Stored, int | None]]]) -> None:
    booked_to: dict[tuple[str, int], int] = {}
    for journal, found in rows.items():
        for layout, row, end_ms in found:
            boot = row.seq // SEQ_PER_BOOT
            before = booked_to.get((journal, boot), boot * SEQ_PER_BOOT)
            stood_for = [world.truth.energy[journal, seq] for seq in range(before + 1, row.seq + 1)]
            totals = dict(zip(layout.totals, row.totals, strict=True))
            assert totals["charge_mwh"] == sum(stood_for), (journal, row)
            assert totals["charge_valid_ms"] == row.row_ms == RECORD_MS * len(stood_for)
            if end_ms is not None:
                assert end_ms == world.truth.boot_ms[journal, boot] + world.truth.up_ms[journal, row.seq]
            booked_to[journal, boot] = row.seq
    for journal, seq in world.truth.energy:
        if seq > booked_to.get((journal, seq // SEQ_PER_BOOT), 0):
            gone = (journal, seq) in world.truth.lost | world.truth.spoiled
            assert gone, f"{seq} of {journal} was never booked, and the node had not lost it"


def _check_rollups(
    db: sqlite3.Connection,
    layouts: dict[int, Layout],
    rows: list[tuple[Layout, Stored, int | None]],
) -> None:
    dated, undated = Counter[str](), Counter[str]()
    weights = 0
    for layout, row, end_ms in rows:
        (undated if end_ms is None else dated).update(dict(zip(layout.totals, row.totals, strict=True)))
        if end_ms is not None:
            weights += min(row.dur_ms, row.row_ms - row.clip_ms)
    for table in ("bucket", "day"):
        whole = Sums()
        rows_of = f"SELECT layout_id, body FROM {table}"  # noqa: S608 - our own two names
        for layout_id, body in db.execute(rows_of):
            whole.add(unpack_sums(layouts[layout_id], body))
        assert Counter(whole.totals) == dated, table
        assert whole.records == sum(end_ms is not None for _, _, end_ms in rows)
        if weights:
            assert whole.channels["battery_v"][:2] == [weights, 12_500 * weights]
    told = dict(db.execute("SELECT total, sum(amount) FROM undated GROUP BY total HAVING sum(amount) <> 0"))
    assert told == {name: amount for name, amount in undated.items() if amount}


def _check_holes(world: World, db: sqlite3.Connection) -> None:
    held = [(world.node.journal, item.first, item.seq) for item in world.node.items()]
    for journal, first, last, kind in db.execute(
        "SELECT journal, first, last, kind FROM hole JOIN journal USING (journal_id)"
    ):
        assert first // SEQ_PER_BOOT == last // SEQ_PER_BOOT
        for name, low, high in held:
            if kind == "gap":
                assert not (name == journal and low <= last and first <= high), "a gap over a held record"
        for seq in range(first, last + 1):
            key = (journal, seq)
            if kind == "refused":
                continue
            assert key in world.truth.lost, f"{seq} was declared a gap and the node had not lost it"
