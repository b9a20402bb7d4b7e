"""The chain from wheel to battery as the formulas of `wheelpit.physics` take it, made from a plant."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.physics import alternator as machine
from wheelpit.physics import belt, converter, water, wheel
from wheelpit.physics.alternator import BridgedAlternator
from wheelpit.physics.wheel import OvershotWheel
from wheelpit.plant.description import FixedConverter, FoldBackConverter, NoConverter

if TYPE_CHECKING:
    from wheelpit.plant.description import Converter, Plant

RPM: Final = 2.0 * math.pi / 60.0  # rad/s per turn a minute
_CHARGING_V: Final = 13.5  # usual voltage of a 12 V bank that is being charged
_RESTED_FULL_V: Final = 12.7  # above this bank at rest a bridge without converter begins to charge ...
_RESTED_HALF_V: Final = 12.2  # ... and below this one it surely does not


class Electric(NamedTuple):
    """What flows behind the bridge: voltage [V] and current [A]; with 0 A the capacitor is charged to the peak."""

    rectified_v: float
    rectified_a: float


@dataclass(frozen=True, slots=True)
class Chain:
    """Wheel, belt, alternator and converter of one plant, in SI units."""

    wheel: OvershotWheel
    ratio: float
    creep: float
    loss_nm: float
    loss_per_nm: float
    alternator: BridgedAlternator
    converter: Converter
    battery_ohm: float
    start_v: float
    stop_v: float

    @property
    def ceiling_rad_s(self) -> float:
        """Speed of the wheel at which no bucket holds water at the top [rad/s]."""
        return wheel.ceiling_speed(self.wheel.diameter_m, self.wheel.gravity_m_s2)

    def alternator_rad_s(self, wheel_rad_s: float) -> float:
        """Speed of the alternator in healthy running, with the belt's creep [rad/s]."""
        return belt.driven_speed(wheel_rad_s, self.ratio, self.creep)

    def wheel_rad_s(self, alternator_rad_s: float) -> float:
        """Speed of the wheel at which the alternator turns at `alternator_rad_s` [rad/s]."""
        return alternator_rad_s / (self.ratio * (1.0 - self.creep))

    def driving_nm(self, alternator_nm: float) -> float:
        """Torque at the wheel that brings a torque to the alternator's shaft [N m]."""
        return belt.driving_torque(alternator_nm, self.ratio, self.loss_nm, self.loss_per_nm)

    def available_nm(self, wheel_rad_s: float, flow_m3_s: float) -> float:
        """Torque of the wheel's shaft in steady turning [N m]."""
        return wheel.available_torque(self.wheel, wheel_rad_s, flow_m3_s)

    def open_v(self, wheel_rad_s: float) -> float:
        """Voltage behind the bridge without current, at the peak [V]."""
        return machine.open_voltage(self.alternator, self.alternator_rad_s(wheel_rad_s))

    def wheel_of_open_v(self, open_v: float) -> float:
        """Speed of the wheel at which the voltage without current is `open_v` [rad/s]."""
        return self.wheel_rad_s(machine.speed_of_open_voltage(self.alternator, open_v))

    def wanted_w(self, battery_v: float) -> float:
        """Input power at which the converter's output limit holds it [W]; infinite without a converter."""
        if isinstance(self.converter, NoConverter):
            return math.inf
        return converter.input_power_limit(
            self.converter.output_limit_a, battery_v, self.converter.efficiency
        )

    def electric(self, wheel_rad_s: float, battery_v: float) -> Electric:
        """Voltage and current behind the bridge at a speed, the converter having started.

        A converter of fixed output that cannot be held at that speed has dropped out: its current is 0.
        Beyond the overlap's limit the current is held at that limit: the true one is a little larger there.
        """
        speed = self.alternator_rad_s(wheel_rad_s)
        source_v = max(0.0, machine.conducting_voltage(self.alternator, speed, 0.0))
        slope = machine.source_ohm(self.alternator, speed)
        found = self._drawn(source_v, slope, battery_v)
        if found is None or found.rectified_a <= 0.0:
            return Electric(machine.open_voltage(self.alternator, speed), 0.0)
        most = machine.largest_current(self.alternator)
        if found.rectified_a > most:
            return Electric(machine.conducting_voltage(self.alternator, speed, most), most)
        return found

    def _drawn(self, source_v: float, slope: float, battery_v: float) -> Electric | None:
        kind = self.converter
        if isinstance(kind, NoConverter):
            current = converter.direct_current(source_v, slope + self.battery_ohm, battery_v)
            return Electric(battery_v + self.battery_ohm * current, current)
        most = self.wanted_w(battery_v)
        if isinstance(kind, FixedConverter):
            held = converter.fixed_output_current(source_v, slope, most, kind.stop_v)
            return None if held is None else Electric(*held)
        # Where the source's falling line meets the converter's rising one.
        input_v = (source_v + slope * kind.a_per_v * kind.start_v) / (1.0 + slope * kind.a_per_v)
        free = converter.fold_back_current(input_v, kind.start_v, kind.a_per_v)
        if free * input_v <= most:
            return Electric(input_v, free)
        held = converter.fixed_output_current(source_v, slope, most, kind.start_v)
        return None if held is None else Electric(*held)

    def demanded_nm(self, wheel_rad_s: float, drawn: Electric) -> float:
        """Torque that belt and alternator demand of the wheel for what is drawn behind the bridge [N m]."""
        speed = self.alternator_rad_s(wheel_rad_s)
        return self.driving_nm(machine.shaft_torque(self.alternator, speed, drawn.rectified_a))

    def battery_w(self, drawn: Electric) -> float:
        """Power that arrives on the battery's side [W]."""
        if isinstance(self.converter, NoConverter):
            return (drawn.rectified_v - self.battery_ohm * drawn.rectified_a) * drawn.rectified_a
        return drawn.rectified_v * drawn.rectified_a * self.converter.efficiency


