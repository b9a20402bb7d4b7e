"""What the fitted channels can and cannot support, and which sensor would give what is missing.

A figure that the channels cannot support is not shown; a person is told what would give it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from wheelpit.plant.description import LinearSensor, NotchWeir, PickupSensor
from wheelpit.plant.operating import cutin_rpm
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant

_WIDENED = 1.2  # a wheel lopes: the expected time between magnets is widened by a fifth
_STOP_EDGES = 2
_STOP_GRACE_S = 10.0
_MAGNETS_WANTED = 4


class Support(NamedTuple):
    """Whether a figure can be told, why, and what would give it; `needs` is empty where nothing is missing."""

    figure: str
    answer: Literal["yes", "partly", "no"]
    because: str
    needs: str = ""


def supported(plant: Plant) -> list[Support]:
    """Return what a plant's channels can and cannot support, most wanted first."""
    return [
        _generation(plant),
        _state_of_charge(plant),
        _loads(plant),
        *_diverted(plant),
        _flow(plant),
        _slip(plant),
        _wheel_loss(plant),
        _bridge(plant),
        _alternator_loss(plant),
        _stop(plant),
    ]


def _generation(plant: Plant) -> Support:
    name = "energy given to the battery node"
    have = plant.channels
    if {"charge_a", "battery_v"} <= have:
        if plant.controller.topology == "diversion-in-controller":
            return Support(
                name,
                "partly",
                "battery_v and charge_a, but the controller diverts before the shunt: a lower bound while it does",
            )
        return Support(name, "yes", "battery_v and charge_a")
    if {"battery_a", "battery_v"} <= have:
        if plant.other_sources:
            return Support(
                name,
                "no",
                "battery_a says nothing about the wheel while another source feeds the bank",
                "charge_a: a shunt between the charge controller and the battery node",
            )
        return Support(
            name,
            "partly",
            "battery_a: a lower bound, for what the loads take at once is not in it",
            "charge_a: a shunt between the charge controller and the battery node",
        )
    missing = "battery_v" if "charge_a" in have else "charge_a and battery_v"
    return Support(name, "no", "power is a current times the voltage at the same node", missing)


def _state_of_charge(plant: Plant) -> Support:
    name = "state of charge"
    if {"battery_a", "battery_v"} <= plant.channels:
        return Support(name, "yes", "battery_a counted, with battery_v for full and for rest")
    if plant.battery.chemistry == "lfp":
        because = "the voltage of LiFePO4 hardly moves between a fifth and nine tenths full"
    else:
        because = "only the voltage at rest, +-15 points, and a wheel that runs day and night gives no rest"
    return Support(name, "no", because, "battery_a: a shunt that is the only thing on the negative post")


def _loads(plant: Plant) -> Support:
    name = "what the loads take"
    have = plant.channels
    if {"load_a", "battery_v"} <= have:
        return Support(name, "yes", "battery_v and load_a")
    if {"charge_a", "battery_a", "battery_v"} <= have and not plant.other_sources:
        if plant.controller.topology == "diversion-at-battery" and "dump_a" not in have:
            return Support(
                name,
                "partly",
                "charge_a less battery_a, with the diversion load among the loads",
                "dump_a: a shunt in the diversion load's cable",
            )
        return Support(
            name, "yes", "the difference of charge_a and battery_a, less dump_a where it is fitted"
        )
    because = (
        "another source feeds the bank too, so no difference tells"
        if plant.other_sources
        else "one current is not enough for a difference"
    )
    return Support(name, "no", because, "load_a: a shunt in the cable to the loads")


def _diverted(plant: Plant) -> list[Support]:
    if plant.controller.dump_w is None:
        return []
    name = "energy to the diversion load"
    if "dump_a" in plant.channels:
        return [Support(name, "yes", "dump_a")]
    if plant.controller.topology == "diversion-in-controller":
        because = "it never passes charge_a, which falls when the battery is full"
    else:
        because = "it is booked as loads or as charge, and a full battery can only be guessed"
    return [Support(name, "no", because, "dump_a: a shunt in the diversion load's cable")]


