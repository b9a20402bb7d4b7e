"""The plant of the demo with other converters, controllers and batteries, for the twin's tests."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, Final

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import FixedConverter, NoConverter
from wheelpit.twin.assumptions import USUAL

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.plant.description import Converter

DEMO: Final = load_plant(demo_plant_path())
CALM: Final = dataclasses.replace(USUAL, wander_share=0.0, lamp_w=0.0)
KINDS: Final = ("fold-back", "fixed", "none")
TOPOLOGIES: Final = ("diversion-at-battery", "diversion-in-controller", "series", "none")
BATTERY_V: Final = 14.52  # at which the demo's controller holds a full bank of 20 °C


def slow(*values: Any) -> Any:
    """Return a case that only the slow run does, beside quick ones of its kind."""
    return pytest.param(*values, marks=pytest.mark.slow)


def fixed(input_w: float, **changes: Any) -> FixedConverter:
    """Return a converter of fixed output that wants a power at its input while the bank is held at its limit."""
    told: dict[str, Any] = {
        "start_v": 16.0, "stop_v": 9.0, "restart_s": 2.0, "efficiency": 0.92, "largest_input_v": 80.0, "parts_v": 100.0,
    }  # fmt: skip
    told |= changes
    output_limit_a = input_w * told["efficiency"] / BATTERY_V
    return FixedConverter(kind="fixed", output_limit_a=output_limit_a, **told)


def plant_of(kind: str, topology: str = "diversion-at-battery", **changes: Any) -> Plant:
    """Return the demo plant with a kind of converter and a topology of the controller."""
    converter: Converter = DEMO.converter
    belt = DEMO.belt
    if kind == "fixed":
        converter = fixed(60.0)
    elif kind == "none":
        # Without a converter the alternator must turn slower to come to the battery's voltage.
        converter, belt = (
            NoConverter(kind="none", parts_v=100.0),
            dataclasses.replace(belt, pulley_diameter_m=0.115),
        )
    dump_w = DEMO.controller.dump_w if topology.startswith("diversion") else None
    controller = dataclasses.replace(DEMO.controller, topology=topology, dump_w=dump_w)  # type: ignore[arg-type]
    return with_parts(DEMO, converter=converter, belt=belt, controller=controller, **changes)


def with_parts(plant: Plant, **parts: Any) -> Plant:
    """Return a plant with other parts."""
    return dataclasses.replace(plant, **parts)
