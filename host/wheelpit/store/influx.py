"""Reads the books from a database that the ledger was forwarded to, in InfluxQL, with the ledger's own integers.

The database holds the roll-ups of each node as they stood in the ledger, so days and buckets are added up over nodes
here as the ledger's reader does it, in integers, and give the same books. Alarms, newest values, dead letters and
why a record was refused are only in the ledger, what people wrote down only in the logbook.
"""

# ruff: noqa: S608 - InfluxQL: a question holds names of ours and quoted texts

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, Literal
from zlib import crc32

from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT, TOTALS
from wheelpit.store import points
from wheelpit.store.database import InfluxQL, quoted
from wheelpit.store.days import BUCKET_MS, LocalDays
from wheelpit.store.decoded import shape
from wheelpit.store.packing import CLOCKS, FAULTS, STATES, Sums
from wheelpit.store.points import (
    BUCKET,
    DAY,
    GAP,
    GAP_KINDS,
    LONGEST_RECORD_MS,
    RECORD,
    SITE,
    UNDATED,
)
from wheelpit.store.reader import LedgerMissing
from wheelpit.store.rows import BucketRow, DayMark, DayRow, GapRow, RecordRow

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from wheelpit.store.columns import BucketColumns, DayColumns
    from wheelpit.store.database import Database
    from wheelpit.store.recordcells import RecordCells
    from wheelpit.store.recordcolumns import RecordColumns


