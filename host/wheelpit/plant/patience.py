"""How often and how long something may happen before it is told: limits of hunting and of silence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from wheelpit.plant.description import NoConverter
from wheelpit.plant.operating import OperatingPoint, cutin_rpm, operating_point

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant

# The broker's patience with a node that says nothing: common practice, half as long again as its keepalive.
_KEEPALIVE_S: Final = 30.0
_HUNTING_PER_MIN: Final = 4.0
_HUNTING_SHARE: Final = 0.25  # of the best current: less is a wheel that lopes, near cut-in even from nothing


def hunting(plant: Plant, charging_a: float, reasons: dict[str, str]) -> dict[str, Any]:
    """Return how often, by how much and for how long a converter may let go; `charging_a` is told from none [A]."""
    tests = 0.0 if plant.controller.open_test_every_s is None else 60.0 / plant.controller.open_test_every_s
    per_min = _HUNTING_PER_MIN + tests
    best_a = _best_a(plant)
    swing_a = max(_HUNTING_SHARE * best_a, 2.0 * charging_a)
    reasons["hunting_per_min"] = (
        f"{per_min:g} a minute: a converter that lets go and starts again does so more often"
        + (f"; {tests:g} of them its controller opens the circuit to test its source" if tests else "")
    )
    reasons["hunting_swing_a"] = (
        f"{swing_a:.1f} A: a quarter of the best charging current, {best_a:.1f} A; a wheel that lopes by a few per cent "
        "swings by less"
    )
    reasons["hunting_after_s"] = "3 minutes: a cloud of leaves passes sooner"
    return {"hunting_per_min": per_min, "hunting_swing_a": swing_a, "hunting_after_s": 180.0}


def _best_a(plant: Plant) -> float:
    """Return the largest charging current in steady running [A]; where none is known, what the parts allow."""
    loaded = operating_point(plant, plant.water.highest_flow_l_s)
    given = (
        loaded.battery_a
        if isinstance(loaded, OperatingPoint)
        else plant.alternator.rated_w / plant.battery.nominal_v
    )
    limit = given if isinstance(plant.converter, NoConverter) else plant.converter.output_limit_a
    return min(given, limit)


def silence(
    plant: Plant, guard_v: float, guard_flow_l_s: float | None, reasons: dict[str, str]
) -> dict[str, Any]:
    """Return how long a node may be silent, and from which speed of its wheel on silence is urgent.

    Args:
        plant: The plant.
        guard_v: The voltage before the converter at which the guard acts [V].
        guard_flow_l_s: The least flow that drives the unloaded wheel there [L/s]; None: no flow does.
        reasons: Where the reasons go.
    """
    record_s = max(plant.node(node).record_s for node in plant.node_ids)
    lost = max(2 * _KEEPALIVE_S, 3.0 * record_s)
    fast_rpm: float | None = None
    reasons["urgent_rpm"] = f"no speed: no flow drives the unloaded wheel to the guard's {guard_v:.0f} V"
    if guard_flow_l_s is not None:
        loaded = operating_point(plant, guard_flow_l_s)
        steady = isinstance(loaded, OperatingPoint)
        fast_rpm = loaded.wheel_rpm if isinstance(loaded, OperatingPoint) else cutin_rpm(plant)
        reasons["urgent_rpm"] = (
            f"{fast_rpm:.1f} rpm, "
            + (
                f"loaded at {guard_flow_l_s:.0f} L/s"
                if steady
                else "cut-in, since no steady loaded speed is known"
            )
            + f": with so much water a wheel that loses its load drives the voltage to {guard_v:.0f} V"
        )
    reasons["telemetry_lost_after_s"] = (
        f"{lost:.0f} s: a node speaks every second and its record comes every {record_s} s; the broker notices a "
        f"lost one after {1.5 * _KEEPALIVE_S:.0f} s, and a reconnect takes some"
    )
    reasons["telemetry_urgent_after_s"] = "1 h: long enough that somebody should go and look"
    reasons["sensor_fault_after_s"] = (
        "60 s: one bad reading is no fault, and nobody should wait two minutes for one"
    )
    reasons["guard_blind_after_s"] = (
        "20 s: the guard itself waits 10 s before it says so, and it is the quick one"
    )
    return {
        "telemetry_lost_after_s": lost,
        "telemetry_urgent_after_s": 3600.0,
        "urgent_rpm": fast_rpm,
        "sensor_fault_after_s": 60.0,
        "guard_blind_after_s": 20.0,
    }
