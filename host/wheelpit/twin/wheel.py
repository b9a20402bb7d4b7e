"""The wheel with its water, and the drive to the alternator's shaft.

The water on the wheel is one mass with a first-order lag: it comes in at the entry, and leaves in the time in which
a bucket turns from there to where it spills. Mass, momentum and energy are kept exactly: every joule that the
stream brings in is work at a shaft, is stored in raised or moving water and in the turning wheel, or is named as
a loss. In steady turning the torque is that of the filled sector, with the impulse of the falling water.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.twin.drive import Drive

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.plant.chain import Chain
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition

_JAM_NM_PER_KG_M2: Final = (
    15.0  # stops the wheel of a plant with any inertia within about a tenth of a second
)
_LEAST_SECTOR_RAD: Final = 0.1
_ICE_DRAGS: Final = 0.5  # of the usual torque at the wheel's shaft
_ICE_FILLS: Final = 0.6  # of the room in the buckets
_TAILWATER: Final = 1 / 3  # of the wheel's diameter
_PLATE: Final = 1.5  # drag coefficient of a plate across the stream


class WheelModel:
    """State and step of the wheel: speed [rad/s], angle [rad], water on it [kg]; `drive` has belt and rotor.

    Args:
        plant: The plant.
        chain: The same plant in SI units.
        assumptions: The twin's own figures.
    """

    def __init__(self, plant: Plant, chain: Chain, assumptions: Assumptions) -> None:
        wheel = chain.wheel
        self.drive = Drive(plant, chain, assumptions)
        self._density = wheel.density_kg_m3
        self._gravity = wheel.gravity_m_s2
        self._head_m = plant.water.head_m
        self._entry_fall_m = plant.wheel.entry_fall_m
        self._entry_z_m = plant.water.head_m - plant.wheel.entry_fall_m
        self._inertia = plant.wheel.inertia_kg_m2 * (1 - assumptions.rotor_share)
        self._hold_nm = _JAM_NM_PER_KG_M2 * plant.wheel.inertia_kg_m2
        self._radius_m = wheel.bucket_radius_m
        self._rim_m = 0.5 * wheel.diameter_m
        self._width_m = plant.wheel.width_m
        self._kg_per_rad = wheel.density_kg_m3 * wheel.buckets * wheel.bucket_m3 / (2 * math.pi)
        self._wade_m_per_m = assumptions.wade_m_per_m
        self._entry_rad = wheel.entry_rad
        self._cos_entry = math.cos(wheel.entry_rad)
        self._entry_m_s = wheel.entry_m_s
        self._missed_per_overspeed = assumptions.missed_per_overspeed
        self._spill_rad = wheel.spill_rad
        self._spill_rad_per_fill = wheel.spill_rad_per_fill
        self._empty_rad = wheel.empty_rad
        self._told_fill = self._largest_fill = wheel.largest_fill
        self._told_bearing_nm = self._bearing_nm = wheel.bearing_nm
        self._bearing_nm_s2 = wheel.bearing_nm_s2
        self._jam_nm = self._wade_nm_s2 = 0.0
        self.speed_rad_s = 0.0
        self.angle_rad = 0.0
        self.water_kg = 0.0
        self.fill = 0.0
        self.drum_nm = 0.0
        self.water_j = self.missed_j = self.entry_j = self.exit_j = 0.0
        self.bearing_j = self.jam_j = self.wade_j = 0.0

    @property
    def raised_j(self) -> float:
        """Energy of the raised water on the wheel, over the tailwater's usual level [J]."""
        return self.water_kg * self._gravity * self._entry_z_m

    @property
    def moving_j(self) -> float:
        """Energy of motion of wheel, drive and water [J]."""
        inertia = self._inertia + self.water_kg * self._rim_m**2
        return 0.5 * inertia * self.speed_rad_s**2 + self.drive.moving_j

    @property
    def slip(self) -> float:
        """Share of the alternator's speed that the belt loses; 0 at rest."""
        driven = self.speed_rad_s * self.drive.ratio
        return 1 - self.drive.speed_rad_s / driven if driven > 0 else 0.0

    def suffer(self, condition: Condition, ice: float) -> None:
        """Take on a condition, and ice of the weather's, 0 to 1."""
        iced = max(condition.ice, ice)
        usual_nm = self.drive.usual_nm
        held = condition.jam >= 1 or iced >= 1
        self._jam_nm = self._hold_nm if held else usual_nm * max(condition.jam, _ICE_DRAGS * iced)
        self._largest_fill = self._told_fill * (1 - _ICE_FILLS * iced)
        self._bearing_nm = self._told_bearing_nm * condition.bearing_factor
        # A wheel that wades pushes water with the buckets that are under it.
        lowest_m = self._entry_z_m - self._rim_m * (1 + self._cos_entry)
        deep_m = max(condition.tailwater * _TAILWATER * 2 * self._rim_m - max(lowest_m, 0.0), 0.0)
        self._wade_nm_s2 = (
            0.5 * self._density * _PLATE * self._wade_m_per_m * deep_m * self._width_m * self._rim_m**3
        )
        drive = self.drive
        drive.tighten(condition.belt_tension)
        if drive.slips:
            drive.forward = 1.0 if drive.gear * self.speed_rad_s >= drive.speed_rad_s else -1.0

    def ease(self, seconds: float) -> None:
        """Follow the belt's creep over so many seconds."""
        if self.drive.ease(seconds):
            self._join()

    def _join(self) -> None:
        """Let wheel and rotor meet at one speed: momentum is kept, what that costs in energy is the belt's heat."""
        drive = self.drive
        before_j = self.moving_j
        inertia = self._inertia + self.water_kg * self._rim_m**2
        rotor = drive.rotor_kg_m2 * drive.gear
        self.speed_rad_s = (inertia * self.speed_rad_s + rotor * drive.speed_rad_s) / (
            inertia + rotor * drive.gear
        )
        drive.speed_rad_s = drive.gear * self.speed_rad_s
        drive.belt_j += before_j - self.moving_j

    def advance(self, dt: float, flow_m3_s: float, electric_nm: float) -> None:
        """Go one step.

        Args:
            dt: Length of the step [s], short against a quarter of a second.
            flow_m3_s: Water that comes to the wheel [m³/s].
            electric_nm: Torque at the alternator's shaft beside its iron loss [N m].
        """
        speed, water_kg, drive = self.speed_rad_s, self.water_kg, self.drive
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
        room_kg = full_kg - water_kg + water_kg * speed * dt / sector
        if room_kg < caught_kg:
            caught_kg = room_kg if room_kg > 0 else 0.0

        water_nm = water_kg * gravity * fall_m / sector + caught_kg / dt * (entry_m_s - rim_m_s) * rim
        inertia = self._inertia + water_kg * rim * rim
        after = self._turn(dt, water_nm, inertia, electric_nm)
        turn = 0.5 * (speed + after) * dt

        # Where the water and its energy go.
        rim_j_kg = 0.5 * (after * rim) ** 2
        left_kg = water_kg * turn / sector if turn < sector else water_kg
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
        if drive.slips:
            if not drive.lost and (drive.gear * after - drive.speed_rad_s) * drive.forward <= 0:
                drive.slips = False
                self._join()
        else:
            drive.speed_rad_s = after * drive.gear

    def _turn(self, dt: float, water_nm: float, inertia: float, electric_nm: float) -> float:
        """Turn wheel and rotor for a step, and return the wheel's speed at its end [rad/s].

        Args:
            dt: Length of the step [s].
            water_nm: Torque of the water [N m].
            inertia: Moment of inertia of wheel and water [kg m²].
            electric_nm: Torque at the alternator's shaft beside its iron loss [N m].
        """
        speed, drive = self.speed_rad_s, self.drive
        # Dry friction also holds a wheel that stands.
        dry_nm = self._bearing_nm + self._jam_nm
        drag_nm = (self._bearing_nm_s2 + self._wade_nm_s2) * speed * speed
        drive_nm = water_nm - drag_nm
        if not drive.slips:
            gear, rotor = drive.gear, drive.rotor_kg_m2
            drum_dry_nm = drive.drum_per_nm * (drive.belt_nm + drive.iron_nm)
            net_nm, held_nm = drive_nm - drive.drum_per_nm * electric_nm, dry_nm + drum_dry_nm
            after, held = _after(speed, net_nm, held_nm, inertia + rotor * gear * gear, dt)
            if not speed and net_nm <= held_nm + drive.drum_per_nm * drive.cogging_nm:
                after = 0.0  # the alternator's magnets hold what friction alone would let go
            alternator_nm = drive.iron_nm * held + electric_nm
            pulley_nm = alternator_nm + rotor * gear * (after - speed) / dt
            if drive.grips(pulley_nm):
                turn = 0.5 * (speed + after) * dt
                self.drum_nm = drive.drum_per_nm * (drive.belt_nm * held + alternator_nm)
                shaft_j = alternator_nm * turn * gear
                drive.pulley_nm = pulley_nm
                drive.turned_rad = turn * gear
                drive.iron_j += drive.iron_nm * held * turn * gear
                drive.belt_j += self.drum_nm * turn - shaft_j
                drive.shaft_j += shaft_j
                self._rub(turn, held, drag_nm)
                return after
        belt_nm = 0.0 if drive.lost else drive.drum_per_nm * drive.belt_nm
        sliding_nm = drive.drum_nm()
        after, held = _after(speed, drive_nm - sliding_nm, dry_nm + belt_nm, inertia, dt)
        turn = 0.5 * (speed + after) * dt
        self.drum_nm = belt_nm * held + sliding_nm
        drive.slide(dt, electric_nm)
        drive.belt_j += self.drum_nm * turn - drive.pulley_nm * drive.turned_rad
        self._rub(turn, held, drag_nm)
        return after

    def _rub(self, turn: float, held: float, drag_nm: float) -> None:
        """Count what friction took over a turn [rad]; `held` is the share of the dry friction that acted."""
        drags = self._bearing_nm_s2 + self._wade_nm_s2
        wading = self._wade_nm_s2 / drags if drags else 0.0
        self.bearing_j += (self._bearing_nm * held + drag_nm * (1 - wading)) * turn
        self.wade_j += drag_nm * wading * turn
        self.jam_j += self._jam_nm * held * turn

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
        under_root = longest * longest - 4 * shorter * held_rad
        sector = 0.5 * (longest + math.sqrt(under_root)) if under_root > 0 else 0.5 * longest
        sector = max(sector, _LEAST_SECTOR_RAD)
        fill = held_rad / sector
        spill = self._spill_rad - self._spill_rad_per_fill * fill - tilt
        fall_m = radius * (self._cos_entry - (math.sin(empty) - math.sin(spill)) / (empty - spill))
        full = self._largest_fill
        full_kg = self._kg_per_rad * full * max(longest - shorter * full, _LEAST_SECTOR_RAD)
        return fill, sector, fall_m, full_kg


def _after(speed: float, drive_nm: float, dry_nm: float, inertia: float, dt: float) -> tuple[float, float]:
    """Return the speed after a step, and the share of the dry friction that acted.

    A body that stops within the step, or stands, is held by as much friction as that takes.
    """
    after = speed + (drive_nm - dry_nm) * dt / inertia
    if after > 0:
        return after, 1.0
    return 0.0, max(0.0, drive_nm + inertia * speed / dt) / dry_nm if dry_nm else 0.0