class InfluxReader:
    """Read-only access to what was forwarded.

    Raises (each call):
        DatabaseError: the database does not answer, or cannot be read.

    """

    def __init__(self, where: Database) -> None:
        self.where: Final = where
        self._asking = InfluxQL(where)

    def sites(self) -> list[str]:
        """Return the ids of the sites in the database."""
        rows = self._asking.rows(f'SELECT last("seen") FROM "{SITE}" GROUP BY "site"')
        return sorted({tags["site"] for tags, _ in rows})

    def time_zone(self, site: str) -> str:
        """Return the IANA time zone by which the days of a site are cut."""
        rows = self._asking.rows(
            f'SELECT last("seen") FROM "{SITE}" WHERE "site" = {quoted(site)} GROUP BY "time_zone"'
        )
        found = max(((row["time"], tags["time_zone"]) for tags, row in rows), default=None)
        if found is None:
            msg = f"site {site!r} is not in {self.where}; `wheelpit forward` brings it there"
            raise LedgerMissing(msg)
        return str(found[1])

    def days(self, site: str, first: date | None = None, last: date | None = None) -> list[DayRow]:
        """Return the local days that have records, from `first` to `last`, both included; None is no limit."""
        zone = LocalDays(self.time_zone(site))
        since = "" if first is None else f"AND time >= {zone.bounds(first)[0]}ms"
        until = "" if last is None else f"AND time <= {zone.bounds(last)[0]}ms"
        return [
            DayRow(zone.date_of(start), start, end, *shape(sums))
            for start, end, sums in self._merged(DAY, site, f"{since} {until}")
        ]

    def day_columns(self, site: str, first: date | None = None, last: date | None = None) -> DayColumns:
        """Return the same days as columns, without least and most."""
        from wheelpit.store.columns import columns_of_days  # noqa: PLC0415 - numpy again

        return columns_of_days(self.days(site, first, last))

    def day_marks(self, site: str, first: date | None = None, last: date | None = None) -> list[DayMark]:
        """Return the local days that have records, each with a number that changes with what is booked in it."""
        return [
            DayMark(
                row.day,
                row.start_ms,
                row.end_ms,
                crc32(repr((row.totals, row.channels, row.records)).encode()),
            )
            for row in self.days(site, first, last)
        ]

    def buckets(self, site: str, from_ms: int, to_ms: int) -> list[BucketRow]:
        """Return the 10-minute buckets that reach into `(from_ms, to_ms]` and have records."""
        return [
            BucketRow(start, end, *shape(sums))
            for start, end, sums in self._merged(
                BUCKET, site, f"AND time > {from_ms - BUCKET_MS}ms AND time < {to_ms}ms"
            )
            if end > from_ms
        ]

    def bucket_columns(
        self, site: str, from_ms: int, to_ms: int, names: Sequence[str], channels: Sequence[str] = ()
    ) -> BucketColumns:
        """Return some totals and channels of the buckets that reach into `(from_ms, to_ms]` as columns."""
        # numpy, which not every reader needs
        from wheelpit.store.influxcolumns import bucket_columns  # noqa: PLC0415

        return bucket_columns(self._asking, site, from_ms, to_ms, names=names, channels=channels)

    def record_columns(
        self,
        site: str,
        from_ms: int,
        to_ms: int,
        totals: Sequence[str],
        values: Sequence[tuple[str, str]] = (),
    ) -> Iterator[RecordColumns]:
        """Yield the dated records that reach into `(from_ms, to_ms]` node by node as columns."""
        from wheelpit.store.influxcolumns import record_columns  # noqa: PLC0415 - numpy again

        return record_columns(self._asking, site, from_ms, to_ms, totals=totals, values=values)

    def record_cells(
        self, site: str, from_ms: int, to_ms: int, channels: Sequence[str], totals: Sequence[str]
    ) -> RecordCells:
        """Return all that the records say that end in `(from_ms, to_ms]`."""
        from wheelpit.store.influxcolumns import record_cells  # noqa: PLC0415 - numpy again

        return record_cells(self._asking, site, from_ms, to_ms, channels=channels, totals=totals)

    def records(self, site: str, from_ms: int, to_ms: int) -> list[RecordRow]:
        """Return the dated records that reach into `(from_ms, to_ms]`, in order of their ends."""
        where = f'FROM "{RECORD}" WHERE "site" = {quoted(site)}'
        found = [
            _record(tags, row)
            for tags, row in self._asking.rows(
                f'SELECT * {where} AND time > {from_ms}ms AND time <= {to_ms}ms GROUP BY "node", "journal", "boot"'
            )
        ]
        # The first record of a node that ends after the period may begin in it.
        upto = to_ms + LONGEST_RECORD_MS
        nodes = self._asking.rows(
            f'SELECT first("seq") {where} AND time > {to_ms}ms AND time <= {upto}ms GROUP BY "node"'
        )
        for tags, first in list(nodes):
            at = f'AND "node" = {quoted(tags["node"])} AND time = {first["time"]}ms GROUP BY "node", "journal", "boot"'
            found += [_record(of, row) for of, row in self._asking.rows(f"SELECT * {where} {at}")]
        found = [row for row in found if row.start_ms < to_ms]
        found.sort(key=lambda row: (row.end_ms, row.node, row.seq))
        return found

    def newest_ms(self, site: str) -> int | None:
        """Return when the newest record of a site ended [Unix ms], None where there is none.

        Where the database has no record in full, the end of the newest roll-up stands for it: up to ten minutes later.
        """
        for measurement, field, at in ((RECORD, "seq", "time"), (BUCKET, "end_ms", "last")):
            rows = self._asking.rows(
                f'SELECT last("{field}") FROM "{measurement}" WHERE "site" = {quoted(site)}'
            )
            found = max((int(row[at]) for _, row in rows), default=None)
            if found is not None:
                return found
        return None

    def columns(self, site: str) -> tuple[list[str], list[str]]:
        """Return the channels and the totals that records of a site have, in the contract's order."""
        names: set[str] = set()
        for measurement in (RECORD, BUCKET):  # full records may be kept for less long than their sums
            rows = self._asking.rows(f'SELECT last(*) FROM "{measurement}" WHERE "site" = {quoted(site)}')
            names.update(
                name.removeprefix("last_")
                for _, row in rows
                for name, value in row.items()
                if value is not None
            )
        return (
            [name for name in CHANNELS if f"{name}_mean" in names or f"{name}_fault" in names],
            [name for name in TOTALS if name in names],
        )

    def gaps(self, site: str) -> list[GapRow]:
        """Return the numbers that are not stored, oldest first, with the time in which they lie if known.

        Why a record was refused is only in the ledger.
        """
        rows = list(
            self._asking.rows(
                f'SELECT "last", "kind", "count" FROM "{GAP}" WHERE "site" = {quoted(site)} '
                'GROUP BY "node", "journal", "first"'
            )
        )
        found = []
        for tags, row in rows:
            if row["count"]:
                kind = GAP_KINDS[int(row["kind"])]
                first, last = int(tags["first"]), int(row["last"])
                start, end = self._time_of(site, tags["journal"], last)
                found.append(GapRow(tags["node"], kind, first, last, _REASONS[kind], start, end))
        return sorted(found, key=lambda row: (row.node, row.first))

    def _time_of(self, site: str, journal: str, last: int) -> tuple[int | None, int | None]:
        """Return the part of the interval of the next record of the boot in which lost ones lie."""
        boot = last // SEQ_PER_BOOT
        rows = self._asking.rows(
            f'SELECT "seq", "start_ms", "span_ms" FROM "{RECORD}" WHERE "site" = {quoted(site)} '
            f'AND "journal" = {quoted(journal)} AND "boot" = {quoted(str(boot))} AND "seq" > {last}'
        )
        row = min((row for _, row in rows), key=lambda row: row["seq"], default=None)
        if row is None:
            return None, None
        start = int(row["start_ms"])
        return start, max(start, row["time"] - int(row["span_ms"]))

    def undated(self, site: str) -> dict[str, int]:
        """Return the totals of the records that have no date."""
        found: dict[str, int] = {}
        for _, row in self._asking.rows(
            f'SELECT * FROM "{UNDATED}" WHERE "site" = {quoted(site)} GROUP BY "node" ORDER BY time DESC LIMIT 1'
        ):
            for name, amount in row.items():
                if name in TOTALS and amount:
                    found[name] = found.get(name, 0) + int(amount)
        return dict(sorted(found.items()))

    def _merged(self, measurement: str, site: str, when: str) -> Iterator[tuple[int, int, Sums]]:
        """Yield (start, end, sums) with the nodes of a site added up; the time covered is the longest's."""
        question = f'SELECT * FROM "{measurement}" WHERE "site" = {quoted(site)} {when} GROUP BY "node"'
        rows = sorted((row for _, row in self._asking.rows(question)), key=lambda row: row["time"])
        for start, group in groupby(rows, key=lambda row: row["time"]):
            merged, covered, end = Sums(), 0, start
            for row in group:
                sums = _sums(row)
                end = int(row["end_ms"])
                covered = max(covered, sums.span_ms)
                merged.add(sums)
            merged.span_ms = covered
            yield start, end, merged


