"""Alarm limits that follow from the plant, each with the reason a person may ask for.

They tell; they do not protect. What protects is hardware at the wheel, the bridge and the battery.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from wheelpit.physics.battery import (
    LFP_CHARGE_LEAST_DEGC,
    acid_freezing_point,
    charge_voltage,
    flooded_rest_voltage,
    flooded_specific_gravity,
    lfp_cells,
)
from wheelpit.plant.chain import chain_of
from wheelpit.plant.description import DividerSensor, MonitorSensor, NoConverter, ShuntSensor
from wheelpit.plant.operating import OperatingPoint, cutin_rpm, cutout_rpm, operating_point, runaway
from wheelpit.plant.patience import hunting, silence

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wheelpit.plant.description import Plant

# Touch limits of direct voltage without basic protection. EN 60204-1, 6.4.1: 60 V ripple-free where it is dry and
# no large area can be touched, 15 V in all other cases; IEC 60364-4-41, 414.4.5 has 30 V there (from memory).
TOUCH_DRY_V: Final = 60.0
TOUCH_WET_V: Final = (15.0, 30.0)

_IN_HAND: Final = 0.10  # share kept free below the lowest bound of the rectified side
_GAIN_OPEN: Final = 1.10  # a wheel gains so much speed while a controller tests its source
_RACING: Final = 1.30  # above the fastest loaded speed by this factor no load explains the speed
_SLOW_AFTER_S: Final = 60.0
_LFP_LOW_CELL_V: Final = 3.0
_COLDEST_DEGC: Final = -20.0  # a charger's compensation ends about there ...
_HOTTEST_DEGC: Final = 50.0  # ... and there
_SHUNT_FLOOR: Final = 0.002  # share of a shunt's range below which a current is not told from none
_LEAST_CHARGING_A: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Alarm limits of one plant. `reason(name)` tells why a limit is what it is.

    Speeds are the wheel's [rpm]; a field ending in `_after_s` is how long a condition must hold [s]. Overcharge
    limits depend on the battery's temperature: ask `overcharge_v(degc)` and `overcharge_warning_v(degc)`.
    """

    cutin_rpm: float
    cutout_rpm: float
    slow_rpm: float
    slow_after_s: float
    racing_rpm: float
    charging_a: float
    not_charging_after_s: float
    stop_edges: int
    stop_grace_s: float
    hunting_per_min: float
    hunting_swing_a: float
    hunting_after_s: float
    overcharge_after_s: float
    overcharge_warning_after_s: float
    deep_discharge_v: float
    deep_discharge_after_s: float
    battery_ohm: float
    battery_warm_degc: float
    battery_hot_degc: float
    battery_cold_degc: float | None
    rectified_normal_v: float
    rectified_open_test_v: float
    rectified_warning_v: float
    rectified_guard_v: float
    rectified_after_s: float
    guard_flow_l_s: float | None
    touch_dry_v: float
    touch_wet_v: tuple[float, float]
    telemetry_lost_after_s: float
    telemetry_urgent_after_s: float
    urgent_rpm: float | None
    sensor_fault_after_s: float
    guard_blind_after_s: float
    absorption_at_25_v: float
    overcharge_warning_at_25_v: float
    overcharge_at_25_v: float
    v_per_degc: float
    coldest_degc: float
    lead_acid: bool
    reasons: Mapping[str, str]

    def reason(self, name: str) -> str:
        """Return why a limit is what it is; `name` is a field's, or `overcharge_v` or `overcharge_warning_v`."""
        return self.reasons[name]

    def absorption_v(self, battery_degc: float | None) -> float:
        """Return the voltage at which the controller holds a full battery [V]; see `overcharge_v`."""
        return self._at(self.absorption_at_25_v, battery_degc)

    def overcharge_v(self, battery_degc: float | None) -> float:
        """Return the voltage that the battery must not pass [V].

        Without a temperature (None) the limit is the wider one of the coldest the battery gets: a colder battery
        rightly stands more, and a limit for a warm one would cry out on every frosty night.
        """
        return self._at(self.overcharge_at_25_v, battery_degc)

    def overcharge_warning_v(self, battery_degc: float | None) -> float:
        """Return the voltage above which the battery is slowly overcharged [V]; None as for `overcharge_v`."""
        return self._at(self.overcharge_warning_at_25_v, battery_degc)

    def freezing_alarm_degc(self, state_of_charge: float | None) -> float | None:
        """Return the temperature at which a battery may soon freeze, 5 K in hand [°C].

        Without a state of charge it is that of a flat battery. None for LiFePO4, which has no water to freeze.
        """
        if not self.lead_acid:
            return None
        charge = 0.0 if state_of_charge is None else state_of_charge
        return acid_freezing_point(flooded_specific_gravity(charge)) + 5.0

    def _at(self, at_25_v: float, battery_degc: float | None) -> float:
        told = self.coldest_degc if battery_degc is None else battery_degc
        return charge_voltage(at_25_v, self.v_per_degc, min(max(told, _COLDEST_DEGC), _HOTTEST_DEGC))


