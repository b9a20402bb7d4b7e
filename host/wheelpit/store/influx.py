"""Reads the books from a database that the ledger was forwarded to, in InfluxQL, with the ledger's own integers.

The database holds the roll-ups of each node as they stood in the ledger, so days and buckets are added up over nodes
here as the ledger's reader does it, in integers, and give the same books. Alarms, newest values and dead letters are
only in the ledger.
"""

# ruff: noqa: S608 - InfluxQL: a question holds names of ours and quoted texts

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, Literal
from zlib import crc32

from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT, TOTALS
from wheelpit.store import points
from wheelpit.store.database import InfluxQL, quoted
from wheelpit.store.days import LocalDays
from wheelpit.store.packing import CLOCKS, FAULTS, STATES, Sums, to_units
from wheelpit.store.points import BUCKET, DAY, GAP, GAP_KINDS, RECORD, SITE, UNDATED
from wheelpit.store.reader import LedgerMissing
from wheelpit.store.rows import BucketRow, ChannelStat, DayMark, DayRow, GapRow, RecordRow

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from wheelpit.store.columns import BucketColumns
    from wheelpit.store.database import Database

# A record that ends after a period may begin in it: none is believed to be longer than this.
_LONGEST_RECORD_MS: Final = 400 * 86_400_000
_BLOCK_MS: Final = 31 * 86_400_000


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
            DayRow(zone.date_of(start), start, end, *_shape(sums))
            for start, end, sums in self._merged(DAY, site, f"{since} {until}")
        ]

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
            BucketRow(start, end, *_shape(sums))
            for start, end, sums in self._merged(BUCKET, site, _reaching(from_ms, to_ms))
            if end > from_ms
        ]

    def bucket_columns(
        self, site: str, from_ms: int, to_ms: int, names: Sequence[str], channels: Sequence[str] = ()
    ) -> BucketColumns:
        """Return some totals and channels of the buckets that reach into `(from_ms, to_ms]` as columns."""
        import numpy as np  # noqa: PLC0415 - large, and not every reader needs it

        from wheelpit.store.columns import BucketColumns  # noqa: PLC0415 - the same

        wanted = ["end_ms", *names]
        for name in channels:
            wanted += [f"{name}_measured_ms", f"{name}_mean"]
        fields = ", ".join(f'"{name}"' for name in wanted)
        ends: dict[int, int] = {}
        rows: list[tuple[int, dict[str, Any]]] = []
        for at in range(from_ms, to_ms, _BLOCK_MS):
            upto = min(at + _BLOCK_MS, to_ms)
            question = f'SELECT {fields} FROM "{BUCKET}" WHERE "site" = {quoted(site)} {_reaching(at, upto)}'
            for _, row in self._asking.rows(f'{question} GROUP BY "node"'):
                # A bucket that reaches from one block into the next is in the answer of both.
                if int(row["end_ms"]) > from_ms and (at == from_ms or row["time"] >= at):
                    ends[row["time"]] = int(row["end_ms"])
                    rows.append((row["time"], row))
        starts = np.array(sorted(ends), np.int64)
        at_of = {start: place for place, start in enumerate(starts.tolist())}
        totals = {name: np.zeros(len(starts), np.int64) for name in names}
        valid_ms = {name: np.zeros(len(starts), np.int64) for name in channels}
        sums = {name: np.zeros(len(starts)) for name in channels}
        for start, row in rows:
            place = at_of[start]
            for name in names:
                totals[name][place] += int(row[name] or 0)
            for name in channels:
                measured_ms = int(row[f"{name}_measured_ms"] or 0)
                if measured_ms:
                    valid_ms[name][place] += measured_ms
                    sums[name][place] += to_units(name, points.sum_of(name, row[f"{name}_mean"], measured_ms))
        mean = {
            name: np.where(valid_ms[name] > 0, sums[name] / np.maximum(valid_ms[name], 1), np.nan)
            for name in channels
        }
        end_ms = np.array([ends[start] for start in starts.tolist()], np.int64)
        return BucketColumns(starts, end_ms, totals, valid_ms, mean)

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
        upto = to_ms + _LONGEST_RECORD_MS
        nodes = self._asking.rows(
            f'SELECT first("seq") {where} AND time > {to_ms}ms AND time <= {upto}ms GROUP BY "node"'
        )
        for tags, first in list(nodes):
            at = f'AND "node" = {quoted(tags["node"])} AND time = {first["time"]}ms GROUP BY "node", "journal", "boot"'
            found += [_record(of, row) for of, row in self._asking.rows(f"SELECT * {where} {at}")]
        found = [row for row in found if row.start_ms < to_ms]
        found.sort(key=lambda row: (row.end_ms, row.node, row.seq))
        return found

    def columns(self) -> tuple[list[str], list[str]]:
        """Return the channels and the totals that records of the database have, in the contract's order."""
        names = {row["fieldKey"] for _, row in self._asking.rows(f'SHOW FIELD KEYS FROM "{RECORD}"')}
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


def _reaching(from_ms: int, to_ms: int) -> str:
    # No bucket is longer than ten minutes; those that end too early are sorted out by their ends.
    return f"AND time > {from_ms - 600_000}ms AND time < {to_ms}ms"


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


def _shape(sums: Sums) -> tuple[int, dict[str, int], dict[str, ChannelStat], int, int]:
    channels = {
        name: ChannelStat(
            valid_ms, to_units(name, total / valid_ms), to_units(name, low), to_units(name, high)
        )
        for name, (valid_ms, total, low, high) in sums.channels.items()
    }
    return sums.span_ms, sums.totals, channels, sums.longest_ms, sums.records


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
