"""How each fault changes a plant's condition, and which plants cannot have it.

A `Put` writes one fault into a condition at a severity, for a channel where it has one; an `Unfit` tells why a plant
cannot have it, or an empty text.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from wheelpit.plant import Plant
from wheelpit.plant.description import DividerSensor, NoConverter, PhaseSensor, PickupSensor, ShuntSensor
from wheelpit.twin.condition import SOUND, Condition, Mode

Put = Callable[[Condition, float, str], None]
Unfit = Callable[[Plant, str], str]

NOISE: Final = 0.05  # of full scale


def setting(**values: object) -> Put:
    """Make a fault that sets fields whatever the severity (a loose one is only put while it is there)."""

    def put(condition: Condition, _level: float, _channel: str) -> None:
        for name, value in values.items():
            setattr(condition, name, value)

    return put


def scaled(name: str, most: float, begin: float = 0.0) -> Put:
    """Make a fault that moves one field from its healthy value by up to `most`."""

    def put(condition: Condition, level: float, _channel: str) -> None:
        setattr(condition, name, begin + most * level)

    return put


def jam(condition: Condition, level: float, _channel: str) -> None:
    """Hold the wheel."""
    condition.jam = max(condition.jam, level)


def rocking(condition: Condition, level: float, _channel: str) -> None:
    """Hold the wheel so that it rocks."""
    condition.jam = 1.0
    condition.rocking = level


def pulses_lost(lost: float) -> Put:
    """Make a fault that takes a share of the bridge's pulses."""

    def put(condition: Condition, level: float, _channel: str) -> None:
        condition.pulses = min(condition.pulses, 1 - lost * level)

    return put


def slack_belt(condition: Condition, level: float, _channel: str) -> None:
    """Take tension from the belt."""
    condition.belt_tension = min(condition.belt_tension, 1 - level)


def dump_held(condition: Condition, level: float, _channel: str) -> None:
    """Keep the diversion load on."""
    condition.dump_held = max(condition.dump_held, level)


def controller_stuck(condition: Condition, level: float, channel: str) -> None:
    """Let the controller neither open nor let go."""
    # In series it no longer opens; beside the battery it no longer lets go of its load. Each model takes its own.
    condition.limiter_dead = True
    dump_held(condition, level, channel)


def shows_more(most: float) -> Put:
    """Make a fault that lets a sensor show up to so much more."""

    def put(condition: Condition, level: float, channel: str) -> None:
        there = condition.sensors.get(channel, SOUND)
        condition.spoil(channel, gain=there.gain * (1 + most * level))

    return put


def reversed_shunt(condition: Condition, _level: float, channel: str) -> None:
    """Let a shunt show the other direction."""
    condition.spoil(channel, gain=-condition.sensors.get(channel, SOUND).gain)


def noisy(condition: Condition, level: float, channel: str) -> None:
    """Let a sensor's readings scatter."""
    condition.spoil(channel, noise=NOISE * level)


def mode(mode: Mode) -> Put:
    """Make a fault that puts a sensor into a mode."""

    def put(condition: Condition, _level: float, channel: str) -> None:
        condition.spoil(channel, mode=mode)

    return put


def no_converter(plant: Plant, _channel: str) -> str:
    """Only a plant with a converter."""
    return "it has no converter" if isinstance(plant.converter, NoConverter) else ""


def no_controller(plant: Plant, _channel: str) -> str:
    """Only a plant with a controller."""
    return "it has no controller" if plant.controller.topology == "none" else ""


def no_limit(plant: Plant, _channel: str) -> str:
    """Only a plant with something that limits the battery's voltage."""
    limited = not isinstance(plant.converter, NoConverter) and plant.converter.output_limit_v is not None
    if plant.controller.topology == "none" and not limited:
        return "nothing limits its battery's voltage as it is"
    return ""


def no_dump(plant: Plant, _channel: str) -> str:
    """Only a plant with a diversion load."""
    return "" if plant.controller.topology.startswith("diversion") else "it has no diversion load"


def no_shunt(plant: Plant, channel: str) -> str:
    """Only a channel with a shunt."""
    return "" if isinstance(plant.sensor(channel), ShuntSensor) else f"{channel} has no shunt"


def a_pickup(plant: Plant, channel: str) -> str:
    """Only a channel that is read, not counted."""
    counted = channel == "wheel_rpm" or isinstance(plant.sensor(channel), PickupSensor | PhaseSensor)
    return "a pickup gives edges and has no value" if counted else ""


def no_divider(plant: Plant, channel: str) -> str:
    """Only a channel with a divider."""
    return "" if isinstance(plant.sensor(channel), DividerSensor) else f"{channel} has no divider"