@lru_cache(maxsize=16)
def limits_of(plant: Plant) -> Limits:
    """Derive a plant's alarm limits; what `[limits]` of plant.toml sets is taken as it stands.

    Args:
        plant: The plant.

    Returns:
        The limits with their reasons.

    Raises:
        PhysicsError: The plant lies outside the limits of a formula.
    """
    reasons: dict[str, str] = {}
    values = {**_speed(plant, reasons), **_battery(plant, reasons), **_rectified(plant, reasons)}
    values |= hunting(plant, values["charging_a"], reasons)
    values |= silence(plant, values["rectified_guard_v"], values["guard_flow_l_s"], reasons)
    for name, by_hand in (
        ("slow_rpm", plant.limits.slow_rpm),
        ("slow_after_s", plant.limits.slow_after_s),
        ("charging_a", plant.limits.charging_a),
        ("overcharge_warning_at_25_v", plant.limits.overcharge_warning_v),
        ("overcharge_at_25_v", plant.limits.overcharge_hard_v),
        ("rectified_warning_v", plant.limits.rectified_warning_v),
        ("rectified_guard_v", plant.limits.rectified_guard_v),
        ("hunting_per_min", plant.limits.hunting_per_min),
        ("hunting_swing_a", plant.limits.hunting_swing_a),
        ("telemetry_lost_after_s", plant.limits.telemetry_lost_after_s),
        ("telemetry_urgent_after_s", plant.limits.telemetry_urgent_after_s),
    ):
        if by_hand is not None:
            values[name] = by_hand
            said = name.replace("overcharge_at_25_v", "overcharge_v").replace("_at_25_v", "_v")
            reasons[said] = f"set by hand in plant.toml; the plant itself would give: {reasons[said]}"
    return Limits(**values, reasons=MappingProxyType(reasons))


def _fastest_loaded(plant: Plant) -> OperatingPoint | None:
    """Return the point at the highest flow, if the chain settles there."""
    found = operating_point(plant, plant.water.highest_flow_l_s)
    return found if isinstance(found, OperatingPoint) else None


def _speed(plant: Plant, reasons: dict[str, str]) -> dict[str, Any]:
    start, stop = cutin_rpm(plant), cutout_rpm(plant)
    chain = chain_of(plant)
    slow = min(max(round((start + stop) / 2, 1), stop), start)
    charge = plant.sensor("charge_a") or plant.sensor("battery_a")
    range_a = charge.range_a if isinstance(charge, ShuntSensor) else 0.0
    charging = max(_LEAST_CHARGING_A, _SHUNT_FLOOR * range_a)
    loaded = _fastest_loaded(plant)
    highest = plant.water.highest_flow_l_s
    reasons["cutin_rpm"] = (
        f"cut-in {start:.1f} rpm: without current the bridge charges its capacitor to the peak, and there it reaches "
        f"{chain.start_v:g} V, where charging starts"
    )
    reasons["cutout_rpm"] = (
        f"cut-out {stop:.1f} rpm: below it the bridge does not reach {chain.stop_v:g} V, where charging stops"
    )
    reasons["slow_rpm"] = (
        f"cut-in {start:.1f}, cut-out {stop:.1f} rpm: charging starts and stops there; slow below {slow:.1f} rpm, "
        f"between the two, for {_SLOW_AFTER_S:.0f} s"
    )
    reasons["slow_after_s"] = (
        f"{_SLOW_AFTER_S:.0f} s: a wheel lopes, and one slow turn near cut-in is no news"
    )
    reasons["stop_edges"] = "two: one magnet may be missed, or glued on unevenly"
    reasons["charging_a"] = (
        f"{charging:g} A: 0.2 % of the shunt's range of {range_a:g} A, at least {_LEAST_CHARGING_A:g} A; less cannot "
        "be told from none"
    )
    reasons["not_charging_after_s"] = (
        "20 s: controllers open the circuit for a second every few minutes to test their source"
    )
    reasons["stop_grace_s"] = (
        "two expected times between magnets and 10 s without one; the expected time is the longest of the last whole "
        "turn and a fifth"
    )
    if loaded is not None:
        racing = _RACING * loaded.wheel_rpm
        reasons["racing_rpm"] = (
            f"racing above {racing:.1f} rpm: at the highest flow, {highest:g} L/s, the loaded wheel makes "
            f"{loaded.wheel_rpm:.1f} rpm; without load {runaway(plant, highest).wheel_rpm:.1f}"
        )
    else:
        racing = runaway(plant, highest).wheel_rpm
        reasons["racing_rpm"] = (
            f"racing above {racing:.1f} rpm, the unloaded speed at {highest:g} L/s: no steady loaded speed is known"
        )
    return {
        "cutin_rpm": start,
        "cutout_rpm": stop,
        "slow_rpm": slow,
        "slow_after_s": _SLOW_AFTER_S,
        "racing_rpm": racing,
        "charging_a": charging,
        "not_charging_after_s": 20.0,
        "stop_edges": 2,
        "stop_grace_s": 10.0,
    }


