"""The wheel with its water, and the drive to the alternator's shaft.

The water on the wheel is one mass with a first-order lag: it comes in at the entry, and leaves in the time in which
a bucket turns from there to where it spills. Mass, momentum and energy are kept exactly: every joule that the
stream brings in is work at a shaft, is stored in raised or moving water and in the turning wheel, or is named as
a loss. In steady turning the torque is that of the filled sector, with the impulse of the falling water.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.plant.chain import Chain

_JAM_NM_PER_KG_M2: Final = (
    15.0  # stops the wheel of a plant with any inertia within about a tenth of a second
)
_LEAST_SECTOR_RAD: Final = 0.1


class WheelModel:
    """State and step of the wheel: speed [rad/s], angle [rad], water on it [kg]; `gear` is alternator over wheel.

    Args:
        plant: The plant.
        chain: The same plant in SI units.
        missed_per_overspeed: Share of the jet that misses, per share by which the buckets outrun it.
    """

    def __init__(self, plant: Plant, chain: Chain, missed_per_overspeed: float) -> None:
        wheel = chain.wheel
        self._density = wheel.density_kg_m3
        self._gravity = wheel.gravity_m_s2
        self._head_m = plant.water.head_m
        self._entry_fall_m = plant.wheel.entry_fall_m
        self._entry_z_m = plant.water.head_m - plant.wheel.entry_fall_m
        self._inertia = plant.wheel.inertia_kg_m2
        self._jam_nm = _JAM_NM_PER_KG_M2 * plant.wheel.inertia_kg_m2
        self._radius_m = wheel.bucket_radius_m
        self._rim_m = 0.5 * wheel.diameter_m
        self._kg_per_rad = wheel.density_kg_m3 * wheel.buckets * wheel.bucket_m3 / (2 * math.pi)
        self._largest_fill = wheel.largest_fill
        self._entry_rad = wheel.entry_rad
        self._cos_entry = math.cos(wheel.entry_rad)
        self._entry_m_s = wheel.entry_m_s
        self._missed_per_overspeed = missed_per_overspeed
        self._spill_rad = wheel.spill_rad
        self._spill_rad_per_fill = wheel.spill_rad_per_fill
        self._empty_rad = wheel.empty_rad
        self._bearing_nm = wheel.bearing_nm
        self._bearing_nm_s2 = wheel.bearing_nm_s2
        # Torque at the drum per torque at the pulley; `_belt_nm` comes on top of the alternator's.
        self._drum_per_nm = chain.ratio / (1 - chain.loss_per_nm)
        self._belt_nm = chain.loss_nm
        self._iron_nm = chain.alternator.iron_nm
        self.gear = chain.ratio * (1 - chain.creep)
        self.speed_rad_s = 0.0
        self.angle_rad = 0.0
        self.water_kg = 0.0
        self.fill = 0.0
        self.drum_nm = 0.0
        self.jammed = False
        self.water_j = self.missed_j = self.entry_j = self.exit_j = 0.0
        self.bearing_j = self.jam_j = self.belt_j = self.iron_j = self.shaft_j = 0.0

    @property
    def raised_j(self) -> float:
        """Energy of the raised water on the wheel, over the tailwater [J]."""
        return self.water_kg * self._gravity * self._entry_z_m

    @property
    def moving_j(self) -> float:
        """Energy of motion of wheel, drive and water [J]."""
        inertia = self._inertia + self.water_kg * self._rim_m**2
        return 0.5 * inertia * self.speed_rad_s**2

    def advance(self, dt: float, flow_m3_s: float, electric_nm: float) -> None:
        """Go one step.

        Args:
            dt: Length of the step [s], short against a quarter of a second.
            flow_m3_s: Water that comes to the wheel [m³/s].
            electric_nm: Torque at the alternator's shaft beside its iron loss [N m].
        """
        speed, water_kg = self.speed_rad_s, self.water_kg
        rim, gravity = self._rim_m, self._gravity

        fill, sector, fall_m, full_kg = self._lie(speed, water_kg)

        # What the buckets catch.
        rim_m_s = speed * rim
        entry_m_s = self._entry_m_s
        offered_kg = self._density * flow_m3_s * dt
        caught_kg = offered_kg
        if rim_m_s > entry_m_s:
            caught_kg *= max(0.0, 1 - self._missed_per_overspeed * (rim_m_s / entry_m_s - 1))
        # What no longer goes into full buckets runs over at once.
        caught_kg = min(caught_kg, max(0.0, full_kg - water_kg + water_kg * speed * dt / sector))

        # Torques at the wheel's shaft. Dry friction also holds a wheel that stands.
        iron_nm, belt_nm, bearing_nm = self._iron_nm, self._belt_nm, self._bearing_nm
        jam_nm = self._jam_nm if self.jammed else 0.0
        dry_nm = bearing_nm + jam_nm + self._drum_per_nm * (belt_nm + iron_nm)
        drag_nm = self._bearing_nm_s2 * speed * speed
        inertia = self._inertia + water_kg * rim * rim
        drive_nm = (
            water_kg * gravity * fall_m / sector
            + caught_kg / dt * (entry_m_s - rim_m_s) * rim
            - drag_nm
            - self._drum_per_nm * electric_nm
        )
        held = 1.0
        after = speed + (drive_nm - dry_nm) * dt / inertia
        if after <= 0:
            # It stops within the step, or stands: friction gives only what that takes.
            after = 0.0
            held = max(0.0, drive_nm + inertia * speed / dt) / dry_nm if dry_nm else 0.0
        turn = 0.5 * (speed + after) * dt

        # Where the energy goes.
        alternator_nm = iron_nm * held + electric_nm
        drum_nm = self._drum_per_nm * (belt_nm * held + alternator_nm)
        shaft_j = alternator_nm * turn * self.gear
        self.bearing_j += (bearing_nm * held + drag_nm) * turn
        self.jam_j += jam_nm * held * turn
        self.iron_j += iron_nm * held * turn * self.gear
        self.belt_j += drum_nm * turn - shaft_j
        self.shaft_j += shaft_j
        rim_j_kg = 0.5 * (after * rim) ** 2
        left_kg = min(water_kg * turn / sector, water_kg)
        self.water_j += offered_kg * gravity * self._head_m
        self.missed_j += (offered_kg - caught_kg) * gravity * self._head_m
        work_j_kg = (entry_m_s - rim_m_s) * rim * 0.5 * (speed + after)
        self.entry_j += caught_kg * (gravity * self._entry_fall_m - work_j_kg - rim_j_kg)
        self.exit_j += left_kg * (gravity * (self._entry_z_m - fall_m) + rim_j_kg)
        water_kg += caught_kg - left_kg
        if water_kg > full_kg:
            self.exit_j += (water_kg - full_kg) * (gravity * self._entry_z_m + rim_j_kg)
            water_kg = full_kg

        self.speed_rad_s = after
        self.angle_rad += turn
        self.water_kg = water_kg
        self.fill = fill
        self.drum_nm = drum_nm

    def _lie(self, speed_rad_s: float, water_kg: float) -> tuple[float, float, float, float]:
        """Return how the water lies on the wheel.

        Bucket fill; the sector that holds the water [rad], such that fill times sector is the water; how far
        the water falls on it [m]; the water at which the buckets are full [kg]. The surface in a turning bucket
        is tilted, so it spills sooner, and so does a fuller bucket.
        """
        radius, shorter = self._radius_m, 0.5 * self._spill_rad_per_fill
        tilt = math.atan(speed_rad_s * speed_rad_s * radius / self._gravity)
        empty = self._empty_rad - tilt
        longest = 0.5 * (self._spill_rad - tilt + empty) - self._entry_rad
        held_rad = water_kg / self._kg_per_rad
        # fill * (longest - shorter * fill) = held_rad
        root = math.sqrt(max(longest * longest - 4 * shorter * held_rad, 0.0))
        sector = max(0.5 * (longest + root), _LEAST_SECTOR_RAD)
        fill = held_rad / sector
        spill = self._spill_rad - self._spill_rad_per_fill * fill - tilt
        fall_m = radius * (self._cos_entry - (math.sin(empty) - math.sin(spill)) / (empty - spill))
        full = self._largest_fill
        full_kg = self._kg_per_rad * full * max(longest - shorter * full, _LEAST_SECTOR_RAD)
        return fill, sector, fall_m, full_kg
