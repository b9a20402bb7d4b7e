"""Alternator windings, bridge and smoothing capacitor, with the converter behind them.

The bridge's voltage at a current is the mean of six pulses, less overlap, diodes and copper; below the current at
which the inductance no longer bridges the gaps between pulses it rises to their peak, which is what the capacitor
charges to when nothing is drawn. Overlap lowers voltage and torque alike and is no loss. The capacitor's few
milliseconds are stepped implicitly, so a step may be longer than they are.

A bridge that lost a diode or a phase gives the pulses that are left: so much less current at the same speed and voltage,
and as the same charge comes in fewer pulses, more copper loss for it. The windings warm with their losses, which raises
their resistance and weakens the magnets a little.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.physics.alternator import PEAK_PER_MEAN
from wheelpit.plant.description import DividerSensor
from wheelpit.twin.converters import Taker, converter_of, forced_of

if TYPE_CHECKING:
    from wheelpit.physics.alternator import BridgedAlternator
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition

_RIPPLE: Final = 2 / 35  # amplitude of the first harmonic of six-pulse rectified voltage, over its mean
_LEAST_EVEN_A: Final = 0.001  # of an alternator without inductance
_TRIES: Final = 60
_CLOSE_A: Final = 1e-9


class BusModel:
    """State and step of the rectified side: capacitor voltage [V], bridge current [A], winding temperature [°C].

    Args:
        plant: The plant.
        alternator: Its alternator in SI units.
        assumptions: The twin's own figures.
    """

    def __init__(self, plant: Plant, alternator: BridgedAlternator, assumptions: Assumptions) -> None:
        self._alternator = alternator
        self._overlap_ohm_s = 3 / math.pi * alternator.pole_pairs * alternator.inductance_h
        self._diodes_v = 2 * alternator.diode_v
        divider = plant.sensor("rectified_v")
        bleed_ohm = assumptions.bleed_ohm
        if isinstance(divider, DividerSensor):
            bleed_ohm = divider.upper_ohm + divider.lower_ohm
        self._bleed_s = 1 / bleed_ohm
        self._capacitor_f = assumptions.capacitor_f
        clamp_v = plant.protection.clamp_v
        self._clamp_v = math.inf if clamp_v is None else clamp_v
        self._clamp_s = assumptions.clamp_s
        self._own = converter_of(plant, assumptions)
        self._forced = forced_of(plant, assumptions)
        self._converter: Taker = self._own
        self._winding_j_per_k = assumptions.winding_j_per_k_w * plant.alternator.rated_w
        self._winding_w_per_k = self._winding_j_per_k / assumptions.winding_cooling_s
        self._copper_per_degc = assumptions.copper_per_degc
        self._magnets_per_degc = assumptions.magnets_per_degc
        self._described_degc = assumptions.alternator_degc
        self.room_degc = self.winding_degc = assumptions.room_degc
        self._warmed_j = 0.0
        self._magnets = self._pulses = 1.0
        self.dead = self._leads_open = self._fuse_open = False
        self._back_feed_a = 0.0
        self.rectified_v = self.rectified_a = self.shown_v = 0.0
        self.given_w = 0.0
        self._work_j = self._owed_j = self._torque_nm = 0.0
        self.copper_j = self.diode_j = self.bleed_j = self.clamp_j = 0.0
        self.rectified_j = self.converter_j = 0.0
        self._warm()

    @property
    def capacitor_j(self) -> float:
        """Energy in the smoothing capacitor [J]."""
        return 0.5 * self._capacitor_f * self.rectified_v**2

    @property
    def runs(self) -> bool:
        """Whether the converter, or the cable in its place, takes current at a sufficient voltage."""
        return self._converter.runs

    def ripple_v(self, alternator_rad_s: float) -> float:
        """Return how far the voltage swings either way where pulses are missing [V]; else next to nothing."""
        if self._pulses == 1 or not alternator_rad_s or self.rectified_a <= 0:
            return 0.0
        turn_s = 2 * math.pi / (self._alternator.pole_pairs * alternator_rad_s)
        # A third of a turn of the field passes without a pulse; meanwhile the capacitor feeds the converter.
        gap_s = turn_s / 3 * min(3 * (1 - self._pulses), 1.0)
        return min(0.5 * self.rectified_a * gap_s / self._capacitor_f, 0.5 * self.rectified_v)

    def suffer(self, condition: Condition) -> None:
        """Take on a condition."""
        self._magnets, self._pulses = condition.magnets_share, condition.pulses
        self.dead = condition.converter_dead
        self._leads_open, self._fuse_open = condition.leads_open, condition.fuse_open
        self._back_feed_a = condition.back_feed_a
        self._converter = self._own
        if condition.forced and self._forced is not None:
            self._converter = self._forced
            self._forced.forced = condition.forced
        self._warm()

    def tend(self, seconds: float, iron_j: float) -> None:
        """Follow the windings' temperature over so many seconds; `iron_j` is all iron loss so far [J]."""
        warmed = self.copper_j + iron_j
        lost_w = self._winding_w_per_k * (self.winding_degc - self.room_degc)
        self.winding_degc += (warmed - self._warmed_j - lost_w * seconds) / self._winding_j_per_k
        self._warmed_j = warmed
        self._warm()

    def _warm(self) -> None:
        """Work out what depends on temperature, magnets and the bridge's diodes."""
        alternator, pulses = self._alternator, self._pulses
        over_degc = self.winding_degc - self._described_degc
        self._v_s = alternator.mean_v_s_rad * self._magnets * (1 - self._magnets_per_degc * over_degc)
        self._ohm = 2 * alternator.resistance_ohm * (1 + self._copper_per_degc * over_degc)
        self._copper_ohm = self._ohm / pulses  # heats, for the mean current
        # Amplitude of the ripple current through two phases: below it the current comes in separate pulses.
        ripple_ohm_s = 6 * alternator.pole_pairs * 2 * alternator.inductance_h
        self._even_a = pulses * (_RIPPLE * self._v_s / ripple_ohm_s if ripple_ohm_s else _LEAST_EVEN_A)

    def turned(self, turn_rad: float) -> None:
        """Tell how far the alternator turned in the step: what its work then lacks, the next step's torque adds."""
        self._owed_j = self._work_j - self._torque_nm * turn_rad

    def advance(
        self, dt: float, alternator_rad_s: float, battery_v: float, cap_w: float, *, opens: bool = False
    ) -> float:
        """Go one step and return the torque of the currents at the alternator's shaft [N m].

        Args:
            dt: Length of the step [s].
            alternator_rad_s: Speed that the alternator is expected to have half-way through the step [rad/s].
            battery_v: Battery voltage [V].
            cap_w: Most that the battery node takes [W].
            opens: Whether the controller keeps the way to the battery open.
        """
        before = self.rectified_v
        works = not (opens or self._fuse_open or self.dead)
        self._converter.begin(dt, before, battery_v, cap_w, works=works)
        bridge_a, taken_a, clamp_a, bleed_a = self._currents(dt, alternator_rad_s)
        volts = before + (bridge_a - taken_a - clamp_a - bleed_a) * dt / self._capacitor_f
        shown_v = 0.5 * (before + volts)

        rectified_w = shown_v * bridge_a
        diode_w = self._diodes_v * bridge_a
        copper_w = self._copper_ohm * bridge_a * bridge_a
        given_w = self._converter.given_w(shown_v, taken_a) - self._back_feed_a * battery_v
        self.rectified_j += rectified_w * dt
        self.diode_j += diode_w * dt
        self.copper_j += copper_w * dt
        self.bleed_j += shown_v * bleed_a * dt
        self.clamp_j += shown_v * clamp_a * dt
        self.converter_j += (shown_v * taken_a - given_w) * dt
        self.rectified_v = volts
        self.rectified_a = bridge_a
        self.shown_v = shown_v
        self.given_w = given_w
        self._work_j = self._owed_j + (rectified_w + diode_w + copper_w) * dt
        self._torque_nm = self._work_j / (alternator_rad_s * dt) if bridge_a > 0 else 0.0
        return self._torque_nm

    def _currents(self, dt: float, alternator_rad_s: float) -> tuple[float, float, float, float]:
        """Return the currents of bridge, converter, clamp and divider at the end of a step [A] (backward Euler).

        The voltage is searched at which they fill the capacitor just so far. They are straight lines joined, so that
        Newton's steps end within a few; one that leaves what is known to hold the voltage is halved into it.
        """
        before = self.rectified_v
        mean_v = 0.0 if self._leads_open else self._v_s * alternator_rad_s
        peak_v = PEAK_PER_MEAN * mean_v - self._diodes_v
        ohm = (self._ohm + self._overlap_ohm_s * alternator_rad_s) / self._pulses
        # In separate pulses the voltage falls faster with the current, from the peak to the even line.
        pulsed_ohm = ohm + (PEAK_PER_MEAN - 1) * mean_v / self._even_a
        pulsed_v = peak_v - pulsed_ohm * self._even_a
        capacitor_s = self._capacitor_f / dt
        volts, low_v, high_v = before, -math.inf, math.inf
        bridge_a = taken_a = clamp_a = bleed_a = 0.0
        for _ in range(_TRIES):
            taken_a, taken_s = self._converter.taken(volts)
            bleed_a = volts * self._bleed_s
            slope = capacitor_s + self._bleed_s + taken_s
            bridge_a = clamp_a = 0.0
            if volts < pulsed_v:
                bridge_a = self._even_a + (pulsed_v - volts) / ohm
                slope += 1 / ohm
            elif volts < peak_v:
                bridge_a = (peak_v - volts) / pulsed_ohm
                slope += 1 / pulsed_ohm
            if volts > self._clamp_v:
                clamp_a = (volts - self._clamp_v) * self._clamp_s
                slope += self._clamp_s
            over_a = bridge_a - taken_a - clamp_a - bleed_a - capacitor_s * (volts - before)
            if abs(over_a) < _CLOSE_A:
                break
            if over_a > 0:
                low_v = volts
            else:
                high_v = volts
            found_v = volts + over_a / slope
            if found_v == volts:
                break
            volts = found_v if low_v < found_v < high_v else 0.5 * (low_v + high_v)
        return bridge_a, taken_a, clamp_a, bleed_a