def _battery(plant: Plant, reasons: dict[str, str]) -> dict[str, Any]:
    battery, controller = plant.battery, plant.controller
    lead = battery.chemistry != "lfp"
    warning = (controller.absorption_v + battery.overcharge_v) / 2
    by_degree = (
        f"{controller.v_per_degc * 1000:+.0f} mV/°C from there"
        if controller.v_per_degc
        else "at any temperature"
    )
    unknown = f"while the temperature is not known, as if it were {battery.coldest_degc:g} °C"
    reasons["overcharge_v"] = f"{battery.overcharge_v:.1f} V at 25 °C from plant.toml, {by_degree}; {unknown}"
    reasons["overcharge_after_s"] = "5 s: a chopped charging current lifts the voltage for shorter"
    reasons["overcharge_warning_after_s"] = "10 min: it harms by lasting"
    reasons["overcharge_warning_v"] = (
        f"{warning:.2f} V at 25 °C, half-way from absorption ({controller.absorption_v:.1f} V) to the limit "
        f"({battery.overcharge_v:.1f} V), {by_degree}; {unknown}"
    )
    reasons["deep_discharge_after_s"] = "60 s: a kettle pulls a healthy bank down for its minute"
    if lead:
        low = flooded_rest_voltage(0.0, battery.nominal_v)
        reasons["deep_discharge_v"] = (
            f"{low:.1f} V: a lead-acid bank at rest is empty there; the drop of its load is added first, or 60 s "
            "waited"
        )
    else:
        low = _LFP_LOW_CELL_V * lfp_cells(battery.nominal_v)
        reasons["deep_discharge_v"] = (
            f"{low:.1f} V: 3.0 V a cell, about a tenth left; at 2.5 V a cell they take harm"
        )
    reasons["battery_warm_degc"] = "45 °C: cells lose life; look for overcharge and for air"
    reasons["battery_hot_degc"] = "50 °C: sealed cells may run away, flooded ones gas and boil"
    reasons["battery_cold_degc"] = (
        "0 °C: charging plates lithium, for good"
        if not lead
        else "no limit of its own: lead-acid charges in the cold"
    )
    return {
        "overcharge_after_s": 5.0,
        "overcharge_warning_after_s": 600.0,
        "deep_discharge_v": low,
        "deep_discharge_after_s": 60.0,
        "battery_ohm": battery.resistance_ohm,
        "battery_warm_degc": 45.0,
        "battery_hot_degc": 50.0,
        "battery_cold_degc": None if lead else LFP_CHARGE_LEAST_DEGC,
        "absorption_at_25_v": controller.absorption_v,
        "overcharge_warning_at_25_v": warning,
        "overcharge_at_25_v": battery.overcharge_v,
        "v_per_degc": controller.v_per_degc,
        "coldest_degc": battery.coldest_degc,
        "lead_acid": lead,
    }


