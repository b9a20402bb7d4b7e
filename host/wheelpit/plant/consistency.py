"""Contradictions in a plant's description: values that are each believable but cannot all be true."""

from __future__ import annotations

import math
import zoneinfo
from collections import Counter
from typing import TYPE_CHECKING, Final

from wheelpit.contract.topics import HOST, check_id
from wheelpit.physics.battery import LFP_CELL_MOST_V, lfp_cells
from wheelpit.physics.errors import PhysicsError
from wheelpit.plant.description import NoConverter, RatedWeir
from wheelpit.plant.operating import ceiling_rpm, cutin_rpm, cutout_rpm, runaway
from wheelpit.plant.sensor_checks import sensor_contradictions, sensor_key

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant

_NOMINAL_V: Final = (12.0, 24.0, 48.0)
_FLOOD: Final = 20.0  # times what the wheel is given: more than that at low water is no stream of this wheel


def contradictions(plant: Plant) -> list[str]:
    """Return one line, with key, value and remedy, for each contradiction in a plant's description."""
    lines = [
        *_place(plant),
        *_weir(plant),
        *_machine(plant),
        *_battery(plant),
        *_lithium(plant),
        *_converter(plant),
        *sensor_contradictions(plant),
    ]
    # Only of a plant without other contradictions can speeds be worked out.
    return lines or _speeds(plant)


