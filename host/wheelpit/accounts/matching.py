"""Matching: the pulley and the converter's setting that would have given most over the recorded season.

The optimum is flat, so the answer is mostly "leave it". It is never a ratio at which a wheel without its load would
drive the voltage over what the converter and the parts before it can bear, and never a pulley that nobody sells.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.baselines import curve, flow_l_s, good_rows
from wheelpit.accounts.figure import Figure
from wheelpit.accounts.held_back import held_back, left_out
from wheelpit.accounts.matching_model import Learned, LoadTest, Observed, table
from wheelpit.errors import WheelpitError
from wheelpit.plant.chain import ratio_of
from wheelpit.plant.description import FixedConverter, FoldBackConverter, NoConverter
from wheelpit.plant.operating import runaway

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from wheelpit.accounts.tenminutes import Floats, TenMinutes
    from wheelpit.plant.description import Plant

# Diameters of pulleys that are sold, mm: preferred numbers of the series R20 (ISO 3, from memory).
PULLEYS_MM: Final = (
    40.0, 45.0, 50.0, 56.0, 63.0, 71.0, 80.0, 90.0, 100.0, 112.0, 125.0, 140.0, 160.0, 180.0, 200.0, 224.0, 250.0,
    280.0, 315.0, 355.0, 400.0,
)  # fmt: skip
WORTH: Final = 0.02  # gain below which nobody should buy a pulley
_IN_HAND: Final = 0.10  # below the lowest rating, as for every limit of that side
_FURTHEST: Final = 2.0  # times the ratio of today: beyond, the wheel's curve is a guess
_NODES: Final = 14
_SEEN: Final = 7
_SETTINGS: Final = (0.5, 0.7, 1.0, 1.4, 2.0)
_STARTS: Final = (0.85, 1.0, 1.15)
_LEAST_GOOD: Final = 288
_STEP: Final = 0.5
_MODEL_U: Final = 0.004  # of a gain, whatever the ratio ...
_AWAY_U: Final = 0.03  # ... and per factor e in ratio: the wheel's own curve off the line it was driven on
_QUANTILES: Final = 200
_SPEED_U: Final = 0.03  # of the runaway speed


class MatchingError(WheelpitError):
    """There is not what a match could be found from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One pulley, or one setting.

    Attributes:
        pulley_mm: Diameter of the alternator's pulley [mm].
        ratio: Turns of the alternator per turn of the wheel.
        setting: The converter's setting, in words; empty for today's.
        gain: Energy over the season against today's, as a share; its interval for the best ones only.
        runaway_v: Voltage at the largest flow with the load lost [V].
        allowed: Whether converter and parts bear that, with a tenth in hand.

    """

    pulley_mm: float
    ratio: float
    setting: str
    gain: Figure
    runaway_v: float
    allowed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """The answer.

    Attributes:
        today: The pulley of today.
        pulleys: All pulleys that were looked at, fastest alternator first.
        best: The pulley that would have given most, of those that are allowed; today's where none gives more.
        setting: The converter's setting that would have given most with today's pulley; None where there is none.
        both: The best pulley with its best setting; None where there is no setting.
        best_of_all: The best pulley if no voltage stood against it; tells what a stouter converter would bring.
        worth: Whether the interval of the best pulley's gain lies wholly above 2 %.
        bears_v: Highest voltage allowed, a tenth below the lowest rating [V].
        hours: Hours of the season that it rests on.
        advice: The answer in words.
        basis: What the wheel's curve was learned from.

    """

    today: Choice
    pulleys: tuple[Choice, ...]
    best: Choice
    setting: Choice | None
    both: Choice | None
    best_of_all: Choice
    worth: bool
    bears_v: float
    hours: float
    advice: str
    basis: str


def match(
    ten: TenMinutes,
    plant: Plant,
    *,
    test: LoadTest | None = None,
    pulleys_mm: Sequence[float] = PULLEYS_MM,
    progress: Callable[[int, int], None] | None = None,
) -> Match:
    """Find the pulley and the converter's setting that would have given most over some rows.

    Args:
        ten: The season.
        plant: The plant as described.
        test: A load test: three loads at one flow.
        pulleys_mm: Diameters that can be had [mm]; today's is looked at in any case.
        progress: Is told how many of how many steps are done.

    Raises:
        MatchingError: No flow is known and no load test was done, or too little of the season ran well.

    """
    ten = left_out(ten, held_back(ten, plant))
    flow = flow_l_s(ten, plant)
    good = good_rows(ten)
    seen = _observed(ten, plant, flow)
    if seen is None and test is None:
        raise MatchingError(
            "the wheel's own curve is not known: it takes stage_m at a rated weir in the headrace, or a load test (three "
            "loads at one flow) by `wheelpit commission`"
        )
    if int(good.sum()) < _LEAST_GOOD:
        hours = good.sum() / 6
        msg = f"only {hours:.0f} hours of this season ran well: give two days of them at least"
        raise MatchingError(msg)
    learned = Learned(plant, seen, test, progress)
    work = _Season(ten, plant, learned, flow if seen is not None else None)
    bears_v = (1 - _IN_HAND) * min(
        plant.converter.parts_v, getattr(plant.converter, "largest_input_v", math.inf)
    )
    told = plant.belt.pulley_diameter_m * 1000
    ratio_now = ratio_of(plant)
    diameters = {told} | {
        mm for mm in pulleys_mm
        if 1 / _FURTHEST <= ratio_of(_with_pulley(plant, mm / told)) / ratio_now <= _FURTHEST
    }  # fmt: skip
    pulleys = [work.choice(mm / told, bears_v) for mm in sorted(diameters)]
    today = next(choice for choice in pulleys if choice.pulley_mm == told)
    # To leave it as it is is always a choice; whether that is safe is said in words.
    allowed = [choice for choice in pulleys if choice.allowed or choice is today]
    best = work.sure(max(allowed, key=lambda choice: choice.gain.value))
    of_all = max(pulleys, key=lambda choice: choice.gain.value)
    setting = work.best_setting(1.0, bears_v)
    both = work.best_setting(best.pulley_mm / told, bears_v)
    worth = best.pulley_mm != told and best.gain.low >= WORTH
    basis = "flow by the weir" if seen is not None else "a load test at one flow"
    return Match(
        today=today,
        pulleys=tuple(pulleys),
        best=best,
        setting=setting,
        both=both,
        best_of_all=of_all,
        worth=worth,
        bears_v=bears_v,
        hours=work.hours,
        advice=_advice(today, best, of_all, bears_v, worth=worth),
        basis=basis,
    )


def _advice(today: Choice, best: Choice, of_all: Choice, bears_v: float, *, worth: bool) -> str:
    low, high = 100 * best.gain.low, 100 * best.gain.high
    if worth:
        text = (
            f"a pulley of {best.pulley_mm:g} mm ({best.ratio:.1f}:1) would have given {100 * best.gain.value:.1f} % more "
            f"({low:.1f} to {high:.1f} %)"
        )
    elif best.pulley_mm == today.pulley_mm:
        text = "not worth a new pulley: today's is the best that can be had"
    else:
        text = (
            f"not worth a new pulley: the best, {best.pulley_mm:g} mm ({best.ratio:.1f}:1), would have given "
            f"{100 * best.gain.value:.1f} % more ({low:.1f} to {high:.1f} %)"
        )
    if not of_all.allowed and of_all.gain.value > best.gain.value + 0.005:
        text += (
            f"; {of_all.ratio:.1f}:1 would give {100 * of_all.gain.value:.1f} %, but without its load the wheel would drive "
            f"it to {of_all.runaway_v:.0f} V, and the parts bear {bears_v:.0f} V with a tenth in hand: not to be fitted"
        )
    if not today.allowed:
        text += (
            f"; as it is, a lost load drives the voltage to {today.runaway_v:.0f} V, above the {bears_v:.0f} V that the "
            "parts bear with a tenth in hand: see `wheelpit plant check`"
        )
    return text


def _with_pulley(plant: Plant, factor: float) -> Plant:
    diameter_m = plant.belt.pulley_diameter_m * factor
    return dataclasses.replace(plant, belt=dataclasses.replace(plant.belt, pulley_diameter_m=diameter_m))


def _observed(ten: TenMinutes, plant: Plant, flow: Floats) -> Observed | None:
    """Return speed, voltage and power at some flows of the season; None where no flow is known."""
    good = good_rows(ten) & np.isfinite(flow)
    if good.sum() < _LEAST_GOOD:
        return None
    at = np.percentile(flow[good], np.linspace(4, 96, _SEEN))
    at = np.minimum(at, 0.97 * plant.water.highest_flow_l_s)
    columns = []
    for values in (ten["stage_m"], ten["wheel_rpm"], ten.power_w(), ten["rectified_v"]):
        found = curve(flow, values, good)
        columns.append(np.full(at.size, np.nan) if found is None else found.at(at))
    known = np.isfinite(np.stack(columns)).all(axis=0) & np.concatenate((np.ones(1, bool), np.diff(at) > 0))
    if not known.any():
        return None
    stage, rpm, power, volts = (column[known] for column in columns)
    return Observed(at[known], stage, rpm, power, volts)


class _Season:
    """Energies over the recorded season, by learned plants."""

    def __init__(self, ten: TenMinutes, plant: Plant, learned: Learned, flow: Floats | None) -> None:
        self._told = plant
        self._learned = learned
        top = plant.water.highest_flow_l_s
        self._flows = top * np.linspace(0.08, 1.0, _NODES) ** 1.3
        # A season's rows as equally likely flows, or, where no flow is known, powers.
        if flow is not None:
            known = np.isfinite(flow)
            self._stage: Floats | None = _quantiles(ten["stage_m"][known])
            self._values = _quantiles(flow[known])
        else:
            watts = ten.power_w()
            known = np.isfinite(watts)
            self._stage = None
            self._values = _quantiles(watts[known])
        self.hours = float(known.sum()) / 6
        self._now = self._power(learned.off, lambda made: made)

    def _power(self, off: Floats, change: Callable[[Plant], Plant]) -> Floats:
        return table(change(self._learned.shifted(off)), self._flows).power_w

    def _gain(self, off: Floats, now: Floats, then: Floats) -> float:
        """Return the gain over the season of one table of powers over another."""
        top = self._flows[-1]
        if self._stage is not None:
            flows = np.minimum(self._values * self._learned.flow_factor(self._stage, off), top)
        else:
            rising = np.maximum.accumulate(now) + 1e-9 * np.arange(now.size)
            flows = np.interp(self._values, rising, self._flows)
        before = float(np.interp(flows, self._flows, now, left=0.0).sum())
        after = float(np.interp(flows, self._flows, then, left=0.0).sum())
        return after / before - 1 if before > 0 else 0.0

    def choice(self, factor: float, bears_v: float, setting: str = "", converter: object = None) -> Choice:
        """Return a choice with its most likely gain; how sure that is only `sure` tells."""
        change = _change(factor, converter)
        off = self._learned.off
        gain = self._gain(off, self._now, self._power(off, change))
        away = abs(math.log(factor))
        racing = runaway(change(self._learned.plant), self._told.water.highest_flow_l_s)
        volts = racing.open_v * (1 + _SPEED_U)
        return Choice(
            pulley_mm=self._told.belt.pulley_diameter_m * 1000 * factor,
            ratio=ratio_of(_with_pulley(self._told, factor)),
            setting=setting,
            gain=Figure(
                value=gain,
                u=math.hypot(_MODEL_U, _AWAY_U * away) if away or setting else 0.0,
                origin="modelled",
            ),
            runaway_v=racing.open_v,
            allowed=volts <= bears_v,
        )

    def sure(self, choice: Choice, converter: object = None) -> Choice:
        """Return a choice with the whole uncertainty of its gain: the model's, and of every figure that it rests on."""
        factor = choice.pulley_mm / (self._told.belt.pulley_diameter_m * 1000)
        if abs(factor - 1) < 1e-9 and not choice.setting:  # noqa: PLR2004 - today's
            return choice
        change = _change(factor, converter)
        slopes = np.zeros(self._learned.size)
        for number in range(self._learned.size):
            off = self._learned.off.copy()
            off[number] += _STEP
            now = self._power(off, lambda made: made)
            slopes[number] = (self._gain(off, now, self._power(off, change)) - choice.gain.value) / _STEP
        spread = math.sqrt(max(float(slopes @ self._learned.covariance @ slopes), 0.0))
        gain = dataclasses.replace(choice.gain, u=math.hypot(spread, choice.gain.u))
        return dataclasses.replace(choice, gain=gain)

    def best_setting(self, factor: float, bears_v: float) -> Choice | None:
        """Return the converter's setting that would have given most at a ratio; None where it has none."""
        found: list[Choice] = []
        told = self._told.converter
        if isinstance(told, FoldBackConverter):
            for share in _SETTINGS:
                for start in _STARTS:
                    words = f"{share * told.a_per_v:.2g} A per volt above {start * told.start_v:.1f} V"
                    found.append(self.choice(factor, bears_v, words, (share, start)))
        elif isinstance(told, FixedConverter):
            for share in _SETTINGS:
                words = f"limited to {share * told.output_limit_a:.2g} A"
                found.append(self.choice(factor, bears_v, words, (share, 1.0)))
        allowed = [choice for choice in found if choice.allowed]
        return max(allowed, key=lambda choice: choice.gain.value) if allowed else None


def _change(factor: float, converter: object) -> Callable[[Plant], Plant]:
    """Return what makes a plant into one with another pulley, and another setting if one is given."""

    def change(made: Plant) -> Plant:
        changed = _with_pulley(made, factor)
        if not isinstance(converter, tuple) or isinstance(made.converter, NoConverter):
            return changed
        share, start = converter
        told = made.converter
        if isinstance(told, FoldBackConverter):
            new: FoldBackConverter | FixedConverter = dataclasses.replace(
                told, a_per_v=share * told.a_per_v, start_v=start * told.start_v, stop_v=start * told.stop_v
            )
        else:
            new = dataclasses.replace(told, output_limit_a=share * told.output_limit_a)
        return dataclasses.replace(changed, converter=new)

    return change


def _quantiles(values: Floats) -> Floats:
    """Return so many equally likely values as stand for all."""
    found: Floats = np.quantile(values, (np.arange(_QUANTILES) + 0.5) / _QUANTILES)
    return found
