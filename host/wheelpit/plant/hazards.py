"""Combinations that hurt: what `plant check` warns of, though each value is believable by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from wheelpit.contract.names import PAIRS
from wheelpit.plant.chain import RPM, Electric, chain_of, charging_v
from wheelpit.plant.description import (
    DividerSensor,
    FixedConverter,
    MonitorSensor,
    NoConverter,
    PickupSensor,
    ShuntSensor,
)
from wheelpit.plant.limits import limits_of
from wheelpit.plant.operating import OperatingPoint, Unsteady, operating_point, runaway

if TYPE_CHECKING:
    from collections.abc import Iterable

    from wheelpit.plant.description import Plant

_DUMP_IN_HAND: Final = 1.25  # a diversion load must take this much more than the wheel's largest give
_BUS_IN_HAND: Final = 0.9
_FLOWS_TRIED: Final = 9
_TEST_STEPS: Final = 50
_NO_CURRENT: Final = Electric(0.0, 0.0)


class Hazard(NamedTuple):
    """A combination that hurts: which key it hangs on, what happens, what to do."""

    grade: Literal["danger", "caution"]
    key: str
    what: str
    remedy: str

    def __str__(self) -> str:
        """Return the hazard in one line."""
        return f"{self.key}: {self.what}; {self.remedy}"


def hazards(plant: Plant) -> list[Hazard]:
    """Return what a plant's description warns of, dangers first.

    An empty list is no proof of safety: it knows nothing but the description.
    """
    found = [
        *_runaway(plant),
        *_unloaded(plant),
        *_source_test(plant),
        *_dump(plant),
        *_converter(plant),
        *_inputs(plant),
        *_books(plant),
    ]
    return sorted(found, key=lambda hazard: hazard.grade != "danger")


def _independent(plant: Plant) -> bool:
    """Whether something acts by itself at the bridge or at the water when the load is lost."""
    protection = plant.protection
    return protection.clamp_v is not None or protection.water_trap or protection.brake


def _runaway(plant: Plant) -> Iterable[Hazard]:
    highest = plant.water.highest_flow_l_s
    worst = runaway(plant, highest)
    kind = plant.converter
    lost = f"without load the wheel runs at up to {worst.wheel_rpm:.0f} rpm and {worst.open_v:.0f} V"
    clamp = plant.protection.clamp_v
    reached = worst.open_v if clamp is None else min(worst.open_v, clamp)
    bounds = [("converter.parts_v", "the lowest rated part", kind.parts_v)]
    if not isinstance(kind, NoConverter):
        bounds.append(("converter.largest_input_v", "the converter", kind.largest_input_v))
    for key, what, most in bounds:
        if reached > most:
            yield Hazard(
                "danger",
                key,
                f"{lost}, and {what} stands {most:g} V",
                "fit a clamp at the bridge below that, or parts for more",
            )
    if clamp is not None and clamp > min(most for _, _, most in bounds):
        yield Hazard(
            "danger",
            "protection.clamp_v",
            f"the clamp begins at {clamp:g} V, and {min(bounds, key=lambda b: b[2])[1]} is dead before",
            "choose a lower clamp",
        )
    if not _independent(plant):
        yield Hazard(
            "caution",
            "protection",
            f"if a fuse, a cable or the converter opens, {lost}; a diversion load at the battery cannot help",
            "have a clamp or dump at the bridge, or a trap in the launder, and write it there",
        )
    limits = limits_of(plant)
    if worst.open_v > limits.touch_dry_v:
        yield Hazard(
            "caution",
            "alternator.v_per_rpm",
            f"{lost}: even the {limits.touch_dry_v:.0f} V of dry places is passed, and at a wheel it is wet",
            "treat everything before the converter as live whenever the wheel can turn, and for minutes after",
        )


def _unloaded(plant: Plant) -> Iterable[Hazard]:
    """Tell where a full battery takes the load off the wheel by design."""
    kind = plant.converter
    limited = not isinstance(kind, NoConverter) and kind.output_limit_v is not None
    series = plant.controller.topology == "series"
    unloading = series or (limited and plant.controller.dump_w is None)
    if not unloading or _independent(plant):
        return
    worst = runaway(plant, plant.water.highest_flow_l_s)
    if isinstance(kind, NoConverter):
        allowed = f"the parts stand {kind.parts_v:g} V"
    else:
        allowed = f"the converter allows {kind.largest_input_v:g} V"
    yield Hazard(
        "danger",
        "controller.topology" if series else "converter.output_limit_v",
        f"with a full battery the wheel will run at up to {worst.wheel_rpm:.0f} rpm and {worst.open_v:.0f} V; "
        f"{allowed}, and nothing takes the load",
        "add a diversion load, a clamp at the bridge or a trap in the launder",
    )


def _source_test(plant: Plant) -> Iterable[Hazard]:
    """Tell where the wheel runs up to the guard while the controller tests its source."""
    controller, loaded = plant.controller, _largest(plant)
    if controller.open_test_every_s is None or loaded is None:
        return
    chain, flow = chain_of(plant), plant.water.highest_flow_l_s / 1000.0
    speed, step_s = loaded.wheel_rpm * RPM, controller.open_test_s / _TEST_STEPS
    for _ in range(_TEST_STEPS):
        surplus_nm = chain.available_nm(speed, flow) - chain.demanded_nm(speed, _NO_CURRENT)
        speed = min(speed + surplus_nm / plant.wheel.inertia_kg_m2 * step_s, chain.ceiling_rad_s)
    reached_v, guard_v = chain.open_v(speed), limits_of(plant).rectified_guard_v
    if reached_v > guard_v:
        yield Hazard(
            "caution",
            "controller.open_test_s",
            f"while it tests its source for {controller.open_test_s:g} s at the highest flow, the wheel runs up to "
            f"{reached_v:.0f} V, above the guard of {guard_v:.0f} V",
            "shorten the test or switch it off: it is meant for sources that stay as they are without load",
        )


def _dump(plant: Plant) -> Iterable[Hazard]:
    kind = plant.converter
    limits_itself = not isinstance(kind, NoConverter) and kind.output_limit_v is not None
    if plant.controller.topology == "none" and not limits_itself:
        yield Hazard(
            "danger",
            "controller.topology",
            "nothing keeps the battery from overcharge: it boils, gives hydrogen and may burn",
            "fit a controller with a diversion load",
        )
    most = _largest(plant)
    dump_w = plant.controller.dump_w
    if dump_w is not None and most is not None and dump_w < _DUMP_IN_HAND * most.battery_w:
        yield Hazard(
            "danger",
            "controller.dump_w",
            f"{dump_w:g} W is less than 1.25 times the wheel's largest give, {most.battery_w:.0f} W",
            f"fit at least {_DUMP_IN_HAND * most.battery_w:.0f} W",
        )
    if most is not None and most.rectified_w > plant.alternator.rated_w:
        yield Hazard(
            "caution",
            "alternator.rated_w",
            f"at {most.flow_l_s:g} L/s it would give {most.rectified_w:.0f} W, above its {plant.alternator.rated_w:g} W",
            "watch its temperature, or give the wheel less water",
        )


def _largest(plant: Plant) -> OperatingPoint | None:
    found = operating_point(plant, plant.water.highest_flow_l_s)
    return found if isinstance(found, OperatingPoint) else None


def flows(plant: Plant) -> list[float]:
    """Return the flows [L/s] at which a plant is looked at, from its lowest to its highest."""
    low, high = plant.water.lowest_flow_l_s, plant.water.highest_flow_l_s
    steps = _FLOWS_TRIED - 1
    return [low * (high / low) ** (k / steps) for k in range(steps)] + [high]


def _converter(plant: Plant) -> Iterable[Hazard]:
    if not isinstance(plant.converter, FixedConverter):
        return
    found = {flow: operating_point(plant, flow) for flow in flows(plant)}
    hunting = [flow for flow, at in found.items() if isinstance(at, Unsteady) and at.state == "hunts"]
    if hunting:
        yield Hazard(
            "caution",
            "converter.output_limit_a",
            f"at {min(hunting):.3g} to {max(hunting):.3g} L/s it takes more than the wheel can give: it stalls the "
            "wheel, drops out and begins again, and gives a fifth to a third less",
            "set a smaller current, or use a converter that folds back",
        )
    for flow, at in found.items():
        if isinstance(at, OperatingPoint) and at.start_above_rpm is not None:
            yield Hazard(
                "caution",
                "converter.start_v",
                f"at {flow:.3g} L/s it stalls the wheel when it starts below {at.start_above_rpm:.1f} rpm",
                "do not start it below that speed, or raise its start voltage",
            )


def _inputs(plant: Plant) -> Iterable[Hazard]:
    """Tell which input of the node the plant can destroy or rail."""
    worst = runaway(plant, plant.water.highest_flow_l_s)
    limits = limits_of(plant)
    bank_v = max(limits.overcharge_v(None), limits.overcharge_v(25.0))
    for sensor in plant.sensors:
        key = f"sensor {sensor.channel}"
        if (
            isinstance(sensor, DividerSensor)
            and sensor.channel == "rectified_v"
            and sensor.full_scale_v < worst.open_v
        ):
            yield Hazard(
                "danger",
                f"{key}.upper_ohm",
                f"its scale ends at {sensor.full_scale_v:.0f} V and the unloaded wheel gives {worst.open_v:.0f} V: the "
                "pin is overdriven and the guard blind",
                "use a larger upper resistor and clamp the pin",
            )
        if (
            (isinstance(sensor, MonitorSensor) and sensor.channel == "rectified_v")
            or (isinstance(sensor, ShuntSensor) and sensor.at == "bridge-positive")
        ) and worst.open_v > sensor.most_v:
            yield Hazard(
                "danger",
                key,
                f"the monitor chip stands {sensor.most_v:.0f} V and the unloaded wheel gives {worst.open_v:.0f} V",
                "measure the voltage through a divider and put the shunt into the negative line",
            )
        if (
            isinstance(sensor, MonitorSensor)
            and sensor.channel in {"battery_v", "node_v"}
            and bank_v > _BUS_IN_HAND * sensor.most_v
        ):
            yield Hazard(
                "danger" if bank_v > sensor.most_v else "caution",
                key,
                f"the monitor chip stands {sensor.most_v:.0f} V and the bank may reach {bank_v:.1f} V",
                "measure the voltage through a divider",
            )
        if isinstance(sensor, PickupSensor) and sensor.channel == "wheel_rpm" and sensor.magnets < 4:  # noqa: PLR2004 - told in the remedy
            yield Hazard(
                "caution",
                f"{key}.magnets",
                f"{sensor.magnets} in a turn see a stopped wheel late",
                "glue on four or more",
            )
    most = _largest(plant)
    for channel, expected in () if most is None else _expected_currents(plant, most):
        shunt = plant.sensor(channel)
        if isinstance(shunt, ShuntSensor) and shunt.range_a < expected:
            yield Hazard(
                "caution",
                f"sensor {channel}.range_a",
                f"{shunt.range_a:g} A is less than the {expected:.1f} A expected: what is beyond is not counted",
                "use a smaller shunt",
            )


def _expected_currents(plant: Plant, most: OperatingPoint) -> Iterable[tuple[str, float]]:
    yield "charge_a", most.battery_a
    yield "rectified_a", most.rectified_a
    if plant.controller.dump_w is not None:
        yield "dump_a", plant.controller.dump_w / charging_v(plant)


def _books(plant: Plant) -> Iterable[Hazard]:
    """Tell what makes the books wrong or the watch blind."""
    have = plant.channels
    if plant.controller.load_terminals and "load_a" not in have:
        yield Hazard(
            "caution",
            "controller.load_terminals",
            "loads fed from there are taken out before charge_a and are in no book",
            "move them to the battery node, or fit load_a",
        )
    if plant.other_sources and "battery_a" in have and "charge_a" not in have:
        yield Hazard(
            "caution",
            "other_source",
            "with another source battery_a says nothing about the wheel",
            "fit charge_a between the wheel's charge controller and the battery node",
        )
    for channel, why in (
        ("wheel_rpm", "no stop and no slow wheel is seen"),
        ("rectified_v", "no over-voltage before the converter is seen"),
        ("battery_v", "no overcharge and no power is seen"),
        ("battery_degc", "limits are those of the coldest the bank gets, and a hot bank is not seen"),
    ):
        if channel not in have:
            yield Hazard("caution", f"sensor {channel}", f"not fitted: {why}", "fit it")
    if not {"charge_a", "battery_a"} & have:
        yield Hazard(
            "caution", "sensor charge_a", "no current at the battery is fitted: no energy", "fit a shunt"
        )
    for volts, amps in PAIRS.values():
        first, second = plant.sensor(volts), plant.sensor(amps)
        if first is not None and second is not None and first.node != second.node:
            yield Hazard(
                "caution",
                f"sensor {amps}.node",
                f"{amps} is read by {second.node} and {volts} by {first.node}: power is their product over the same "
                "window, so none is counted",
                "let one node read both",
            )
    limits = limits_of(plant)
    if limits.rectified_open_test_v >= limits.rectified_guard_v:
        yield Hazard(
            "caution",
            "converter.largest_input_v",
            f"normal life reaches {limits.rectified_open_test_v:.0f} V and the guard stands at "
            f"{limits.rectified_guard_v:.0f} V: it would cry out in normal life",
            "use a converter and parts for a higher voltage",
        )
