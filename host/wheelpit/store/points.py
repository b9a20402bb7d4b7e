"""How rows of the ledger look in a time series database: measurements, tags, fields, as InfluxDB line protocol.

A point is known by its measurement, its tags and its time, so sending it twice changes nothing. Every field is a
float: a database that once took an integer for a field refuses floats ever after, and the other way round. Integers
are exact as floats up to 2^53, and one beyond that is refused. Times are Unix milliseconds, in the fields as well.

| measurement | time | what |
|---|---|---|
| `wheelpit_record` | its end | one booked record; tags site, node, journal, boot, and `again` where one boot ended twice at one time |
| `wheelpit_bucket` | its start | the sums of ten minutes of one node |
| `wheelpit_day` | its start | the sums of a local day of one node |
| `wheelpit_gap` | when it was booked | numbers that are not stored |
| `wheelpit_undated` | when it was sent | totals of a node's records without a date |
| `wheelpit_site` | when it was sent | tags site and time_zone: how the days are cut |
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import LONGEST_SPAN_MS
from wheelpit.store.packing import PER_UNIT, to_units

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wheelpit.store.packing import Layout, Stored, Sums

RECORD: Final = "wheelpit_record"
BUCKET: Final = "wheelpit_bucket"
DAY: Final = "wheelpit_day"
GAP: Final = "wheelpit_gap"
UNDATED: Final = "wheelpit_undated"
SITE: Final = "wheelpit_site"
SUMMED: Final = (BUCKET, DAY)
MEASUREMENTS: Final = (RECORD, BUCKET, DAY, GAP, UNDATED, SITE)

EXACT: Final = 1 << 53
# A record that ends after a period may begin in it: none is believed to be longer than this.
LONGEST_RECORD_MS: Final = LONGEST_SPAN_MS
GAP_KINDS: Final[tuple[Literal["gap", "refused"], ...]] = ("gap", "refused")


def _escaped(tag: str) -> str:
    return tag.replace("\\", "\\\\").replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def number(value: float) -> str:
    """Return a number as a float field that reads back as the very same number.

    Raises:
        ValueError: an integer beyond 2^53, which a float cannot hold exactly.

    """
    if isinstance(value, int):
        if abs(value) > EXACT:
            msg = f"{value} is beyond 2^53 and cannot be kept exactly as a float"
            raise ValueError(msg)
        return f"{value}.0"
    return repr(value)


def line(measurement: str, tags: Mapping[str, str], fields: Mapping[str, float], time_ms: int) -> str:
    """Return one line; `fields` must not be empty."""
    told = "".join(f",{name}={_escaped(value)}" for name, value in tags.items() if value)
    return f"{measurement}{told} {','.join(f'{name}={number(value)}' for name, value in fields.items())} {time_ms}"


def record_line(
    layout: Layout, record: Stored, *, site: str, node: str, journal: str, end_ms: int, again: int
) -> str:
    """Return the point of a dated record.

    `again` counts the records of the same boot before it that ended at the very same millisecond: a node's clock that
    is set back may end two so. They get a tag of their own, or the second would replace the first.
    """
    fields: dict[str, float] = {
        "seq": record.seq,
        "first": record.first,
        "start_ms": record.start_ms(end_ms),
        "span_ms": record.span_ms,
        "dur_ms": record.dur_ms,
        "clock": record.clock,
        "state": record.state,
    }
    for name, mean, low, high, fault in zip(
        layout.channels, record.mean, record.low, record.high, record.faults, strict=True
    ):
        for what, value in (("mean", mean), ("min", low), ("max", high)):
            if value is not None:
                fields[f"{name}_{what}"] = to_units(name, value)
        if fault:
            fields[f"{name}_fault"] = fault
    fields |= dict(zip(layout.totals, record.totals, strict=True))
    tags = {"site": site, "node": node, "journal": journal, "boot": str(record.seq // SEQ_PER_BOOT)}
    return line(RECORD, tags | {"again": str(again) if again else ""}, fields, end_ms)


def sums_line(measurement: str, sums: Sums, *, site: str, node: str, start_ms: int, end_ms: int) -> str:
    """Return the point of a roll-up of one node."""
    fields: dict[str, float] = {
        "end_ms": end_ms,
        "covered_ms": sums.span_ms,
        "longest_record_ms": sums.longest_ms,
        "records": sums.records,
    }
    for name, (valid_ms, total, low, high) in sums.channels.items():
        fields |= {
            f"{name}_measured_ms": valid_ms,
            f"{name}_mean": to_units(name, total / valid_ms),
            f"{name}_min": to_units(name, low),
            f"{name}_max": to_units(name, high),
        }
    fields |= sums.totals
    return line(measurement, {"site": site, "node": node}, fields, start_ms)


def steps(channel: str, value: float) -> int:
    """Return a value in the channel's unit as the whole number of steps it was made from."""
    return round(value * PER_UNIT[channel])


def sum_of(channel: str, mean: float, valid_ms: int) -> int:
    """Return the sum of steps times milliseconds that a mean was made from.

    It is a whole number, and a mean carries fifteen digits of it: exact as long as the sum is below 2^50, which a day
    of 13,000 V does not reach.
    """
    return round(mean * PER_UNIT[channel] * valid_ms)
