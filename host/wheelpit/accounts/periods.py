"""What was measured over a period, gathered for the time in which all of it was measured together.

Day by day, by the plant of that day. Where a day's channels were measured for the same time its totals are taken as they
are; else only those of its ten-minute roll-ups in which they were.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.contract.names import PAIRS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from wheelpit.accounts.uncertainty import Trust, Trusts
    from wheelpit.store.columns import BucketColumns
    from wheelpit.store.reading import Reading
    from wheelpit.store.rows import DayRow

_MS_PER_H: Final = 3_600_000
# Times that differ by no more than this share are the same time.
_SAME_DAY: Final = 0.002
_SAME_BUCKET: Final = 0.02
# Channels whose power is no straight line of their mean: they are read in ten minutes even over years.
_FINE: Final = ("stage_m", "shaft_nm")
_BLOCK_DAYS: Final = 92


@dataclass(slots=True)
class Gathered:
    """What one plant did in the time that counts.

    Attributes:
        trust: how sure its sensors were, and the plant itself.
        hours: the common time [h].
        totals: sums of the totals; energies in mWh.
        channel_hours: per channel the integral of its mean over the common time [its unit times h].
        square_ah: integral of the squared mean current behind the bridge [A2 h]; of whole days over the time in which current flowed.
        fine: per channel the ten-minute means, and their hours, where the plant has channels that need them.

    """

    trust: Trust
    hours: float = 0.0
    totals: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    channel_hours: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    square_ah: float = 0.0
    fine: dict[str, list[NDArray[np.float64]]] = field(default_factory=lambda: defaultdict(list))

    def mean(self, channel: str) -> float | None:
        """Return a channel's mean over the common time."""
        held = self.channel_hours.get(channel)
        return None if held is None or not self.hours else held / self.hours

    def add(self, day: DayRow, valid_ms: int) -> None:
        """Count a whole day in, of which so much is common."""
        hours = valid_ms / _MS_PER_H
        self.hours += hours
        for name, amount in day.totals.items():
            self.totals[name] += amount
        for channel, stat in day.channels.items():
            self.channel_hours[channel] += stat.mean * hours
        amps = day.channels.get("rectified_a")
        if amps is not None:
            self.square_ah += (amps.mean * hours) ** 2 / loaded_hours(day.totals, hours)

    def add_buckets(self, columns: BucketColumns, begin: int, end: int, channels: frozenset[str]) -> None:
        """Count in those ten minutes from `begin` to `end` in which everything was measured."""
        times = _bucket_times(columns, begin, end, channels)
        longest = times.max(axis=0)
        same = (longest > 0) & (longest - times.min(axis=0) <= _SAME_BUCKET * longest)
        hours = longest[same] / _MS_PER_H
        self.hours += float(hours.sum())
        for name, column in columns.totals.items():
            self.totals[name] += int(column[begin:end][same].sum())
        for channel, mean in columns.mean.items():
            means = mean[begin:end][same]
            self.channel_hours[channel] += float(np.nansum(means * hours))
            if channel == "rectified_a":
                self.square_ah += float(np.nansum(means * means * hours))
            if channel in (*_FINE, "wheel_rpm"):
                self.fine[channel].append(means)
        self.fine["hours"].append(hours)

    def column(self, name: str) -> NDArray[np.float64]:
        """Return ten-minute means gathered under a name."""
        held = self.fine.get(name, [])
        return np.concatenate(held) if held else np.zeros(0)


def loaded_hours(totals: Mapping[str, int], hours: float) -> float:
    """Return for how long current flowed [h]: by the charging current, else while it turned, else all the time."""
    for name in ("charging_ms", "turning_ms"):
        if totals.get(name, 0) > 0:
            return min(totals[name] / _MS_PER_H, hours)
    return hours


def gather(reader: Reading, site: str, rows: Sequence[DayRow], trusts: Trusts) -> list[Gathered]:
    """Return what was measured on some days, one entry for each plant that there was in that time.

    A day on which the plant was changed belongs to neither of the two and is left out.

    Args:
        reader: The ledger.
        site: The site's id.
        rows: The days.
        trusts: The plant's history.

    """
    found: dict[int, Gathered] = {}
    told: dict[int, tuple[list[str], list[str]]] = {}
    for at in range(0, len(rows), _BLOCK_DAYS):
        block = rows[at : at + _BLOCK_DAYS]
        inside: list[tuple[DayRow, Gathered]] = []
        for row in block:
            trust = trusts.at(row.start_ms)
            if trust is not trusts.at(row.end_ms - 1):
                continue
            held = found.get(id(trust))
            if held is None:
                held = found[id(trust)] = Gathered(trust)
                told[id(trust)] = _times(trust.plant.channels)
            names, fine = told[id(trust)]
            valid = _valid_times(row, names, fine)
            if not valid or not max(valid):
                continue
            if not fine and max(valid) - min(valid) <= _SAME_DAY * max(valid):
                held.add(row, max(valid))
            else:
                inside.append((row, held))
        _look_inside(reader, site, inside)
    return list(found.values())


def _look_inside(reader: Reading, site: str, days: Sequence[tuple[DayRow, Gathered]]) -> None:
    """Count in those ten minutes of some days in which everything was measured."""
    if not days:
        return
    names = tuple(sorted({name for row, _ in days for name in row.totals}))
    channels = tuple(sorted({name for row, _ in days for name in row.channels}))
    columns = reader.bucket_columns(site, days[0][0].start_ms, days[-1][0].end_ms, names, channels)
    for row, held in days:
        begin, end = np.searchsorted(columns.start_ms, [row.start_ms, row.end_ms])
        held.add_buckets(columns, int(begin), int(end), held.trust.plant.channels)


def _times(channels: frozenset[str]) -> tuple[list[str], list[str]]:
    """Return which totals and which channels tell how long what a plant has sensors for was measured."""
    names = [
        f"{pair}_valid_ms" for pair, (volts, amps) in PAIRS.items() if volts in channels and amps in channels
    ]
    if "wheel_rpm" in channels:
        names.append("wheel_valid_ms")
    return names, [channel for channel in _FINE if channel in channels]


def _valid_times(row: DayRow, names: list[str], fine: list[str]) -> list[int]:
    stats = [row.channels.get(channel) for channel in fine]
    return [
        *(row.totals.get(name, 0) for name in names),
        *(0 if stat is None else stat.valid_ms for stat in stats),
    ]


def _bucket_times(
    columns: BucketColumns, begin: int, end: int, channels: frozenset[str]
) -> NDArray[np.int64]:
    names, fine = _times(channels)
    none = np.zeros(columns.start_ms.size, np.int64)
    held = [columns.totals.get(name, none) for name in names] + [
        columns.valid_ms.get(name, none) for name in fine
    ]
    return np.array([column[begin:end] for column in held or [none]])
