"""A battery's history as columns, from the ledger's ten-minute roll-ups, and what is believed of a bank before."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wheelpit.plant.description import Plant
    from wheelpit.store.reading import Reading

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

MS_PER_H: Final = 3_600_000.0
_AS_PER_AH: Final = 3_600_000.0  # a total counts milliampere seconds
_TOTALS: Final = (
    "battery_in_mas",
    "battery_out_mas",
    "battery_in_mwh",
    "battery_out_mwh",
    "battery_valid_ms",
)
_CHARGE_TOTALS: Final = ("charge_mas", "charge_mwh", "charge_valid_ms")


@dataclass(frozen=True, slots=True, kw_only=True)
class Beliefs:
    """What is believed of a bank before it is watched. Shares are of the capacity or, with `_u`, of the value.

    Attributes:
        capacity_ah: what its label says [Ah].
        capacity_u: its standard uncertainty [share]; a bank is rarely what its label says.
        efficiency: charge given back per charge put in, short of gassing [-].
        efficiency_u: its standard uncertainty [-].
        gassing: the same above the gassing voltage [-].
        gassing_u: its standard uncertainty [-].
        self_per_day: share of the capacity that it loses by itself in a day at 25 °C; doubles with every 10 °C [-].
        self_u: its standard uncertainty [share].
        peukert: Peukert's exponent [-].

    """

    capacity_ah: float
    capacity_u: float = 0.08
    efficiency: float = 0.95
    efficiency_u: float = 0.03
    gassing: float = 0.8
    gassing_u: float = 0.1
    self_per_day: float = 0.003
    self_u: float = 0.6
    peukert: float = 1.15


# By chemistry; common practice, no source, but for the self-discharge of flooded cells (US Army TM 5-1185 has 0.7 % a day
# for old, antimonial ones).
_USUAL: Final = {
    "flooded": {"efficiency": 0.95, "self_per_day": 0.003, "peukert": 1.2},
    "sealed": {"efficiency": 0.97, "self_per_day": 0.001, "peukert": 1.15},
    "lfp": {
        "efficiency": 0.995,
        "efficiency_u": 0.005,
        "gassing": 0.995,
        "gassing_u": 0.01,
        "self_per_day": 0.001,
        "peukert": 1.03,
    },
}


def beliefs_of(plant: Plant) -> Beliefs:
    """Return what is believed of a plant's bank."""
    return Beliefs(capacity_ah=plant.battery.capacity_ah, **_USUAL[plant.battery.chemistry])


@dataclass(frozen=True, slots=True)
class BatteryRows:
    """A battery's history, row by row in order of time; row i covers `(start_ms[i], end_ms[i]]`.

    Attributes:
        start_ms, end_ms: the interval [Unix ms].
        volts: mean voltage [V], not-a-number where it was not measured.
        in_ah, out_ah: charge into and out of the battery [Ah].
        in_wh, out_wh: energy into and out of it [Wh].
        valid_ms: how long its current was measured in the row.
        degc: mean temperature [°C], not-a-number where it was not measured.

    """

    start_ms: Whole
    end_ms: Whole
    volts: Floats
    in_ah: Floats
    out_ah: Floats
    in_wh: Floats
    out_wh: Floats
    valid_ms: Whole
    degc: Floats

    @property
    def size(self) -> int:
        """How many rows there are."""
        return int(self.start_ms.size)


@dataclass(frozen=True, slots=True)
class Fix:
    """A sure point from outside, such as a hydrometer: when [Unix ms], state of charge and its u [share]."""

    at_ms: int
    share: float
    u: float


@dataclass(slots=True)
class Course:
    """The state of charge at the end of each row [share], and its standard uncertainty; not-a-number while unknown.

    Attributes:
        share, u: by row.
        fulls: when it was newly seen full [Unix ms].
        rests: when it was found at rest.
        efficiency, efficiency_u: charge efficiency as it is known at the end.
        cycles_learned: from how many fulls it was learned; 0: it is what is usual.
        capacity_ah, capacity_u: capacity as it is known at the end [Ah], and its standard uncertainty [share].
        capacities_learned: from how many ways from full to empty it was learned; 0: it is the label's.
        anchor_ms: the newest sure point of any kind, None without one.
        last_full_ms: the last moment at which it was full, None if never.
        sure_ms: by row the newest moment at which it was full or measured by a hydrometer [Unix ms]; 0 if never.

    """

    share: Floats
    u: Floats
    sure_ms: Whole
    fulls: list[int] = field(default_factory=list)
    rests: list[int] = field(default_factory=list)
    efficiency: float = 0.0
    efficiency_u: float = 0.0
    cycles_learned: int = 0
    capacity_ah: float = 0.0
    capacity_u: float = 0.0
    capacities_learned: int = 0
    anchor_ms: int | None = None
    last_full_ms: int | None = None


def battery_rows(reader: Reading, site: str, from_ms: int, to_ms: int) -> BatteryRows:
    """Read what flowed into and out of a site's battery, from `battery_a` and `battery_v`."""
    columns = reader.bucket_columns(site, from_ms, to_ms, _TOTALS, ("battery_v", "battery_degc"))
    totals = columns.totals
    return BatteryRows(
        start_ms=columns.start_ms,
        end_ms=columns.end_ms,
        volts=columns.mean["battery_v"],
        in_ah=totals["battery_in_mas"] / _AS_PER_AH,
        out_ah=totals["battery_out_mas"] / _AS_PER_AH,
        in_wh=totals["battery_in_mwh"] / 1000.0,
        out_wh=totals["battery_out_mwh"] / 1000.0,
        valid_ms=np.minimum(totals["battery_valid_ms"], columns.end_ms - columns.start_ms),
        degc=columns.mean["battery_degc"],
    )


def charge_rows(reader: Reading, site: str, from_ms: int, to_ms: int) -> BatteryRows:
    """Read what `charge_a` brought to the battery node: no state of charge follows, what the loads took is not in it."""
    columns = reader.bucket_columns(site, from_ms, to_ms, _CHARGE_TOTALS, ("battery_v", "battery_degc"))
    totals, none = columns.totals, np.zeros(columns.start_ms.size)
    return BatteryRows(
        start_ms=columns.start_ms,
        end_ms=columns.end_ms,
        volts=columns.mean["battery_v"],
        in_ah=totals["charge_mas"] / _AS_PER_AH,
        out_ah=none,
        in_wh=totals["charge_mwh"] / 1000.0,
        out_wh=none,
        valid_ms=np.minimum(totals["charge_valid_ms"], columns.end_ms - columns.start_ms),
        degc=columns.mean["battery_degc"],
    )


def newest(rows: BatteryRows, to_ms: int) -> tuple[float | None, float | None, float | None]:
    """Return the newest voltage, current and temperature, where they are of the last half hour."""
    here = np.flatnonzero((rows.end_ms > to_ms - 0.5 * MS_PER_H) & (rows.valid_ms > 0))
    if not here.size:
        return None, None, None
    last = int(here[-1])
    amps = (rows.in_ah[last] - rows.out_ah[last]) * MS_PER_H / rows.valid_ms[last]
    volts, degc = float(rows.volts[last]), float(rows.degc[last])
    return (None if math.isnan(volts) else volts), float(amps), (None if math.isnan(degc) else degc)