def _flow(plant: Plant) -> Support:
    name = "flow, water power and overall efficiency"
    sensor = plant.sensor("stage_m")
    if not isinstance(sensor, LinearSensor):
        return Support(name, "no", "no water level", "stage_m at a weir in the headrace, with a [weir] table")
    if sensor.at == "stream":
        return Support(
            name,
            "partly",
            "stage_m stands in the stream, and stream flow is not wheel flow: spill and compensation water",
            "stage_m in the headrace",
        )
    rating = rating_of(plant)
    if rating is None:
        return Support(name, "no", "stage_m has no rating", "a [weir] table")
    keep = "keep its crest clean" if isinstance(plant.weir, NotchWeir) else "gauge again after every flood"
    return Support(name, "yes", f"stage_m by {rating.words}; {keep}")


def _slip(plant: Plant) -> Support:
    if {"wheel_rpm", "alternator_rpm"} <= plant.channels:
        return Support("belt slip", "yes", "wheel_rpm and alternator_rpm")
    return Support(
        "belt slip",
        "no",
        'one speed tells only "less voltage than usual: belt, magnets, hot winding or a connection"',
        "alternator_rpm: a second pickup, or one phase through an opto-coupler",
    )


def _wheel_loss(plant: Plant) -> Support:
    name = "loss of wheel and bearings"
    if "shaft_nm" in plant.channels:
        return Support(name, "yes", "shaft_nm separates the wheel from the belt")
    if _flow(plant).answer == "yes":
        return Support(
            name,
            "partly",
            "stage_m: wheel, belt, bearing and weir together only",
            "shaft_nm: a torque arm at the wheel's shaft",
        )
    return Support(
        name,
        "no",
        "what the bridge gives depends on speed alone, and at unknown flow any speed is normal: a sick bearing looks "
        "like less water",
        "shaft_nm, or stage_m with a [weir] table",
    )


def _bridge(plant: Plant) -> Support:
    if {"rectified_v", "rectified_a"} <= plant.channels:
        return Support("output of the bridge", "yes", "rectified_v and rectified_a")
    return Support(
        "output of the bridge", "no", "voltage alone is no power", "rectified_a: a shunt at the bridge"
    )


def _alternator_loss(plant: Plant) -> Support:
    name = "loss of the alternator"
    have = plant.channels
    if {"shaft_nm", "rectified_v", "rectified_a"} <= have:
        return Support(name, "yes", "shaft torque against the output of the bridge, the belt included")
    if {"rectified_v", "rectified_a"} <= have or {
        "charge_a",
        "battery_a",
        "battery_v",
        "rectified_v",
    } <= have:
        return Support(
            name,
            "partly",
            "modelled from current and speed; its trend needs a speed clean of slip",
            "alternator_rpm, and shaft_nm for a measured loss",
        )
    return Support(name, "no", 'only "volts at this speed and current"', "rectified_a and shaft_nm")


def _stop(plant: Plant) -> Support:
    name = "a sudden stop, soon"
    sensor = plant.sensor("wheel_rpm")
    if not isinstance(sensor, PickupSensor):
        return Support(name, "no", "no pickup at the wheel", "wheel_rpm with four magnets or more")
    edge_s = 60.0 / (sensor.magnets * cutin_rpm(plant))
    seconds = _STOP_EDGES * edge_s * _WIDENED + _STOP_GRACE_S
    because = f"{sensor.magnets} magnets: told within {seconds:.0f} s at cut-in speed, sooner when faster"
    if sensor.magnets < _MAGNETS_WANTED:
        return Support(
            name, "partly", because.replace("1 magnets", "1 magnet"), "four magnets or more, no dearer"
        )
    return Support(name, "yes", because)