_REASONS: Final[dict[Literal["gap", "refused"], str]] = {
    "gap": "the node no longer held it",
    "refused": "it could not be used; the ledger says why",
}


def _sums(row: dict[str, Any]) -> Sums:
    channels = {}
    for name in CHANNELS:
        valid_ms = int(row.get(f"{name}_measured_ms") or 0)
        if valid_ms:
            channels[name] = [
                valid_ms,
                points.sum_of(name, row[f"{name}_mean"], valid_ms),
                points.steps(name, row[f"{name}_min"]),
                points.steps(name, row[f"{name}_max"]),
            ]
    return Sums(
        span_ms=int(row["covered_ms"]),
        longest_ms=int(row["longest_record_ms"]),
        records=int(row["records"]),
        totals={name: int(row[name]) for name in TOTALS if row.get(name) is not None},
        channels=channels,
    )


def _record(tags: dict[str, str], row: dict[str, Any]) -> RecordRow:
    def values(what: str) -> dict[str, float | None]:
        return {name: row.get(f"{name}_{what}") for name in CHANNELS if _has(row, name)}

    return RecordRow(
        node=tags["node"],
        seq=int(row["seq"]),
        first=int(row["first"]),
        start_ms=int(row["start_ms"]),
        end_ms=int(row["time"]),
        span_ms=int(row["span_ms"]),
        dur_ms=int(row["dur_ms"]),
        clock=CLOCKS[int(row["clock"])],
        state=STATES[int(row["state"])],
        mean=values("mean"),
        min=values("min"),
        max=values("max"),
        totals={name: int(row[name]) for name in TOTALS if row.get(name) is not None},
        faults={name: FAULTS[int(row[f"{name}_fault"]) - 1] for name in CHANNELS if row.get(f"{name}_fault")},
    )


def _has(row: dict[str, Any], name: str) -> bool:
    return any(row.get(f"{name}_{what}") is not None for what in ("mean", "min", "max", "fault"))
