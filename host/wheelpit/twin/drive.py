"""The belt and the alternator's rotor: a rigid pair while the belt grips, two bodies when it slips or is lost.

A belt grips up to a torque that goes with its tension. It creeps a little in healthy running, more as it comes near to
slipping; beyond, it slides with that torque until the two speeds meet again. What it loses is heat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.plant.chain import Chain
    from wheelpit.twin.assumptions import Assumptions

_HYDRAULIC_TO_SHAFT: Final = 0.6
_FAST: Final = 1.7  # speed at the highest flow over the cut-in speed
_CREEPS_FROM: Final = 0.5  # share of its grip from which a belt creeps more
_EASING_S: Final = 0.5


def creep_of(load: float, assumptions: Assumptions) -> float:
    """Return the creep that a belt has beyond the healthy one, as a share of speed, at a torque over its grip."""
    over = min(max(load - _CREEPS_FROM, 0.0) / (1 - _CREEPS_FROM), 1.0)
    return assumptions.belt_creep * over * over


class Drive:
    """Belt and rotor. Torques at the pulley [N m], speeds of the alternator [rad/s].

    Args:
        plant: The plant.
        chain: The same plant in SI units.
        assumptions: The twin's own figures.
    """

    def __init__(self, plant: Plant, chain: Chain, assumptions: Assumptions) -> None:
        wheel = chain.wheel
        self.ratio = chain.ratio
        self._creep = chain.creep
        self._more_creep = 0.0
        self._assumptions = assumptions
        self._load = 0.0  # torque over grip, eased
        # Torque at the drum per torque at the pulley; `belt_nm` comes on top of the alternator's.
        self._kept = 1 - chain.loss_per_nm
        self.drum_per_nm = chain.ratio / self._kept
        self.belt_nm = chain.loss_nm
        self.iron_nm = chain.alternator.iron_nm
        # Cogging holds a rotor that stands; over a turn it gives back what it takes.
        self.cogging_nm = plant.alternator.cogging_nm or 0.0
        self.gear = chain.ratio * (1 - chain.creep)
        self.rotor_kg_m2 = assumptions.rotor_share * plant.wheel.inertia_kg_m2 / self.gear**2
        most_w = (
            _HYDRAULIC_TO_SHAFT
            * wheel.density_kg_m3
            * wheel.gravity_m_s2
            * plant.water.head_m
            * plant.water.highest_flow_l_s
            / 1000
        )
        cutin_rad_s = chain.wheel_of_open_v(chain.start_v)
        # Torque at the wheel's shaft at the highest flow, in round figures.
        self.usual_nm = most_w / (_FAST * cutin_rad_s)
        self._proper_nm = assumptions.belt_reserve * self.usual_nm / self.gear
        self.grip_nm = self._proper_nm
        self.slips = False
        self.forward = 1.0  # which way it slides: 1 where the wheel is the faster one
        self.speed_rad_s = 0.0
        self.turned_rad = 0.0  # by the alternator in the last step
        self.pulley_nm = 0.0
        self.belt_j = self.iron_j = self.shaft_j = 0.0

    @property
    def moving_j(self) -> float:
        """Energy of motion of the rotor [J]."""
        return 0.5 * self.rotor_kg_m2 * self.speed_rad_s**2

    @property
    def lost(self) -> bool:
        """Whether there is no belt."""
        return self.grip_nm <= 0

    def tighten(self, tension: float) -> None:
        """Set the belt's tension, as a share of the proper one; 0 when it is lost."""
        self.grip_nm = tension * self._proper_nm
        if self.lost:
            self.slips = True

    def ease(self, seconds: float) -> bool:
        """Follow the creep over so many seconds, and return whether the gear changed."""
        if self.slips:
            return False
        self._load += (abs(self.pulley_nm) / self.grip_nm - self._load) * min(seconds / _EASING_S, 1.0)
        more = creep_of(self._load, self._assumptions)
        if more == self._more_creep == 0:
            return False
        self._more_creep = more
        self.gear = self.ratio * (1 - self._creep - more)
        return True

    def grips(self, pulley_nm: float) -> bool:
        """Tell whether the belt carries a torque to the pulley; where not, it begins to slide."""
        if abs(pulley_nm) <= self.grip_nm:
            return True
        self.slips = True
        self.forward = 1.0 if pulley_nm > 0 else -1.0
        return False

    def drum_nm(self) -> float:
        """Return the torque of a sliding belt at the drum, with its own loss beside it left out [N m]."""
        if self.forward > 0:
            return self.drum_per_nm * self.grip_nm
        return -self.ratio * self._kept * self.grip_nm

    def slide(self, dt: float, electric_nm: float) -> None:
        """Turn the rotor alone for a step, driven by a sliding belt or none."""
        before = self.speed_rad_s
        self.pulley_nm = self.forward * self.grip_nm
        free_nm = self.pulley_nm - electric_nm
        held = 1.0
        after = before + (free_nm - self.iron_nm) * dt / self.rotor_kg_m2
        if after <= 0:
            after = 0.0
            need_nm = max(0.0, free_nm + self.rotor_kg_m2 * before / dt)
            held = need_nm / self.iron_nm if self.iron_nm else 0.0
        turn = 0.5 * (before + after) * dt
        self.speed_rad_s = after
        self.iron_j += self.iron_nm * held * turn
        self.shaft_j += (self.iron_nm * held + electric_nm) * turn
        self.turned_rad = turn