def rectified_bounds(plant: Plant) -> dict[str, float]:
    """Return what bounds the voltage of the rectified side [V], by name; the sensor's own scale is one of them."""
    bounds = {"lowest rated part": plant.converter.parts_v}
    if not isinstance(plant.converter, NoConverter):
        bounds["converter's largest input"] = plant.converter.largest_input_v
    if plant.protection.clamp_v is not None:
        bounds["clamp"] = plant.protection.clamp_v
    sensor = plant.sensor("rectified_v")
    if isinstance(sensor, DividerSensor):
        bounds["full scale of rectified_v"] = sensor.full_scale_v
    elif isinstance(sensor, MonitorSensor):
        bounds["monitor chip of rectified_v"] = sensor.most_v
    return bounds


def _floor(volts: float) -> float:
    """Return a voltage rounded down to whole 5 V, or below 20 V to whole volts."""
    step = 5.0 if volts >= 20.0 else 1.0  # noqa: PLR2004 - said above
    return math.floor(volts / step + 1e-9) * step


def _rectified(plant: Plant, reasons: dict[str, str]) -> dict[str, Any]:
    chain = chain_of(plant)
    loaded = _fastest_loaded(plant)
    normal = loaded.rectified_v if loaded is not None else chain.start_v
    rad_s = chain.wheel_of_open_v(chain.start_v) if loaded is None else loaded.wheel_rpm * 2 * math.pi / 60
    open_test = chain.open_v(min(rad_s * _GAIN_OPEN, chain.ceiling_rad_s))
    bounds = rectified_bounds(plant)
    name = min(bounds, key=lambda key: bounds[key])
    guard = _floor(bounds[name] * (1.0 - _IN_HAND))
    room = open_test < guard
    warning = min(guard, max(_floor((open_test + guard) / 2), open_test)) if room else guard
    told = ", ".join(
        f"{key} {value:.0f} V" for key, value in sorted(bounds.items(), key=lambda item: item[1])
    )
    reached = _flow_that_reaches(plant, guard)
    if reached is None:
        where = f"no flow up to {plant.water.highest_flow_l_s:g} L/s drives the unloaded wheel there"
    elif reached <= plant.water.lowest_flow_l_s:
        where = "every flow drives the unloaded wheel there"
    else:
        where = f"the unloaded wheel gets there above about {reached:.0f} L/s; below, only turning without charging tells"
    reasons["rectified_normal_v"] = (
        f"{normal:.0f} V, loaded at the highest flow, {plant.water.highest_flow_l_s:g} L/s"
    )
    reasons["rectified_open_test_v"] = (
        f"{open_test:.0f} V, when a controller opens the circuit at the highest flow to test its source and the wheel "
        "gains 10 %"
    )
    reasons["rectified_guard_v"] = f"{guard:.0f} V: 10 % or more below the lowest of {told}; {where}"
    reasons["rectified_warning_v"] = (
        f"{warning:.0f} V: above {open_test:.0f} V, which normal life reaches, and below the guard of {guard:.0f} V"
        if room
        else f"{warning:.0f} V: normal life reaches {open_test:.0f} V, so nothing is left between it and the guard"
    )
    reasons["rectified_after_s"] = "2 s: a controller's test of its source lasts about one"
    reasons["touch_dry_v"] = (
        "60 V is for dry places without large areas to touch (EN 60204-1). At a wheel it is wet: codes there use 15 "
        "or 30 V. Treat everything before the converter as live whenever the wheel can turn, and for minutes after"
    )
    reasons["touch_wet_v"] = (
        "15 V (EN 60204-1, all other places) or 30 V (IEC 60364-4-41); your local code decides"
    )
    return {
        "rectified_normal_v": normal,
        "rectified_open_test_v": open_test,
        "rectified_warning_v": warning,
        "rectified_guard_v": guard,
        "rectified_after_s": 2.0,
        "guard_flow_l_s": reached,
        "touch_dry_v": TOUCH_DRY_V,
        "touch_wet_v": TOUCH_WET_V,
    }


def _flow_that_reaches(plant: Plant, volts: float) -> float | None:
    """Return the least flow at which the unloaded wheel's open voltage reaches `volts`, within 0.1 L/s, or None."""
    low, high = plant.water.lowest_flow_l_s, plant.water.highest_flow_l_s
    if runaway(plant, high).open_v < volts:
        return None
    if runaway(plant, low).open_v >= volts:
        return low
    while high - low > 0.1:  # noqa: PLR2004 - litres a second; said above
        middle = (low + high) / 2
        if runaway(plant, middle).open_v >= volts:
            high = middle
        else:
            low = middle
    return high
