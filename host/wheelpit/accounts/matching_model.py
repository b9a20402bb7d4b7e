"""A plant's description corrected by what was measured: the wheel's curve and the generator's line, with how sure they are.

A description is measured with a tape, read off labels and guessed. Each of its figures may be off by a usual share; what
the season shows (speed, voltage and power at each flow, or a load test) narrows that down, figure by figure, as far as
it can. What it cannot tell stays as unsure as it was, and shows in the interval of whatever is predicted.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from wheelpit.plant.chain import RPM, chain_of
from wheelpit.plant.operating import OperatingPoint, operating_point
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from wheelpit.plant.description import Plant

    Floats = NDArray[np.float64]

# How far a described figure is usually off: as a share, standard deviation ...
_SHARES: Final[tuple[tuple[str, str, float], ...]] = (
    ("wheel", "bucket_l", 0.05),
    ("wheel", "bucket_radius_m", 0.015),
    ("wheel", "entry_fall_m", 0.12),
    ("wheel", "entry_share", 0.05),
    ("wheel", "bearing_nm", 0.25),
    ("wheel", "bearing_nm_s2", 0.4),
    ("belt", "pulley_diameter_m", 0.01),
    ("belt", "loss_nm", 0.25),
    ("belt", "loss_per_nm", 0.2),
    ("alternator", "v_per_rpm", 0.03),
    ("alternator", "resistance_ohm", 0.05),
    ("alternator", "inductance_h", 0.12),
    ("alternator", "iron_nm", 0.2),
    ("alternator", "diode_v", 0.08),
    ("converter", "a_per_v", 0.12),
    ("converter", "output_limit_a", 0.04),
)
# ... and in its own unit.
_PLUS: Final[tuple[tuple[str, str, float], ...]] = (
    ("wheel", "entry_deg", 2.0),
    ("wheel", "spill_deg", 3.0),
    ("wheel", "empty_deg", 2.0),
    ("converter", "start_v", 0.25),
    ("converter", "efficiency", 0.015),
)
_STAGE_M: Final = 0.001  # zero of the level
_POWER_GAIN: Final = 0.006
_VOLTS_GAIN: Final = 0.008
_LEAST_DEPTH_M: Final = 0.03
_RPM_U: Final = 0.004
_POWER_U: Final = 0.01
_VOLTS_U: Final = 0.008
_LOAD_U: Final = 0.03
_FLOW_PRIOR: Final = 0.5  # of the flow of a load test that nobody gauged, in logarithms
_GAUGED_U: Final = 0.05  # of one that somebody did
_STEP: Final = 0.5  # of a standard deviation, for differences


class LoadTest(NamedTuple):
    """Three or more loads at one steady flow: speeds [rpm], powers at the wheel's shaft [W], the flow if gauged [L/s]."""

    wheel_rpm: tuple[float, ...]
    shaft_w: tuple[float, ...]
    flow_l_s: float | None = None


@dataclass(frozen=True, slots=True)
class Observed:
    """What the season shows at some flows: not-a-number where it does not.

    Attributes:
        flow_l_s: Flows by the weir [L/s].
        stage_m: The levels there [m].
        rpm: Wheel speed [rpm].
        power_w: Power given [W].
        volts: Voltage after the bridge [V].

    """

    flow_l_s: Floats
    stage_m: Floats
    rpm: Floats
    power_w: Floats
    volts: Floats


class Table(NamedTuple):
    """What a plant does at each of some flows: power given [W], wheel speed [rpm], voltage [V]; nothing settles: 0."""

    power_w: Floats
    rpm: Floats
    volts: Floats


def table(plant: Plant, flows_l_s: Floats) -> Table:
    """Return what a plant does at some flows."""
    rows = np.zeros((3, flows_l_s.size))
    for place, flow in enumerate(flows_l_s.tolist()):
        point = operating_point(plant, flow)
        if isinstance(point, OperatingPoint):
            rows[:, place] = point.battery_w, point.wheel_rpm, point.rectified_v
    return Table(*rows)


def _names(plant: Plant) -> list[tuple[str, str, float, bool]]:
    """Return the figures that may be off: table, key, how far, and whether that is a share."""
    told = [(part, key, sd, True) for part, key, sd in _SHARES] + [
        (part, key, sd, False) for part, key, sd in _PLUS
    ]
    return [item for item in told if getattr(getattr(plant, item[0]), item[1], None)]


def shifted(plant: Plant, off: Floats) -> Plant:
    """Return a plant whose figures are off by so many standard deviations each."""
    parts: dict[str, dict[str, float]] = {}
    for (part, key, sd, share), by in zip(_names(plant), off.tolist(), strict=True):
        if by:
            value = getattr(getattr(plant, part), key)
            parts.setdefault(part, {})[key] = value * math.exp(sd * by) if share else value + sd * by
    changed: dict[str, object] = {}
    for part, values in parts.items():
        if "start_v" in values:
            values["stop_v"] = plant.converter.stop_v + values["start_v"] - plant.converter.start_v  # type: ignore[union-attr]
        if "efficiency" in values:
            values["efficiency"] = min(values["efficiency"], 0.99)
        if "empty_deg" in values:
            values["empty_deg"] = min(values["empty_deg"], 180.0)
        changed[part] = dataclasses.replace(getattr(plant, part), **values)
    return dataclasses.replace(plant, **changed)  # type: ignore[arg-type]


