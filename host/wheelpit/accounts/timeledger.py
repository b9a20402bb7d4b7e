"""The time ledger: every second of a period in exactly one state, and when the wheel stopped.

It is made from the nodes' totals, so it holds where records were folded or lost; what no record covers is not measured.
From full records it is right to seconds; where those were pruned, or over years, ten-minute roll-ups stand for them.

    ledger = time_ledger(reader, "sallow-ghyll", plant, start_ms, end_ms)
    assert sum(ledger.ms.values()) == end_ms - start_ms
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.stops import STOP_TOTALS, STOP_VALUES, Stop, StopFinder
from wheelpit.accounts.timestates import CHANNELS, STATES, TOTALS, Slices, State, assign, notes_of
from wheelpit.plant.history import epochs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from wheelpit.plant.description import Plant
    from wheelpit.store.reading import Reading
    from wheelpit.store.recordcolumns import RecordColumns

    Whole = NDArray[np.int64]

_LONGEST_FINE_MS: Final = 62 * 86_400_000
_BLOCK_MS: Final = 92 * 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLedger:
    """A period's time by state.

    Attributes:
        from_ms, to_ms: the period [Unix ms].
        ms: per state of `timestates.STATES` how long [ms]; they sum to the period exactly.
        stops: when the wheel came to a stop, oldest first; None where only roll-ups were looked at.
        fine: whether it was made from full records.
        notes: what must be known to read it.

    """

    from_ms: int
    to_ms: int
    ms: dict[State, int]
    stops: tuple[Stop, ...] | None
    fine: bool
    notes: tuple[str, ...]

    @property
    def shares(self) -> dict[State, float]:
        """The same as shares of the period."""
        length = max(self.to_ms - self.from_ms, 1)
        return {state: amount / length for state, amount in self.ms.items()}


def time_ledger(
    reader: Reading,
    site: str,
    plant: Plant,
    from_ms: int,
    to_ms: int,
    *,
    fine: bool | None = None,
) -> TimeLedger:
    """Return the time ledger of a period.

    Args:
        reader: The ledger.
        site: The site's id.
        plant: The plant with its changes.
        from_ms: Where the period begins [Unix ms].
        to_ms: Where it ends.
        fine: Whether full records are read; None: for at most two months of which they are kept.

    """
    (found,) = time_ledgers(reader, site, plant, [from_ms, to_ms], fine=fine)
    return found


def time_ledgers(
    reader: Reading,
    site: str,
    plant: Plant,
    cuts_ms: list[int],
    *,
    fine: bool | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[TimeLedger]:
    """Return the time ledgers of periods that lie side by side, such as days.

    Args:
        reader: The ledger.
        site: The site's id.
        plant: The plant with its changes.
        cuts_ms: Where the periods begin and end, in order; one more than there are periods [Unix ms].
        fine: As for `time_ledger`.
        progress: Is told how far of how much time it has come [ms].

    """
    from_ms, to_ms = cuts_ms[0], cuts_ms[-1]
    if fine is None:
        short = to_ms - from_ms <= _LONGEST_FINE_MS and _one_node(plant)
        fine = short and _kept(reader, site, from_ms, to_ms)
    cuts = np.array(cuts_ms, np.int64)
    sums = np.zeros((len(STATES), len(cuts_ms) - 1), np.int64)
    finder = StopFinder(plant, from_ms, to_ms) if fine else None
    seen: set[str] = set()
    for begin in range(from_ms, to_ms, _BLOCK_MS):
        end = min(begin + _BLOCK_MS, to_ms)
        source = _records(reader, site, begin, end, finder) if fine else _buckets(reader, site, begin, end)
        for starts, ends, slices in source:
            for stretch, chosen in _of_epochs(plant, starts, ends):
                seen.update(notes_of(stretch))
                part = _chosen(slices, chosen)
                _add(sums, cuts, starts[chosen], ends[chosen], assign(part, stretch))
        if progress is not None:
            progress(end - from_ms, to_ms - from_ms)
    lengths = np.diff(cuts)
    sums[STATES.index("unmeasured")] += lengths - sums.sum(axis=0)
    stops = () if finder is None else finder.found
    return [
        TimeLedger(
            from_ms=int(cuts[place]),
            to_ms=int(cuts[place + 1]),
            ms={state: int(sums[row, place]) for row, state in enumerate(STATES)},
            stops=None
            if finder is None
            else tuple(stop for stop in stops if cuts[place] < stop.at_ms <= cuts[place + 1]),
            fine=fine,
            notes=tuple(sorted(seen)),
        )
        for place in range(len(cuts_ms) - 1)
    ]


def _kept(reader: Reading, site: str, from_ms: int, to_ms: int) -> bool:
    """Whether full records are kept from the first roll-up of a period on."""
    columns = reader.bucket_columns(site, from_ms, to_ms, ())
    if not columns.start_ms.size:
        return True
    first, end = int(columns.start_ms[0]), int(columns.end_ms[0])
    return any(block.end_ms[0] <= end for block in reader.record_columns(site, first, end, totals=()))


def _one_node(plant: Plant) -> bool:
    """Whether one node counts all that the states are made from, so that its records tell them."""
    sensors = [plant.sensor(channel) for channel in ("wheel_rpm", "charge_a", "dump_a")]
    return len({sensor.node for sensor in sensors if sensor is not None}) <= 1


def _records(
    reader: Reading, site: str, from_ms: int, to_ms: int, finder: StopFinder | None
) -> Iterator[tuple[Whole, Whole, Slices]]:
    values = sorted({*((name, "mean") for name in CHANNELS), *STOP_VALUES})
    totals = sorted({*TOTALS, *STOP_TOTALS})
    for block in reader.record_columns(site, from_ms, to_ms, totals=totals, values=values):
        if "turning_ms" not in block.totals:
            continue
        if finder is not None:
            finder.take(block, until_ms=to_ms)
        inside = (block.end_ms > from_ms) & (block.start_ms < to_ms)
        starts, ends = block.start_ms[inside], block.end_ms[inside]
        yield from _clipped(starts, ends, _of_records(block, inside), from_ms, to_ms)


def _of_records(block: RecordColumns, inside: NDArray[np.bool_]) -> Slices:
    return Slices(
        (block.end_ms - block.start_ms)[inside],
        {name: column[inside] for name, column in block.totals.items()},
        {name: column[inside] for (name, which), column in block.values.items() if which == "mean"},
    )


def _buckets(reader: Reading, site: str, from_ms: int, to_ms: int) -> Iterator[tuple[Whole, Whole, Slices]]:
    columns = reader.bucket_columns(site, from_ms, to_ms, TOTALS, CHANNELS)
    slices = Slices(columns.end_ms - columns.start_ms, columns.totals, columns.mean)
    yield from _clipped(columns.start_ms, columns.end_ms, slices, from_ms, to_ms)


def _clipped(
    starts: Whole, ends: Whole, slices: Slices, from_ms: int, to_ms: int
) -> Iterator[tuple[Whole, Whole, Slices]]:
    """Cut slices to the period, their totals in proportion to time."""
    begin, end = np.maximum(starts, from_ms), np.minimum(ends, to_ms)
    length = np.maximum(ends - starts, 1)
    kept = np.maximum(end - begin, 0)
    if (kept == ends - starts).all():
        yield starts, ends, slices
        return
    totals = {name: column * kept // length for name, column in slices.totals.items()}
    yield begin, begin + kept, Slices(kept, totals, slices.means)


def _of_epochs(plant: Plant, starts: Whole, ends: Whole) -> Iterator[tuple[Plant, NDArray[np.bool_]]]:
    """Yield each plant of the past with the slices of its time."""
    middle = (starts + ends) // 2
    for stretch in epochs(plant):
        chosen = np.ones(starts.size, bool)
        if stretch.start_ms is not None:
            chosen &= middle > stretch.start_ms
        if stretch.end_ms is not None:
            chosen &= middle <= stretch.end_ms
        if chosen.any():
            yield stretch.plant, chosen


def _chosen(slices: Slices, chosen: NDArray[np.bool_]) -> Slices:
    if chosen.all():
        return slices
    return Slices(
        slices.length_ms[chosen],
        {name: column[chosen] for name, column in slices.totals.items()},
        {name: column[chosen] for name, column in slices.means.items()},
    )


def _add(sums: Whole, cuts: Whole, starts: Whole, ends: Whole, states: Whole) -> None:
    """Add slices to the periods they lie in; one over a cut is shared out by time, the rest to the later one."""
    first = np.searchsorted(cuts, starts, "right") - 1
    last = np.searchsorted(cuts, ends, "left") - 1
    whole = (first == last) & (first >= 0) & (last < sums.shape[1])
    for row in range(len(STATES)):
        sums[row] += np.bincount(first[whole], states[row, whole], sums.shape[1]).astype(np.int64)
    for place in np.flatnonzero(~whole & (ends > starts)).tolist():
        length, given = int(ends[place] - starts[place]), np.zeros(len(STATES), np.int64)
        for period in range(max(int(first[place]), 0), min(int(last[place]), sums.shape[1] - 1) + 1):
            passed = min(int(cuts[period + 1]), int(ends[place])) - int(starts[place])
            upto = states[:, place] * passed // length
            part = upto - given
            # Whole milliseconds that rounding leaves over.
            room = min(int(cuts[period + 1]), int(ends[place])) - max(int(cuts[period]), int(starts[place]))
            part[-1] += room - int(part.sum())
            sums[:, period] += part
            given = upto
