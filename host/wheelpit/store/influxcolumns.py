"""Long periods of a database as columns: the roll-ups and the full records as the ledger's own readers give them.

Only readers import this: the service must not load numpy.
"""

# ruff: noqa: S608 - InfluxQL: a question holds names of ours and quoted texts

from __future__ import annotations

from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from wheelpit.store.columns import BucketColumns
from wheelpit.store.database import quoted
from wheelpit.store.days import BUCKET_MS
from wheelpit.store.packing import CLOCKS, FAULTS, PER_UNIT, STATES
from wheelpit.store.points import BUCKET, LONGEST_RECORD_MS, RECORD
from wheelpit.store.recordcells import RecordCells
from wheelpit.store.recordcolumns import STATS, RecordColumns

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from wheelpit.store.database import InfluxQL

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

_AT_ONCE: Final = 20_000  # points that are asked for together


def bucket_columns(
    asking: InfluxQL, site: str, from_ms: int, to_ms: int, *, names: Sequence[str], channels: Sequence[str]
) -> BucketColumns:
    """Return some totals and channels of the buckets that reach into `(from_ms, to_ms]`."""
    wanted = [
        "end_ms",
        *names,
        *(f"{name}_{what}" for name in channels for what in ("measured_ms", "mean")),
    ]
    rows = np.nan_to_num(
        np.concatenate(list(_tables(asking, BUCKET, wanted, site, "", from_ms - BUCKET_MS, to_ms - 1)))
    )
    rows = rows[rows[:, 1] > from_ms]
    column = dict(zip(["time", *wanted], rows.T, strict=True))
    start_ms, first, place = np.unique(_whole(column["time"]), return_index=True, return_inverse=True)

    def summed(amounts: Floats) -> Whole:
        """Return amounts of several nodes added up, in integers."""
        found = np.zeros(start_ms.size, np.int64)
        np.add.at(found, place, _whole(amounts))
        return found

    valid_ms = {name: summed(column[f"{name}_measured_ms"]) for name in channels}
    mean: dict[str, Floats] = {}
    for name in channels:
        # As `points.sum_of` says, the sum that a mean was made from is a whole number.
        sums = summed(column[f"{name}_mean"] * PER_UNIT[name] * column[f"{name}_measured_ms"])
        found = sums / np.maximum(valid_ms[name], 1) / PER_UNIT[name]
        mean[name] = np.where(valid_ms[name] > 0, found, np.nan)
    totals = {name: summed(column[name]) for name in names}
    return BucketColumns(start_ms, _whole(column["end_ms"])[first], totals, valid_ms, mean)


def record_columns(
    asking: InfluxQL,
    site: str,
    from_ms: int,
    to_ms: int,
    *,
    totals: Sequence[str],
    values: Sequence[tuple[str, str]],
) -> Iterator[RecordColumns]:
    """Yield the dated records that reach into `(from_ms, to_ms]`, node by node, in order, some at a time.

    Of each node the last one may lie beyond: the first that ends at `to_ms` or later.
    """
    wanted = [
        "seq",
        "start_ms",
        "state",
        *totals,
        *(f"{channel}_{which}" for channel, which in values),
    ]
    for node in _nodes(asking, site, from_ms, to_ms + LONGEST_RECORD_MS):
        of_node = f'AND "node" = {quoted(node)}'
        beyond = asking.rows(
            f'SELECT first("seq") FROM "{RECORD}" WHERE "site" = {quoted(site)} {of_node} AND time >= {to_ms}ms '
            f"AND time <= {to_ms + LONGEST_RECORD_MS}ms"
        )
        last_ms = next((int(row["time"]) for _, row in beyond), to_ms)
        for low, high in (
            ((from_ms, to_ms), (last_ms - 1, last_ms)) if last_ms > to_ms else ((from_ms, to_ms),)
        ):
            for rows in _tables(asking, RECORD, wanted, site, of_node, low, high):
                if rows.shape[0]:
                    yield from _of_layouts(node, rows[np.lexsort((rows[:, 1], rows[:, 0]))], totals, values)


