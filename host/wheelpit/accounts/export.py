"""The ledger, or a database that it was forwarded to, as a table for other programs: records, 10-minute buckets or days, as CSV or Parquet.

It is read one local day at a time and closed again before that day is written, so a table of years needs no more
memory than one of some days, and holds nothing of the ledger open. Times are given
twice: in the site's time zone with its offset, and as Unix milliseconds, UTC. The name of a column says its unit;
totals are exact integers. A record is in the day in which it ends, as in `wheelpit.store.days`. What was not
measured is an empty cell, never a zero.
"""

from __future__ import annotations

import csv
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, Literal
from zoneinfo import ZoneInfo

from wheelpit.store.newfile import new_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date
    from pathlib import Path

    from wheelpit.store.reading import Reading
    from wheelpit.store.recordcells import RecordCells
    from wheelpit.store.rows import BucketRow, DayRow

What = Literal["records", "buckets", "days"]
Format = Literal["csv", "parquet"]
Kind = Literal["text", "time", "whole", "real"]
_GROUP_ROWS: Final = 20_000
_TIMES_KEPT: Final = 1 << 15  # the start of a record is as a rule the end of the one before
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


# A list of cells for each column; a time is a whole number of Unix milliseconds until it is written.
Block = list[list[Any]]


@dataclass(frozen=True, slots=True)
class Table:
    """The columns of a table with what they hold, and their cells, a block of them for each local day.

    `sums_only` fills while the blocks are read: days, and how many of their records are not in the store in full.
    """

    columns: dict[str, Kind]
    blocks: Iterator[Block]
    zone: ZoneInfo
    sums_only: list[tuple[date, int]]


_TIMES: Final[dict[str, Kind]] = {
    "start_time": "time",
    "end_time": "time",
    "start_utc_ms": "whole",
    "end_utc_ms": "whole",
}


def _record_columns(channels: list[str], totals: list[str]) -> dict[str, Kind]:
    columns: dict[str, Kind] = {
        "node": "text",
        "seq": "whole",
        **_TIMES,
        "span_ms": "whole",
        "dur_ms": "whole",
    }
    columns |= {"clock": "text", "state": "text"}
    for name in channels:
        columns |= {
            f"{name}_mean": "real",
            f"{name}_min": "real",
            f"{name}_max": "real",
            f"{name}_fault": "text",
        }
    return columns | dict.fromkeys(totals, "whole")


def _records(cells: RecordCells) -> Block:
    times = [cells.start_ms, cells.end_ms] * 2
    block: Block = [cells.node, cells.seq, *times, cells.span_ms, cells.dur_ms, cells.clock, cells.state]
    for name, faults in cells.faults.items():
        block += [cells.values[name, "mean"], cells.values[name, "min"], cells.values[name, "max"], faults]
    return block + list(cells.totals.values())


def _sum_columns(channels: list[str], totals: list[str]) -> dict[str, Kind]:
    columns = {**_TIMES, "covered_ms": "whole", "longest_record_ms": "whole", "records": "whole"}
    for name in channels:
        columns |= {f"{name}_mean": "real", f"{name}_min": "real", f"{name}_max": "real"}
        columns |= {f"{name}_measured_ms": "whole"}
    return columns | dict.fromkeys(totals, "whole")


def _sums(row: BucketRow | DayRow, channels: list[str], totals: list[str]) -> list[Any]:
    cells: list[Any] = [row.start_ms, row.end_ms] * 2
    cells += [row.span_ms, row.longest_record_ms, row.records]
    for name in channels:
        stat = row.channels.get(name)
        cells += [None] * 4 if stat is None else [stat.mean, stat.min, stat.max, stat.valid_ms]
    return cells + [row.totals.get(name) for name in totals]


def table(
    reader: Reading,
    site: str,
    what: What,
    first: date | None,
    last: date | None,
    *,
    progress: Callable[[int, int], None] = lambda done, of: None,  # noqa: ARG005 - silent unless asked
) -> Table:
    """Return a table of the local days from `first` to `last`, both included; None is no limit.

    Args:
        reader: the ledger, or a database that it was forwarded to.
        site: the site.
        what: one row per record of a node, per 10-minute bucket, or per day.
        first: the first local day.
        last: the last one.
        progress: is told how many days of how many are done.

    """
    channels, totals = reader.columns(site)
    zone = ZoneInfo(reader.time_zone(site))
    days = reader.days(site, first, last)
    sums_only: list[tuple[date, int]] = []

    def block_of(day: DayRow) -> Block:
        start, end = day.start_ms, day.end_ms
        if what == "records":
            return _records(reader.record_cells(site, start, end, channels=channels, totals=totals))
        if what == "buckets":
            rows = [_sums(row, channels, totals) for row in reader.buckets(site, start, end)]
        else:
            rows = [[day.day.isoformat(), *_sums(day, channels, totals)]]
        return [list(cells) for cells in zip(*rows, strict=True)]

    def blocks() -> Iterator[Block]:
        for done, day in enumerate(days):
            progress(done, len(days))
            block = block_of(day)
            count = len(block[0]) if block else 0
            if count:
                yield block
            if what == "records" and count < day.records:
                sums_only.append((day.day, day.records - count))

    columns = _record_columns(channels, totals) if what == "records" else _sum_columns(channels, totals)
    return Table({"day": "text", **columns} if what == "days" else columns, blocks(), zone, sums_only)


@contextmanager
def _csv(path: Path, made: Table) -> Iterator[Callable[[Block], None]]:
    @lru_cache(maxsize=_TIMES_KEPT)
    def local(at_ms: int) -> str:
        at = _EPOCH + timedelta(milliseconds=at_ms)
        return at.astimezone(made.zone).isoformat(timespec="milliseconds")

    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(made.columns)

        def write(block: Block) -> None:
            shown = [
                map(local, cells) if kind == "time" else cells
                for kind, cells in zip(made.columns.values(), block, strict=True)
            ]
            out.writerows(zip(*shown, strict=True))

        yield write


@contextmanager
def _parquet(path: Path, made: Table) -> Iterator[Callable[[Block], None]]:
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415 - large, only Parquet needs it
    import pyarrow.parquet as pq  # type: ignore[import-untyped]  # noqa: PLC0415

    kinds = {
        "text": pa.string(),
        "time": pa.timestamp("ms", tz=made.zone.key),
        "whole": pa.int64(),
        "real": pa.float64(),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in made.columns.items()])
    waiting: list[Any] = []  # days are gathered: small groups of rows make a large file that is slow to read

    with pq.ParquetWriter(path, schema) as out:

        def flush() -> None:
            if waiting:
                whole = pa.concat_tables(waiting)
                out.write_table(whole, row_group_size=whole.num_rows)
                waiting.clear()

        def write(block: Block) -> None:
            arrays = [pa.array(cells, field.type) for cells, field in zip(block, schema, strict=True)]
            waiting.append(pa.Table.from_arrays(arrays, schema=schema))
            if sum(each.num_rows for each in waiting) >= _GROUP_ROWS:
                flush()

        yield write
        flush()


def export(made: Table, out: Path, kind: Format, *, replace: bool = False) -> int:
    """Write a table to a file, which gets its name when it is whole, and return the number of its rows.

    Raises:
        FileInTheWayError: the file exists and `replace` was not said.

    """
    count = 0
    with new_file(out, replace=replace) as draft, (_csv if kind == "csv" else _parquet)(draft, made) as write:
        for block in made.blocks:
            count += len(block[0])
            write(block)
    return count
