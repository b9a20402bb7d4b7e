"""Alternator windings, bridge, smoothing capacitor and converter.

The bridge's voltage at a current is the mean of six pulses, less overlap, diodes and copper; below the current at
which the inductance no longer bridges the gaps between pulses it rises to their peak, which is what the capacitor
charges to when nothing is drawn. Overlap lowers voltage and torque alike and is no loss. The capacitor's few
milliseconds are stepped implicitly, so a step may be longer than they are.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.physics.alternator import PEAK_PER_MEAN
from wheelpit.plant.description import DividerSensor, FoldBackConverter
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from wheelpit.physics.alternator import BridgedAlternator
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

_RIPPLE: Final = 2 / 35  # amplitude of the first harmonic of six-pulse rectified voltage, over its mean
_LEAST_EVEN_A: Final = 0.001  # of an alternator without inductance
_TRIES: Final = 12
_CLOSE_A: Final = 1e-9


class BusModel:
    """State and step of the rectified side: capacitor voltage [V], bridge current [A], converter.

    Args:
        plant: The plant; its converter must be a fold-back one without a voltage limit.
        alternator: Its alternator in SI units.
        assumptions: The twin's own figures.

    Raises:
        UnmodelledError: The converter is of another kind.
    """

    def __init__(self, plant: Plant, alternator: BridgedAlternator, assumptions: Assumptions) -> None:
        converter = plant.converter
        if not isinstance(converter, FoldBackConverter):
            raise UnmodelledError(
                [
                    f'converter.kind = "{converter.kind}": the twin models "fold-back" only; use that to try the rest'
                ]
            )
        if converter.output_limit_v is not None:
            problem = (
                f"converter.output_limit_v = {converter.output_limit_v:g}: the twin models no such limit"
            )
            raise UnmodelledError([f"{problem}; leave it out to try the rest"])
        self._v_s = alternator.mean_v_s_rad
        self._copper_ohm = 2 * alternator.resistance_ohm
        self._overlap_ohm_s = 3 / math.pi * alternator.pole_pairs * alternator.inductance_h
        self._diodes_v = 2 * alternator.diode_v
        # Amplitude of the ripple current through two phases: below it the current comes in separate pulses.
        ripple_ohm_s = 6 * alternator.pole_pairs * 2 * alternator.inductance_h
        self._even_a = _RIPPLE * self._v_s / ripple_ohm_s if ripple_ohm_s else _LEAST_EVEN_A
        divider = plant.sensor("rectified_v")
        bleed_ohm = assumptions.bleed_ohm
        if isinstance(divider, DividerSensor):
            bleed_ohm = divider.upper_ohm + divider.lower_ohm
        self._bleed_s = 1 / bleed_ohm
        self._capacitor_f = assumptions.capacitor_f
        clamp_v = plant.protection.clamp_v
        self._clamp_v = math.inf if clamp_v is None else clamp_v
        self._clamp_s = assumptions.clamp_s
        self._start_v = converter.start_v
        self._stop_v = converter.stop_v
        self._a_per_v = converter.a_per_v
        self._efficiency = converter.efficiency
        self._output_limit_a = converter.output_limit_a
        self.rectified_v = 0.0
        self.rectified_a = 0.0
        self.shown_v = 0.0
        self.charge_w = 0.0
        self.runs = False
        self.dead = False
        self.copper_j = self.diode_j = self.bleed_j = self.clamp_j = 0.0
        self.rectified_j = self.converter_j = 0.0

    @property
    def capacitor_j(self) -> float:
        """Energy in the smoothing capacitor [J]."""
        return 0.5 * self._capacitor_f * self.rectified_v**2

    def advance(self, dt: float, alternator_rad_s: float, battery_v: float) -> float:
        """Go one step and return the torque of the currents at the alternator's shaft [N m].

        Args:
            dt: Length of the step [s].
            alternator_rad_s: Speed of the alternator [rad/s].
            battery_v: Battery voltage, for the converter's output limit [V].
        """
        before = self.rectified_v
        if self.dead or before < self._stop_v:
            self.runs = False
        elif before >= self._start_v:
            self.runs = True
        bridge_a, taken_a, clamp_a, bleed_a = self._currents(dt, alternator_rad_s, battery_v)
        volts = before + (bridge_a - taken_a - clamp_a - bleed_a) * dt / self._capacitor_f
        shown_v = 0.5 * (before + volts)

        rectified_w = shown_v * bridge_a
        diode_w = self._diodes_v * bridge_a
        copper_w = self._copper_ohm * bridge_a * bridge_a
        taken_w = shown_v * taken_a
        charge_w = self._efficiency * taken_w
        self.rectified_j += rectified_w * dt
        self.diode_j += diode_w * dt
        self.copper_j += copper_w * dt
        self.bleed_j += shown_v * bleed_a * dt
        self.clamp_j += shown_v * clamp_a * dt
        self.converter_j += (taken_w - charge_w) * dt
        self.rectified_v = volts
        self.rectified_a = bridge_a
        self.shown_v = shown_v
        self.charge_w = charge_w
        return (rectified_w + diode_w + copper_w) / alternator_rad_s if bridge_a > 0 else 0.0

    def _currents(
        self, dt: float, alternator_rad_s: float, battery_v: float
    ) -> tuple[float, float, float, float]:
        """Return the currents of bridge, converter, clamp and divider at the end of a step [A] (backward Euler).

        The voltage is searched at which they fill the capacitor just so far. All but the output limit are
        straight lines joined, so that Newton's steps end within a few.
        """
        before = self.rectified_v
        mean_v = self._v_s * alternator_rad_s
        peak_v = PEAK_PER_MEAN * mean_v - self._diodes_v
        ohm = self._copper_ohm + self._overlap_ohm_s * alternator_rad_s
        # In separate pulses the voltage falls faster with the current, from the peak to the even line.
        pulsed_ohm = ohm + (PEAK_PER_MEAN - 1) * mean_v / self._even_a
        pulsed_v = peak_v - pulsed_ohm * self._even_a
        start_v = self._start_v if self.runs else math.inf
        largest_a = self._output_limit_a * battery_v / (self._efficiency * max(before, self._stop_v))
        capacitor_s = self._capacitor_f / dt
        volts = before
        bridge_a = taken_a = clamp_a = bleed_a = 0.0
        for _ in range(_TRIES):
            slope = capacitor_s + self._bleed_s
            bleed_a = volts * self._bleed_s
            bridge_a = taken_a = clamp_a = 0.0
            if volts < pulsed_v:
                bridge_a = self._even_a + (pulsed_v - volts) / ohm
                slope += 1 / ohm
            elif volts < peak_v:
                bridge_a = (peak_v - volts) / pulsed_ohm
                slope += 1 / pulsed_ohm
            if volts > start_v:
                taken_a = self._a_per_v * (volts - start_v)
                if taken_a > largest_a:
                    taken_a = largest_a
                else:
                    slope += self._a_per_v
            if volts > self._clamp_v:
                clamp_a = (volts - self._clamp_v) * self._clamp_s
                slope += self._clamp_s
            over_a = bridge_a - taken_a - clamp_a - bleed_a - capacitor_s * (volts - before)
            if abs(over_a) < _CLOSE_A:
                break
            volts += over_a / slope
        return bridge_a, taken_a, clamp_a, bleed_a