def _of_layouts(
    node: str, rows: Floats, totals: Sequence[str], values: Sequence[tuple[str, str]]
) -> Iterator[RecordColumns]:
    """Yield rows in stretches that have the same totals, as the ledger has them by layout."""
    amounts = rows[:, 4 : 4 + len(totals)]
    there = ~np.isnan(amounts)
    edges = np.flatnonzero((there[1:] != there[:-1]).any(axis=1)) + 1
    for low, high in pairwise([0, *edges.tolist(), rows.shape[0]]):
        part = slice(low, high)
        yield RecordColumns(
            node,
            _whole(rows[part, 2]),
            _whole(rows[part, 0]),
            _whole(rows[part, 3]),
            {name: _whole(amounts[part, at]) for at, name in enumerate(totals) if there[low, at]},
            {key: rows[part, 4 + len(totals) + at] for at, key in enumerate(values)},
        )


def record_cells(
    asking: InfluxQL, site: str, from_ms: int, to_ms: int, *, channels: Sequence[str], totals: Sequence[str]
) -> RecordCells:
    """Return all that the records say that end in `(from_ms, to_ms]`."""
    shown = [(channel, which) for channel in channels for which in STATS]
    wanted = ["seq", "start_ms", "span_ms", "dur_ms", "clock", "state", *totals]
    wanted += [f"{channel}_{which}" for channel, which in shown] + [f"{name}_fault" for name in channels]
    fields = ", ".join(f'"{name}"' for name in wanted)
    rows: list[tuple[int, str, int, list[Any]]] = []
    for tags, _, found in asking.tables(
        f'SELECT {fields} FROM "{RECORD}" WHERE "site" = {quoted(site)} AND time > {from_ms}ms '
        f'AND time <= {to_ms}ms GROUP BY "node"'
    ):
        rows += [(row[0], tags["node"], int(row[1]), row) for row in found]
    rows.sort(key=itemgetter(0, 1, 2))
    columns = zip(*(row for *_, row in rows), strict=True) if rows else ([] for _ in range(1 + len(wanted)))
    column = dict(zip(["time", *wanted], map(list, columns), strict=True))

    def whole(name: str) -> list[int]:
        return [int(value) for value in column[name]]

    fault: list[str | None] = [None, *FAULTS]
    return RecordCells(
        node=[node for _, node, *_ in rows],
        seq=whole("seq"),
        start_ms=whole("start_ms"),
        end_ms=whole("time"),
        span_ms=whole("span_ms"),
        dur_ms=whole("dur_ms"),
        clock=[CLOCKS[code] for code in whole("clock")],
        state=[STATES[code] for code in whole("state")],
        values={
            (channel, which): [
                None if value is None else float(value) for value in column[f"{channel}_{which}"]
            ]
            for channel, which in shown
        },
        faults={name: [fault[int(code or 0)] for code in column[f"{name}_fault"]] for name in channels},
        totals={name: [None if value is None else int(value) for value in column[name]] for name in totals},
    )


def _tables(  # noqa: PLR0917 - what is asked for, and when
    asking: InfluxQL, measurement: str, fields: Sequence[str], site: str, which: str, from_ms: int, to_ms: int
) -> Iterator[Floats]:
    """Yield the times and some fields of points in `(from_ms, to_ms]`, a row each, in order, some thousand at a time.

    Where a point lacks a field there is not-a-number.
    """
    listed = ", ".join(f'"{name}"' for name in fields)
    question = f'SELECT {listed} FROM "{measurement}" WHERE "site" = {quoted(site)} {which}'
    low = from_ms
    while True:
        answer = asking.tables(f"{question} AND time > {low}ms AND time <= {to_ms}ms LIMIT {_AT_ONCE}")
        parts = [np.array(rows, np.float64) for _, _, rows in answer]
        rows = np.concatenate([np.zeros((0, 1 + len(fields))), *parts])
        if rows.shape[0] < _AT_ONCE:
            yield rows
            return
        # The limit may have parted points of one time: they come with the next ones.
        last = rows[-1, 0]
        yield rows[rows[:, 0] < last]
        low = int(last) - 1


def _nodes(asking: InfluxQL, site: str, from_ms: int, to_ms: int) -> list[str]:
    """Return the nodes that have records in a time."""
    rows = asking.rows(
        f'SELECT first("seq") FROM "{RECORD}" WHERE "site" = {quoted(site)} AND time > {from_ms}ms '
        f'AND time <= {to_ms}ms GROUP BY "node"'
    )
    return sorted(tags["node"] for tags, _ in rows)


def _whole(column: Floats) -> Whole:
    found: Whole = np.rint(column).astype(np.int64)
    return found
