"""What a hydrometer tells of a flooded bank: the best measure of its charge there is, and which cell is behind."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.battery_rows import Fix
from wheelpit.accounts.figure import Figure
from wheelpit.physics.battery import flooded_charge_from_gravity, gravity_at_25_degc
from wheelpit.store.logbook import HYDROMETER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.store.logbook import Entry

EQUALISE_SPREAD: Final = 0.015  # of the cells' specific gravities (US Army TM 9-6140-200-14, 4-7)
REPLACE_SPREAD: Final = 0.025  # the same source: unserviceable
HYDROMETER_U: Final = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Acid:
    """A hydrometer's reading, corrected to 25 °C.

    Attributes:
        at_ms: when [Unix ms].
        gravities: of each cell.
        spread: most less least.
        charge_pct: state of charge that it tells.
        weakest: number of the cell with the weakest acid, from 1.

    """

    at_ms: int
    gravities: tuple[float, ...]
    spread: float
    charge_pct: Figure
    weakest: int

    @property
    def advice(self) -> str:
        """What to do about it, or nothing."""
        if self.spread > REPLACE_SPREAD:
            return (
                f"cell {self.weakest} is {self.spread:.3f} below the best: beyond {REPLACE_SPREAD:.3f} it will not come "
                "back; equalise once, and replace it if it stays"
            )
        if self.spread > EQUALISE_SPREAD:
            return f"the cells differ by {self.spread:.3f}, more than {EQUALISE_SPREAD:.3f}: equalise, with air and goggles"
        return ""


def acid_of(entry: Entry) -> Acid:
    """Return what a hydrometer's entry tells; without a temperature it is taken as read.

    Raises:
        ValueError: The entry has no gravities.

    """
    if not entry.gravities:
        msg = f"entry {entry.number} of the logbook has no specific gravities"
        raise ValueError(msg)
    at = tuple(
        gravity if entry.degc is None else gravity_at_25_degc(gravity, entry.degc)
        for gravity in entry.gravities
    )
    mean = math.fsum(at) / len(at)
    note = "" if entry.degc is not None else "the acid's temperature was not written down: taken as 25 °C"
    pct = Figure(value=100 * flooded_charge_from_gravity(mean), u=100 * HYDROMETER_U, note=note)
    return Acid(
        at_ms=entry.from_ms,
        gravities=at,
        spread=max(at) - min(at),
        charge_pct=pct,
        weakest=at.index(min(at)) + 1,
    )


def fixes_of(entries: Sequence[Entry]) -> list[Fix]:
    """Return the sure points that hydrometer entries give, oldest first."""
    acids = sorted(
        (acid_of(entry) for entry in entries if entry.kind == HYDROMETER), key=lambda acid: acid.at_ms
    )
    return [Fix(acid.at_ms, acid.charge_pct.value / 100, HYDROMETER_U) for acid in acids]
