"""The names that cross the wire: channels, totals, states and fault codes.

A channel is one measured quantity; its unit is part of its name. A total is an exact integer counted by
the node since its boot; it never decreases within a boot, so the host books differences of totals and a
message that is lost, doubled or folded can cost time resolution but never energy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

# Finest step the ledger keeps of a channel; a node rounds to it, so a value survives storage unchanged.
_FINE: Final = 0.001
_DEGREE: Final = 0.01


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity.

    `label` is what a person reads; `unit` is written beside the value; `step` is the finest step kept.
    """

    name: str
    label: str
    unit: str
    step: float


CHANNELS: Final[dict[str, Channel]] = {
    channel.name: channel
    for channel in (
        Channel("wheel_rpm", "wheel speed", "rpm", _FINE),
        Channel("alternator_rpm", "alternator speed", "rpm", _FINE),
        Channel("rectified_v", "voltage after the bridge", "V", _FINE),
        Channel("battery_v", "battery voltage", "V", _FINE),
        Channel("stage_m", "water level above the weir crest", "m", 0.0001),
        Channel("rectified_a", "current from the bridge", "A", _FINE),
        Channel("charge_a", "current from the charge controller", "A", _FINE),
        Channel("load_a", "current to the loads", "A", _FINE),
        Channel("battery_a", "current into the battery", "A", _FINE),
        Channel("dump_a", "current into the diversion load", "A", _FINE),
        Channel("battery_degc", "battery temperature", "°C", _DEGREE),
        Channel("alternator_degc", "alternator temperature", "°C", _DEGREE),
        Channel("water_degc", "water temperature", "°C", _DEGREE),
        Channel("shaft_nm", "shaft torque", "N m", 0.01),
        Channel("node_v", "the node's own supply", "V", _FINE),
    )
}

# A pair is the voltage and the current of one node of the circuit: power is always their product, measured
# over the same window, and `<pair>_valid_ms` is how long both were measured.
PAIRS: Final[dict[str, tuple[str, str]]] = {
    "rectified": ("rectified_v", "rectified_a"),
    "charge": ("battery_v", "charge_a"),
    "battery": ("battery_v", "battery_a"),
    "load": ("battery_v", "load_a"),
    "dump": ("battery_v", "dump_a"),
}

# mwh is thousandths of a watt hour, mas is milliampere seconds, mrev is thousandths of a revolution.
TOTALS: Final[dict[str, str]] = {
    "wheel_edges": "magnets seen at the wheel's pickup",
    "wheel_rejected": "edges refused because they came sooner than the fastest plausible magnet",
    "wheel_mrev": "thousandths of a turn of the wheel",
    "wheel_valid_ms": "time in which the wheel's speed was measured",
    "turning_ms": "time turning, slow or not",
    "stopped_ms": "time stopped",
    "parked_ms": "time parked on purpose, by the switch at the wheel",
    "above_cutin_ms": "time at or above the cut-in speed",
    "charging_ms": "time with charging current",
    "charge_flips": "times the charging current stopped while the wheel stayed above cut-out",
    "rectified_mwh": "energy out of the bridge",
    "rectified_valid_ms": "time in which rectified_v and rectified_a were both measured",
    "charge_mwh": "energy from the charge controller into the battery node",
    "charge_mas": "charge from the charge controller into the battery node",
    "charge_back_mwh": "energy that flowed back through the charge shunt",
    "charge_valid_ms": "time in which battery_v and charge_a were both measured",
    "battery_in_mwh": "energy into the battery",
    "battery_out_mwh": "energy out of the battery",
    "battery_in_mas": "charge into the battery",
    "battery_out_mas": "charge out of the battery",
    "battery_valid_ms": "time in which battery_v and battery_a were both measured",
    "load_mwh": "energy to the loads",
    "load_valid_ms": "time in which battery_v and load_a were both measured",
    "dump_mwh": "energy into the diversion load",
    "dump_valid_ms": "time in which battery_v and dump_a were both measured",
}

# What a node's guard can find by itself, without any network, worst first.
GUARD: Final[dict[str, str]] = {
    "rectified_over": "the voltage after the bridge has passed the guard's limit: the load is lost",
    "battery_over": "the battery's voltage has passed its limit",
    "overspeed": "the wheel turns faster than it should",
    "stall": "the wheel stopped suddenly",
    "rectified_high": "the voltage after the bridge is above its warning",
    "blind": "a sensor that the guard needs cannot be read",
}

Clock = Literal["none", "host", "ntp"]
WheelState = Literal["turning", "slow", "stopped", "parked", "unknown"]
Fault = Literal["absent", "bus", "config", "range", "railed", "stuck"]

# One rising sequence per journal over all boots: seq = boot * SEQ_PER_BOOT + n, n = 1, 2, 3 ...
SEQ_PER_BOOT: Final = 1 << 24
SEQ_MAX: Final = (1 << 53) - 1
