"""The ledger as a table for other programs: records, 10-minute buckets or days, as CSV or Parquet.

It is read one local day at a time, so a table of years needs no more memory than one of a day. Times are given
twice: in the site's time zone with its offset, and as Unix milliseconds, UTC. The name of a column says its unit;
totals are exact integers. A record is in the day in which it ends, as in `wheelpit.store.days`. What was not
measured is an empty cell, never a zero.
"""

from __future__ import annotations

import csv
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, Literal
from zoneinfo import ZoneInfo

from wheelpit.store.newfile import new_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date
    from pathlib import Path

    from wheelpit.store.reader import LedgerReader
    from wheelpit.store.rows import BucketRow, DayRow, RecordRow

What = Literal["records", "buckets", "days"]
Format = Literal["csv", "parquet"]
Kind = Literal["text", "time", "whole", "real"]
_GROUP_ROWS: Final = 20_000
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Table:
    """The columns of a table with what they hold, and its rows, a list of them for each local day.

    `sums_only` fills while the rows are read: days whose full records are no longer kept.
    """

    columns: dict[str, Kind]
    blocks: Iterator[list[list[Any]]]
    zone: ZoneInfo
    sums_only: list[date]


def _times(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[Any]:
    local = [(_EPOCH + timedelta(milliseconds=at)).astimezone(zone) for at in (start_ms, end_ms)]
    return [*local, start_ms, end_ms]


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


def _record(row: RecordRow, channels: list[str], totals: list[str], zone: ZoneInfo) -> list[Any]:
    cells = [row.node, row.seq, *_times(row.start_ms, row.end_ms, zone), row.span_ms, row.dur_ms]
    cells += [row.clock, row.state]
    for name in channels:
        cells += [row.mean.get(name), row.min.get(name), row.max.get(name), row.faults.get(name)]
    return cells + [row.totals.get(name) for name in totals]


def _sum_columns(channels: list[str], totals: list[str]) -> dict[str, Kind]:
    columns = {**_TIMES, "covered_ms": "whole", "longest_record_ms": "whole", "records": "whole"}
    for name in channels:
        columns |= {f"{name}_mean": "real", f"{name}_min": "real", f"{name}_max": "real"}
        columns |= {f"{name}_measured_ms": "whole"}
    return columns | dict.fromkeys(totals, "whole")


def _sums(row: BucketRow | DayRow, channels: list[str], totals: list[str], zone: ZoneInfo) -> list[Any]:
    cells = _times(row.start_ms, row.end_ms, zone)
    cells += [row.span_ms, row.longest_record_ms, row.records]
    for name in channels:
        stat = row.channels.get(name)
        cells += [None] * 4 if stat is None else [stat.mean, stat.min, stat.max, stat.valid_ms]
    return cells + [row.totals.get(name) for name in totals]


def table(
    reader: LedgerReader,
    site: str,
    what: What,
    first: date | None,
    last: date | None,
    *,
    progress: Callable[[int, int], None] = lambda done, of: None,  # noqa: ARG005 - silent unless asked
) -> Table:
    """Return a table of the local days from `first` to `last`, both included; None is no limit.

    Args:
        reader: the ledger.
        site: the site.
        what: one row per record of a node, per 10-minute bucket, or per day.
        first: the first local day.
        last: the last one.
        progress: is told how many days of how many are done.

    """
    channels, totals = reader.columns()
    zone = ZoneInfo(reader.time_zone(site))
    days = reader.days(site, first, last)
    sums_only: list[date] = []

    def rows_of(day: DayRow) -> list[list[Any]]:
        start, end = day.start_ms, day.end_ms
        if what == "records":
            found = reader.records(site, start, end)
            return [_record(row, channels, totals, zone) for row in found if start < row.end_ms <= end]
        if what == "buckets":
            return [_sums(row, channels, totals, zone) for row in reader.buckets(site, start, end)]
        return [[day.day.isoformat(), *_sums(day, channels, totals, zone)]]

    def blocks() -> Iterator[list[list[Any]]]:
        for done, day in enumerate(days):
            progress(done, len(days))
            rows = rows_of(day)
            if day.records and not rows:
                sums_only.append(day.day)
            yield rows

    columns = _record_columns(channels, totals) if what == "records" else _sum_columns(channels, totals)
    return Table({"day": "text", **columns} if what == "days" else columns, blocks(), zone, sums_only)


@contextmanager
def _csv(path: Path, made: Table) -> Iterator[Callable[[list[list[Any]]], None]]:
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(made.columns)

        def write(rows: list[list[Any]]) -> None:
            out.writerows(
                [
                    cell.isoformat(timespec="milliseconds") if isinstance(cell, datetime) else cell
                    for cell in row
                ]
                for row in rows
            )

        yield write


@contextmanager
def _parquet(path: Path, made: Table) -> Iterator[Callable[[list[list[Any]]], None]]:
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415 - large, only Parquet needs it
    import pyarrow.parquet as pq  # type: ignore[import-untyped]  # noqa: PLC0415

    kinds = {
        "text": pa.string(),
        "time": pa.timestamp("ms", tz=made.zone.key),
        "whole": pa.int64(),
        "real": pa.float64(),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in made.columns.items()])
    with pq.ParquetWriter(path, schema) as out:

        def write(rows: list[list[Any]]) -> None:
            cells = zip(*rows, strict=True)
            arrays = [pa.array(cell, field.type) for cell, field in zip(cells, schema, strict=True)]
            out.write_table(pa.Table.from_arrays(arrays, schema=schema))

        yield write


def export(made: Table, out: Path, kind: Format, *, replace: bool = False) -> int:
    """Write a table to a file, which gets its name when it is whole, and return the number of its rows.

    Raises:
        FileInTheWayError: the file exists and `replace` was not said.

    """
    count = 0
    with new_file(out, replace=replace) as draft, (_csv if kind == "csv" else _parquet)(draft, made) as write:
        waiting: list[list[Any]] = []
        for block in made.blocks:
            waiting += block
            count += len(block)
            if len(waiting) >= _GROUP_ROWS:
                write(waiting)
                waiting = []
        if waiting:
            write(waiting)
    return count
