"""A battery's resistance from the steps of its current: a kettle goes on, the voltage falls."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.figure import Figure
from wheelpit.plant.precision import EXACT, precision_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wheelpit.plant.description import Plant
    from wheelpit.store.reading import Reading

    Floats = NDArray[np.float64]

_LEAST_STEPS: Final = 5
_LEAST_A: Final = 3.0
_LEAST_RATE: Final = 40.0  # a step of the capacity over so many hours is large enough
_STEADY: Final = 0.15  # before and after a step the current moves by less than this share of it
_LONGEST_MS: Final = 60_000
_MAD: Final = 1.4826  # median deviation of a normal distribution to its standard deviation
_MEDIAN: Final = 1.2533  # how much less sure a median is than a mean


def resistance_of_steps(
    volts: Floats, amps: Floats, together: NDArray[np.bool_], least_a: float
) -> Figure | None:
    """Return the resistance that steps of current show, or None where there are too few.

    A record that a step falls into holds a mean of before and after: it is left out, and the ones beside it compared.
    What is seen is the resistance after some ten seconds, with what polarises in that time.

    Args:
        volts: Mean voltage of each record [V].
        amps: Mean current into the battery of each [A].
        together: Whether each record follows the one before it at once.
        least_a: The least step that counts [A].

    """
    if volts.size < 4:  # noqa: PLR2004 - two before a step and two after
        return None
    # Records i, i+1 before, i+2 holds the step, i+3, i+4 after.
    step = amps[3:-1] - amps[1:-3]
    joined = together[1:-3] & together[2:-2] & together[3:-1] & together[4:]
    steady = (np.abs(amps[1:-3] - amps[:-4]) < _STEADY * np.abs(step)) & (
        np.abs(amps[4:] - amps[3:-1]) < _STEADY * np.abs(step)
    )
    with np.errstate(invalid="ignore"):
        chosen = joined & steady & (np.abs(step) >= least_a)
    ohms = (volts[3:-1] - volts[1:-3])[chosen] / step[chosen]
    ohms = ohms[np.isfinite(ohms)]
    if ohms.size < _LEAST_STEPS:
        return None
    middle = float(np.median(ohms))
    spread = _MAD * float(np.median(np.abs(ohms - middle)))
    return Figure(
        value=middle,
        u=_MEDIAN * spread / math.sqrt(ohms.size),
        note=f"from {ohms.size} steps of {least_a:.1f} A or more, as seen about ten seconds after each",
    )


def step_resistance(reader: Reading, site: str, plant: Plant, from_ms: int, to_ms: int) -> Figure | None:
    """Return a battery's resistance [ohm] from the records of a time, with the sensors' share in its uncertainty."""
    least_a = max(_LEAST_A, plant.battery.capacity_ah / _LEAST_RATE)
    wanted = (("battery_v", "mean"), ("battery_a", "mean"))
    blocks = [
        (block.start_ms, block.end_ms, block.values[wanted[0]], block.values[wanted[1]])
        for block in reader.record_columns(site, from_ms, to_ms, totals=(), values=wanted)
        if all(name in block.values for name in wanted)
    ]
    if not blocks:
        return None
    start, end, volts, amps = (np.concatenate(columns) for columns in zip(*blocks, strict=True))
    together = np.zeros(start.size, bool)
    together[1:] = (start[1:] - end[:-1] == 0) & (end[1:] - start[1:] <= _LONGEST_MS)
    found = resistance_of_steps(volts, amps, together, least_a)
    if found is None:
        return None
    sensors = [plant.sensor(channel) for channel in ("battery_v", "battery_a")]
    gains = [(EXACT if sensor is None else precision_of(sensor)).gain_u for sensor in sensors]
    return Figure(value=found.value, u=math.hypot(found.u, found.value * math.hypot(*gains)), note=found.note)