def _place(plant: Plant) -> list[str]:
    lines: list[str] = []
    names = [("site.id", plant.site.id), *(("node.id", node.id) for node in plant.nodes)]
    names += [(f"{sensor_key(sensor)}.node", sensor.node) for sensor in plant.sensors]
    for key, value in names:
        try:
            check_id(value, key)
        except ValueError as error:
            lines.append(str(error))
        if value == HOST and key != "site.id":
            lines.append(f'{key} = "{HOST}": the host speaks under that name; choose another')
    try:
        zoneinfo.ZoneInfo(plant.site.time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        lines.append(
            f'site.time_zone = "{plant.site.time_zone}": no such zone; write one such as "Europe/London" or "UTC"'
        )
    lines += [
        f"node.record_s = {node.record_s}: use 5, 6, 10, 12, 15, 20, 30 or 60, so that minutes divide"
        for node in plant.nodes
        if 60 % node.record_s
    ]
    repeated = [name for name, count in Counter(node.id for node in plant.nodes).items() if count > 1]
    lines += [f'node.id = "{name}": described more than once; keep one [[node]]' for name in repeated]
    lines += [
        f'node.id = "{node.id}": no [[sensor]] names it; correct the id or remove the table'
        for node in plant.nodes
        if node.id not in plant.node_ids
    ]
    return lines


def _machine(plant: Plant) -> list[str]:
    lines: list[str] = []
    water, wheel, belt = plant.water, plant.wheel, plant.belt
    if water.lowest_flow_l_s >= water.highest_flow_l_s:
        lines.append(
            f"water.lowest_flow_l_s = {water.lowest_flow_l_s:g}: give less than highest_flow_l_s, "
            f"{water.highest_flow_l_s:g}"
        )
    if wheel.bucket_radius_m >= wheel.diameter_m / 2:
        lines.append(
            f"wheel.bucket_radius_m = {wheel.bucket_radius_m:g}: the water lies inside the rim; give less than "
            f"half of diameter_m, {wheel.diameter_m / 2:g}"
        )
    if wheel.spill_deg >= wheel.empty_deg:
        lines.append(f"wheel.spill_deg = {wheel.spill_deg:g}: give less than empty_deg, {wheel.empty_deg:g}")
    if wheel.spill_deg - wheel.spill_deg_per_fill <= wheel.entry_deg:
        lines.append(
            f"wheel.spill_deg_per_fill = {wheel.spill_deg_per_fill:g}: a full bucket would spill before the "
            f"water enters at {wheel.entry_deg:g}°; give less than {wheel.spill_deg - wheel.entry_deg:g}"
        )
    if wheel.entry_fall_m >= water.head_m:
        lines.append(
            f"wheel.entry_fall_m = {wheel.entry_fall_m:g}: give less than water.head_m, {water.head_m:g}"
        )
    if belt.belt_mm and belt.kind != "flat":
        lines.append(
            f'belt.belt_mm = {belt.belt_mm:g}: only for kind = "flat"; for "{belt.kind}" give the pitch diameters '
            "and leave belt_mm out"
        )
    if belt.kind == "flat" and not belt.belt_mm:
        lines.append(
            "belt.belt_mm: missing; add the belt's thickness: on a small pulley it changes the ratio by per cents"
        )
    return lines


def _weir(plant: Plant) -> list[str]:
    lines: list[str] = []
    told = plant.weir
    if told is None:
        return lines
    if "stage_m" not in plant.channels:
        lines.append("weir: no [[sensor]] gives stage_m; add one, or remove the [weir] table")
    if not isinstance(told, RatedWeir):
        return lines
    if told.from_m <= told.zero_m:
        return [
            *lines,
            f"weir.from_m = {told.from_m:g}: give more than zero_m, {told.zero_m:g}, where flow begins",
        ]
    if told.to_m <= told.from_m:
        return [*lines, f"weir.to_m = {told.to_m:g}: give more than from_m, {told.from_m:g}"]
    low, high = (
        told.coefficient_l_s * math.pow(level_m - told.zero_m, told.exponent)
        for level_m in (told.from_m, told.to_m)
    )
    # A coefficient in m3/s, or levels in another unit, are out by a thousand.
    water = plant.water
    if high < water.lowest_flow_l_s or low > _FLOOD * water.highest_flow_l_s:
        lines.append(
            f"weir.coefficient_l_s = {told.coefficient_l_s:g}: it would make {low:.3g} to {high:.3g} L/s of {told.from_m:g} "
            f"to {told.to_m:g} m, and the wheel is given {water.lowest_flow_l_s:g} to {water.highest_flow_l_s:g}; levels "
            "are in m, and it is the flow in L/s one metre above zero_m"
        )
    return lines


def _battery(plant: Plant) -> list[str]:
    lines: list[str] = []
    controller, battery = plant.controller, plant.battery
    if battery.nominal_v not in _NOMINAL_V:
        lines.append(f"battery.nominal_v = {battery.nominal_v:g}: use 12, 24 or 48")
    if controller.float_v > controller.absorption_v:
        lines.append(
            f"controller.float_v = {controller.float_v:g}: give at most absorption_v, {controller.absorption_v:g}"
        )
    if controller.absorption_v >= battery.overcharge_v:
        lines.append(
            f"battery.overcharge_v = {battery.overcharge_v:g}: give more than controller.absorption_v, "
            f"{controller.absorption_v:g}"
        )
    # 2.0 to 2.7 V of a lead cell, 3.0 to 3.65 V of a LiFePO4 one: a bank of another voltage is a slip.
    low, high = 12.5 * battery.nominal_v / 12, 16.2 * battery.nominal_v / 12
    if not low <= controller.absorption_v <= high:
        lines.append(
            f"controller.absorption_v = {controller.absorption_v:g}: not of a {battery.nominal_v:g} V bank; give "
            f"{low:g} to {high:g}, or correct battery.nominal_v"
        )
    return lines


def _converter(plant: Plant) -> list[str]:
    lines: list[str] = []
    converter, controller = plant.converter, plant.controller
    if not isinstance(converter, NoConverter):
        if converter.stop_v > converter.start_v:
            lines.append(
                f"converter.stop_v = {converter.stop_v:g}: give at most start_v, {converter.start_v:g}"
            )
        if converter.start_v >= converter.largest_input_v:
            lines.append(
                f"converter.start_v = {converter.start_v:g}: give less than largest_input_v, "
                f"{converter.largest_input_v:g}"
            )
    every_s = controller.open_test_every_s
    if every_s is not None and controller.topology == "none":
        lines.append(
            f'controller.open_test_every_s = {every_s:g}: topology = "none" has no controller that tests its source; '
            "leave it out"
        )
    if every_s is not None and every_s <= 2 * controller.open_test_s:
        lines.append(
            f"controller.open_test_s = {controller.open_test_s:g}: give less than half of open_test_every_s, {every_s:g}"
        )
    diverts = controller.topology.startswith("diversion")
    if diverts and controller.dump_w is None:
        lines.append("controller.dump_w: missing; add the power of the diversion load")
    if not diverts and controller.dump_w is not None:
        lines.append(
            f'controller.dump_w = {controller.dump_w:g}: topology = "{controller.topology}" has no diversion load; '
            "correct one of the two"
        )
    return lines


def _lithium(plant: Plant) -> list[str]:
    lines: list[str] = []
    controller, battery = plant.controller, plant.battery
    if battery.chemistry != "lfp" or battery.nominal_v not in _NOMINAL_V:
        return lines
    most = LFP_CELL_MOST_V * lfp_cells(battery.nominal_v)
    if battery.overcharge_v > most:
        lines.append(
            f"battery.overcharge_v = {battery.overcharge_v:g}: LiFePO4 cells take at most 3.65 V each, {most:g} V here"
        )
    if controller.v_per_degc:
        lines.append(
            f"controller.v_per_degc = {controller.v_per_degc:g}: LiFePO4 is not compensated for temperature; give 0"
        )
    return lines


def _speeds(plant: Plant) -> list[str]:
    lines: list[str] = []
    told = plant.limits
    try:
        start, stop, ceiling = cutin_rpm(plant), cutout_rpm(plant), ceiling_rpm(plant)
        runaway(plant, plant.water.highest_flow_l_s)
    except PhysicsError as error:
        return [f"the plant as described cannot be computed: {error}"]
    if start >= ceiling:
        lines.append(
            f"alternator.v_per_rpm = {plant.alternator.v_per_rpm:g}: charging would start at {start:.0f} rpm, above "
            f"{ceiling:.0f} rpm, where no bucket holds water; correct it, the belt's diameters or converter.start_v"
        )
    if told.slow_rpm is not None and not stop <= told.slow_rpm <= start:
        lines.append(
            f"limits.slow_rpm = {told.slow_rpm:g}: give at least the cut-out speed, {stop:.2f}, and at most the cut-in "
            f"speed, {start:.2f} rpm, or leave it out"
        )
    warning, guard = told.rectified_warning_v, told.rectified_guard_v
    if warning is not None and guard is not None and warning > guard:
        lines.append(f"limits.rectified_warning_v = {warning:g}: give at most rectified_guard_v, {guard:g}")
    warning, hard = told.overcharge_warning_v, told.overcharge_hard_v or plant.battery.overcharge_v
    if warning is not None and warning > hard:
        lines.append(f"limits.overcharge_warning_v = {warning:g}: give at most the hard limit, {hard:g}")
    return lines
