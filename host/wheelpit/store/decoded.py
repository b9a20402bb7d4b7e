"""What rows of the ledger say: packed bodies become records and roll-ups in units, those of several nodes are joined."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

from wheelpit.store.packing import (
    CLOCKS,
    FAULTS,
    STATES,
    Layout,
    Sums,
    to_units,
    unpack_record,
    unpack_sums,
)
from wheelpit.store.rows import ChannelStat, RecordRow

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

_MANY: Final = 200  # roll-ups from which on it pays to decode them together


def layouts_of(db: sqlite3.Connection) -> dict[int, Layout]:
    """Return the layouts of a ledger by their numbers."""
    return {
        layout_id: Layout.read(channels, totals)
        for layout_id, channels, totals in db.execute("SELECT layout_id, channels, totals FROM layout")
    }


def sources_of(db: sqlite3.Connection, site: str) -> list[tuple[int, str]]:
    """Return the nodes of a site, each with its number, by their names."""
    return db.execute(
        "SELECT source_id, node FROM site JOIN source USING (site_id) WHERE site = ? ORDER BY node", (site,)
    ).fetchall()


def merged(
    layouts: dict[int, Layout], rows: list[tuple[Any, int, int, int, bytes]]
) -> Iterator[tuple[Any, int, int, Sums]]:
    """Join the roll-ups of several nodes over one period: sums are added, the time covered is the longest's."""
    unpacked = iter(_unpacked(layouts, rows))
    for (key, start, end), group in groupby(rows, key=lambda row: row[:3]):
        whole, *others = (next(unpacked) for _ in group)
        covered = max(sums.span_ms for sums in (whole, *others))
        for sums in others:
            whole.add(sums)
        whole.span_ms = covered
        yield key, start, end, whole


def _unpacked(layouts: dict[int, Layout], rows: list[tuple[Any, int, int, int, bytes]]) -> list[Sums]:
    """Return the roll-up of each row; those of years are decoded together."""
    if len(rows) < _MANY:
        return [unpack_sums(layouts[row[3]], row[4]) for row in rows]
    # numpy, which the service must not load
    from wheelpit.store.unpacking import unpack_many_sums  # noqa: PLC0415

    of_layout: dict[int, list[bytes]] = {}
    for row in rows:
        of_layout.setdefault(row[3], []).append(row[4])
    found = {number: iter(unpack_many_sums(layouts[number], bodies)) for number, bodies in of_layout.items()}
    return [next(found[row[3]]) for row in rows]


def shape(sums: Sums) -> tuple[int, dict[str, int], dict[str, ChannelStat], int, int]:
    """Return a roll-up in units, as `BucketRow` and `DayRow` have it behind their times."""
    channels = {
        name: ChannelStat(
            valid_ms=valid_ms,
            mean=to_units(name, total / valid_ms),
            min=to_units(name, low),
            max=to_units(name, high),
        )
        for name, (valid_ms, total, low, high) in sums.channels.items()
    }
    return sums.span_ms, sums.totals, channels, sums.longest_ms, sums.records


def _values(layout: Layout, steps: list[int | None]) -> dict[str, float | None]:
    return {
        name: None if value is None else to_units(name, value)
        for name, value in zip(layout.channels, steps, strict=True)
    }


def record_row(node: str, layout: Layout, seq: int, end_ms: int, body: bytes) -> RecordRow:
    """Return a booked record in units."""
    record = unpack_record(layout, seq, body)
    return RecordRow(
        node=node,
        seq=seq,
        first=record.first,
        start_ms=record.start_ms(end_ms),
        end_ms=end_ms,
        span_ms=record.span_ms,
        dur_ms=record.dur_ms,
        clock=CLOCKS[record.clock],
        state=STATES[record.state],
        mean=_values(layout, record.mean),
        min=_values(layout, record.low),
        max=_values(layout, record.high),
        totals=dict(zip(layout.totals, record.totals, strict=True)),
        faults={
            name: FAULTS[code - 1] for name, code in zip(layout.channels, record.faults, strict=True) if code
        },
    )
