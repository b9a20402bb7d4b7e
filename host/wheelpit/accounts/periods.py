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
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wheelpit.accounts.uncertainty import Trust, Trusts
    from wheelpit.store.columns import BucketColumns, DayColumns
    from wheelpit.store.reading import Reading

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

_MS_PER_H: Final = 3_600_000
# Times that differ by no more than this share are the same time.
_SAME_DAY: Final = 0.002
_SAME_BUCKET: Final = 0.02
# Channels whose power is no straight line of their mean: they are read in ten minutes even over years.
_FINE: Final = ("stage_m", "shaft_nm")
_BLOCK_DAYS: Final = 92
_LOADED: Final = ("charging_ms", "turning_ms")  # what tells how long current flowed


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
    fine: dict[str, list[Floats]] = field(default_factory=lambda: defaultdict(list))

    @property
    def loaded_hours(self) -> float:
        """For how long current flowed [h]."""
        charging_ms, turning_ms = (np.array([self.totals.get(name, 0)]) for name in _LOADED)
        return float(_loaded_hours(charging_ms, turning_ms, np.array([self.hours]))[0])

    def mean(self, channel: str) -> float | None:
        """Return a channel's mean over the common time."""
        held = self.channel_hours.get(channel)
        return None if held is None or not self.hours else held / self.hours

    def add(self, days: DayColumns, rows: Whole, valid_ms: Whole) -> None:
        """Count in some whole days, of each of which so much is common."""
        hours = valid_ms / _MS_PER_H
        self.hours = _sum_on(self.hours, hours)
        for name, column in days.totals.items():
            if days.told[name][rows].any():
                self.totals[name] += int(column[rows].sum())
        for channel, mean in days.mean.items():
            known = days.valid_ms[channel][rows] > 0
            if not known.any():
                continue
            amounts = mean[rows][known] * hours[known]
            self.channel_hours[channel] = _sum_on(self.channel_hours[channel], amounts)
            if channel == "rectified_a":
                charging_ms, turning_ms = (days.total(name)[rows][known] for name in _LOADED)
                loaded = _loaded_hours(charging_ms, turning_ms, hours[known])
                for amp_hours, loaded_h in zip(amounts.tolist(), loaded.tolist(), strict=True):
                    self.square_ah += amp_hours**2 / loaded_h

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

    def column(self, name: str) -> Floats:
        """Return ten-minute means gathered under a name."""
        held = self.fine.get(name, [])
        return np.concatenate(held) if held else np.zeros(0)


def _loaded_hours(charging_ms: Whole, turning_ms: Whole, hours: Floats) -> Floats:
    """Return for how long current flowed [h]: by the charging current, else while it turned, else all the time."""
    loaded_ms = np.where(charging_ms > 0, charging_ms, turning_ms)
    found: Floats = np.where(loaded_ms > 0, np.minimum(loaded_ms / _MS_PER_H, hours), hours)
    return found


def gather(reader: Reading, site: str, days: DayColumns, trusts: Trusts) -> list[Gathered]:
    """Return what was measured on some days, one entry for each plant that there was in that time.

    A day on which the plant was changed belongs to neither of the two and is left out.

    Args:
        reader: The ledger.
        site: The site's id.
        days: The days.
        trusts: The plant's history.

    """
    size = len(days.days)
    stretch, last = (trusts.places(at_ms) for at_ms in (days.start_ms, days.end_ms - 1))
    found = {number: Gathered(trusts[number]) for number in np.unique(stretch[stretch == last]).tolist()}
    common_ms, whole, inside = np.zeros(size, np.int64), np.zeros(size, bool), np.zeros(size, bool)
    for number, held in found.items():
        rows = np.flatnonzero((stretch == number) & (last == number))
        names, fine = _times(held.trust.plant.channels)
        times = [days.total(name)[rows] for name in names] + [
            days.measured(channel)[rows] for channel in fine
        ]
        if not times:
            continue
        longest, least = np.max(times, axis=0), np.min(times, axis=0)
        some = longest > 0
        alike = some & (longest - least <= _SAME_DAY * longest) & (not fine)
        common_ms[rows], whole[rows], inside[rows] = longest, alike, some & ~alike
    # Ten minutes are read for a block of days at a time; whole days need no blocks.
    blocks = np.unique(np.flatnonzero(inside) // _BLOCK_DAYS)
    done = 0
    for upto in (*np.minimum((blocks + 1) * _BLOCK_DAYS, size).tolist(), size):
        part = np.arange(done, upto)
        for number, held in found.items():
            rows = part[whole[part] & (stretch[part] == number)]
            held.add(days, rows, common_ms[rows])
        rows = part[inside[part]]
        _look_inside(reader, site, days, rows, [found[number] for number in stretch[rows].tolist()])
        done = upto
    return list(found.values())


def _look_inside(
    reader: Reading, site: str, days: DayColumns, rows: Whole, helds: Sequence[Gathered]
) -> None:
    """Count in those ten minutes of some days in which everything was measured."""
    if not rows.size:
        return
    names = tuple(sorted(name for name, told in days.told.items() if told[rows].any()))
    channels = tuple(sorted(name for name, valid_ms in days.valid_ms.items() if valid_ms[rows].any()))
    from_ms, to_ms = int(days.start_ms[rows[0]]), int(days.end_ms[rows[-1]])
    columns = reader.bucket_columns(site, from_ms, to_ms, names, channels)
    begins, ends = (
        np.searchsorted(columns.start_ms, at[rows]).tolist() for at in (days.start_ms, days.end_ms)
    )
    for held, begin, end in zip(helds, begins, ends, strict=True):
        held.add_buckets(columns, begin, end, held.trust.plant.channels)


def _sum_on(start: float, amounts: Floats) -> float:
    """Return a sum carried on, one amount after the other: years in one piece give the digits that they give in parts."""
    return float(np.cumsum(np.concatenate(([start], amounts)))[-1])


def _times(channels: frozenset[str]) -> tuple[list[str], list[str]]:
    """Return which totals and which channels tell how long what a plant has sensors for was measured."""
    names = [
        f"{pair}_valid_ms" for pair, (volts, amps) in PAIRS.items() if volts in channels and amps in channels
    ]
    if "wheel_rpm" in channels:
        names.append("wheel_valid_ms")
    return names, [channel for channel in _FINE if channel in channels]


def _bucket_times(columns: BucketColumns, begin: int, end: int, channels: frozenset[str]) -> Whole:
    names, fine = _times(channels)
    none = np.zeros(columns.start_ms.size, np.int64)
    held = [columns.totals.get(name, none) for name in names] + [
        columns.valid_ms.get(name, none) for name in fine
    ]
    return np.array([column[begin:end] for column in held or [none]])