def local_water(plant: Plant) -> tuple[float, float]:
    """Return density [kg/m3] and gravity [m/s2] where the plant stands."""
    density = water.water_density(plant.water.temperature_degc)
    return density, water.local_gravity(plant.site.latitude_deg, plant.site.altitude_m)


def overshot_of(plant: Plant) -> OvershotWheel:
    """Return the plant's wheel in SI units and radians."""
    told = plant.wheel
    density, gravity = local_water(plant)
    return OvershotWheel(
        diameter_m=told.diameter_m,
        buckets=told.buckets,
        bucket_m3=told.bucket_l / 1000.0,
        bucket_radius_m=told.bucket_radius_m,
        entry_rad=math.radians(told.entry_deg),
        entry_m_s=told.entry_share * water.free_fall_speed(told.entry_fall_m, gravity),
        largest_fill=told.largest_fill,
        spill_rad=math.radians(told.spill_deg),
        spill_rad_per_fill=math.radians(told.spill_deg_per_fill),
        empty_rad=math.radians(told.empty_deg),
        bearing_nm=told.bearing_nm,
        bearing_nm_s2=told.bearing_nm_s2,
        density_kg_m3=density,
        gravity_m_s2=gravity,
    )


def alternator_of(plant: Plant) -> BridgedAlternator:
    """Return the plant's alternator in SI units."""
    told = plant.alternator
    return BridgedAlternator(
        pole_pairs=told.pole_pairs,
        mean_v_s_rad=machine.volts_per_radian(told.v_per_rpm),
        resistance_ohm=told.resistance_ohm,
        inductance_h=told.inductance_h,
        iron_nm=told.iron_nm,
        diode_v=told.diode_v,
    )


def ratio_of(plant: Plant) -> float:
    """Return the drive's pitch ratio, turns of the alternator per turn of the wheel."""
    told = plant.belt
    return belt.pitch_ratio(told.drum_diameter_m, told.pulley_diameter_m, told.belt_mm)


@lru_cache(maxsize=16)
def chain_of(plant: Plant) -> Chain:
    """Return the chain from wheel to battery of a plant."""
    kind = plant.converter
    if isinstance(kind, FoldBackConverter | FixedConverter):
        start_v, stop_v = kind.start_v, kind.stop_v
    else:
        cells = plant.battery.nominal_v / 12.0
        start_v, stop_v = _RESTED_FULL_V * cells, _RESTED_HALF_V * cells
    return Chain(
        wheel=overshot_of(plant),
        ratio=ratio_of(plant),
        creep=plant.belt.creep,
        loss_nm=plant.belt.loss_nm,
        loss_per_nm=plant.belt.loss_per_nm,
        alternator=alternator_of(plant),
        converter=kind,
        battery_ohm=plant.battery.resistance_ohm,
        start_v=start_v,
        stop_v=stop_v,
    )


def charging_v(plant: Plant) -> float:
    """Return the usual voltage of the plant's bank while it is being charged [V]."""
    return _CHARGING_V * plant.battery.nominal_v / 12.0