class Learned:
    """A plant as it most likely is, and how sure that is.

    `plant` is the corrected description, `flow_factor` what the weir's flows are to be multiplied by at each flow.

    Args:
        told: The plant as described.
        observed: What the season shows; None where no flow is known.
        test: A load test at one flow, if there was one.
        progress: Is told how many of how many figures have been tried.

    """

    def __init__(
        self,
        told: Plant,
        observed: Observed | None,
        test: LoadTest | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        self._told = told
        self._observed = observed
        self._test = test
        self._rating = rating_of(told)
        self._figures = len(_names(told))
        # Beside the plant's figures: the level's zero, the gains of power and voltage, the load test's flow.
        self.size = self._figures + 4
        seen, spread = self._seen()
        at = np.zeros(self.size)
        base = self._shown(at)
        slopes = np.zeros((seen.size, self.size))
        for number in range(self.size):
            if progress is not None:
                progress(number + 1, self.size)
            off = at.copy()
            off[number] = _STEP
            slopes[:, number] = (self._shown(off) - base) / _STEP
        # Bayes' rule for what is nearly straight: the prior has mean 0 and deviation 1 in every figure.
        gain = (
            slopes.T @ np.linalg.inv(slopes @ slopes.T + np.diag(spread**2))
            if seen.size
            else np.zeros((self.size, 0))
        )
        at = gain @ (seen - base)
        at = np.clip(at + gain @ (seen - self._shown(at) - (seen - base - slopes @ at)), -3.0, 3.0)
        self.off: Floats = at
        self.covariance: Floats = np.eye(self.size) - gain @ slopes
        self.plant = self.shifted(at)

    def shifted(self, off: Floats) -> Plant:
        """Return the described plant with its figures off by so many deviations."""
        return shifted(self._told, off[: self._figures])

    def flow_factor(self, stage_m: Floats, off: Floats) -> Floats:
        """Return by what the weir's flow is to be multiplied where the level's zero and the rating are off."""
        if self._rating is None:
            return np.ones(stage_m.shape)
        law = self._rating.law
        by_zero = law.exponent * _STAGE_M / np.maximum(stage_m - law.zero_m, _LEAST_DEPTH_M)
        found: Floats = np.exp(np.hypot(by_zero, self._rating.flow_u) * off[self._figures])
        return found

    def _seen(self) -> tuple[Floats, Floats]:
        """Return what was seen, in logarithms, and the standard uncertainty of each."""
        values: list[Floats] = []
        spread: list[Floats] = []
        if self._observed is not None:
            for column, u in (
                (self._observed.rpm, _RPM_U),
                (self._observed.power_w, _POWER_U),
                (self._observed.volts, _VOLTS_U),
            ):
                values.append(np.log(column))
                spread.append(np.full(column.size, u))
        if self._test is not None:
            values.append(np.log(np.array(self._test.shaft_w)))
            spread.append(np.full(len(self._test.shaft_w), _LOAD_U))
        if not values:
            return np.zeros(0), np.zeros(0)
        return np.concatenate(values), np.concatenate(spread)

    def _shown(self, off: Floats) -> Floats:
        """Return what would be seen if the figures were off by so many deviations, in logarithms."""
        plant = self.shifted(off)
        power, volts, flow = off[self._figures + 1 :].tolist()
        values: list[Floats] = []
        if self._observed is not None:
            flows = self._observed.flow_l_s * self.flow_factor(self._observed.stage_m, off)
            found = table(plant, flows)
            least = 1e-3
            values += [
                np.log(np.maximum(found.rpm, least)),
                np.log(np.maximum(found.power_w, least)) + _POWER_GAIN * power,
                np.log(np.maximum(found.volts, least)) + _VOLTS_GAIN * volts,
            ]
        if self._test is not None:
            values.append(np.log(np.maximum(_test_powers(self._test, plant, flow), 1e-3)))
        return np.concatenate(values) if values else np.zeros(0)


def _test_powers(test: LoadTest, plant: Plant, off: float) -> Floats:
    """Return the powers at the shaft that a wheel would have in a load test [W]."""
    chain = chain_of(plant)
    if test.flow_l_s is not None:
        flow = test.flow_l_s * math.exp(_GAUGED_U * off)
    else:
        # Nobody gauged it: about the middle of the wheel's range.
        middle = math.sqrt(plant.water.lowest_flow_l_s * plant.water.highest_flow_l_s)
        flow = middle * math.exp(_FLOW_PRIOR * off)
    speeds = [rpm * RPM for rpm in test.wheel_rpm]
    return np.array([max(chain.available_nm(w, flow / 1000), 0.0) * w for w in speeds])
