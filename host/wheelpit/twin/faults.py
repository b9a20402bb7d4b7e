"""Everything that can be broken, in words: name, what happens, what its severity means, and where it is.

Most faults are of the plant, its sensors or the radio link, and the twin carries them out. Those of the node, the
broker or the host are entered here so that they have a name and a place; whoever runs that part breaks it.

To add a fault: give `Condition` what it changes, make the part of the plant obey it, and enter it here.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from wheelpit.plant.description import DividerSensor, NoConverter, ShuntSensor
from wheelpit.twin.condition import SOUND
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.plant import Plant
    from wheelpit.twin.condition import Condition

Where = Literal["plant", "sensor", "link", "node", "broker", "host"]
TWINS_OWN: Final = frozenset({"plant", "sensor", "link"})

_DEBRIS_M: Final = 0.03
_BEARING: Final = 3.0
_EDGES: Final = 4.0
_MAGNETS: Final = 0.2
_BACK_A: Final = 2.0
_TERMINAL_OHM: Final = 0.05
_DRIFT: Final = 0.1
_RATIO: Final = 0.5
_NOISE: Final = 0.05
_LONGEST_S: Final = 1e9


class Fault(NamedTuple):
    """One thing that can be broken.

    Args:
        name: What it is called.
        text: What happens, in a line.
        severity: What its severity, 0 to 1, means.
        where: The part that is broken; the twin carries out those of plant, sensor and link.
        put: Writes it into a condition at a severity, for a channel where it has one. None for those elsewhere.
        remedy: For one elsewhere: how it is carried out.
        per_channel: Whether it is of one sensor, and its name goes on with a colon and the channel.
        loose: Whether a severity below 1 makes it come and go, present for that share of the time.
        unfit: Tells why a plant cannot have it, or nothing.
    """

    name: str
    text: str
    severity: str
    where: Where = "plant"
    put: Callable[[Condition, float, str], None] | None = None
    remedy: str = ""
    per_channel: bool = False
    loose: bool = False
    unfit: Callable[[Plant, str], str] | None = None


class FaultError(TwinError):
    """A fault that is not known, or that this plant cannot have."""


class ElsewhereError(FaultError):
    """A fault of a part that the twin does not run."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(
            f'fault "{fault.name}" is of the {fault.where}: the twin alone cannot do it; {fault.remedy}'
        )


def _set(**values: object) -> Callable[[Condition, float, str], None]:
    """Make a fault that sets fields whatever the severity (a loose one is only put while it is there)."""

    def put(condition: Condition, _level: float, _channel: str) -> None:
        for name, value in values.items():
            setattr(condition, name, value)

    return put


def _scaled(name: str, most: float, begin: float = 0.0) -> Callable[[Condition, float, str], None]:
    """Make a fault that moves one field from its healthy value by up to `most`."""

    def put(condition: Condition, level: float, _channel: str) -> None:
        setattr(condition, name, begin + most * level)

    return put


def _jam(condition: Condition, level: float, _channel: str) -> None:
    condition.jam = max(condition.jam, level)


def _rocking(condition: Condition, level: float, _channel: str) -> None:
    condition.jam = 1.0
    condition.rocking = level


def _pulses(lost: float) -> Callable[[Condition, float, str], None]:
    def put(condition: Condition, level: float, _channel: str) -> None:
        condition.pulses = min(condition.pulses, 1 - lost * level)

    return put


def _belt(lowest: float) -> Callable[[Condition, float, str], None]:
    def put(condition: Condition, level: float, _channel: str) -> None:
        condition.belt_tension = min(condition.belt_tension, 1 - level if lowest else 0.0)

    return put


def _held(condition: Condition, level: float, _channel: str) -> None:
    condition.dump_held = max(condition.dump_held, level)


def _controller_stuck(condition: Condition, level: float, channel: str) -> None:
    # In series it no longer opens; beside the battery it no longer lets go of its load. Each model takes its own.
    condition.limiter_dead = True
    _held(condition, level, channel)


def _gain(most: float) -> Callable[[Condition, float, str], None]:
    def put(condition: Condition, level: float, channel: str) -> None:
        there = condition.sensors.get(channel, SOUND)
        condition.spoil(channel, gain=there.gain * (1 + most * level))

    return put


def _reversed(condition: Condition, _level: float, channel: str) -> None:
    condition.spoil(channel, gain=-condition.sensors.get(channel, SOUND).gain)


def _noisy(condition: Condition, level: float, channel: str) -> None:
    condition.spoil(channel, noise=_NOISE * level)


def _mode(mode: str) -> Callable[[Condition, float, str], None]:
    def put(condition: Condition, _level: float, channel: str) -> None:
        condition.spoil(channel, mode=mode)

    return put


def _no_converter(plant: Plant, _channel: str) -> str:
    return "it has no converter" if isinstance(plant.converter, NoConverter) else ""


def _no_controller(plant: Plant, _channel: str) -> str:
    return "it has no controller" if plant.controller.topology == "none" else ""


def _no_limit(plant: Plant, _channel: str) -> str:
    limited = not isinstance(plant.converter, NoConverter) and plant.converter.output_limit_v is not None
    if plant.controller.topology == "none" and not limited:
        return "nothing limits its battery's voltage as it is"
    return ""


def _no_dump(plant: Plant, _channel: str) -> str:
    return "" if plant.controller.topology.startswith("diversion") else "it has no diversion load"


def _no_shunt(plant: Plant, channel: str) -> str:
    return "" if isinstance(plant.sensor(channel), ShuntSensor) else f"{channel} has no shunt"


def _a_pickup(_plant: Plant, channel: str) -> str:
    return "a pickup gives edges and has no value" if channel == "wheel_rpm" else ""


def _no_ratio(plant: Plant, channel: str) -> str:
    return "" if isinstance(plant.sensor(channel), DividerSensor) else f"{channel} has no divider"


_ALWAYS = "none: it is there or not"
_SHARE = "share of the time; below 1 it comes and goes"

FAULTS: Final[dict[str, Fault]] = {
    fault.name: fault
    for fault in (
        Fault("jam", "something holds the wheel; its buckets fill", "1 holds it; less drags with that share of the torque at the highest flow", put=_jam),
        Fault("clogging", "leaves and twigs clog the rack at the intake", "share of the flow that no longer comes through", put=_scaled("flow_share", -1.0, 1.0)),
        Fault("ice", "ice fills the buckets and grips the wheel", "1 is frozen fast", put=_scaled("ice", 1.0)),
        Fault("tailwater", "the tailwater stands high and the wheel wades", "1 is a third of the wheel's diameter over the usual level", put=_scaled("tailwater", 1.0)),
        Fault("weir-debris", "debris on the weir's crest lifts the level before it", "1 is 30 mm", put=_scaled("weir_debris_m", _DEBRIS_M)),
        Fault("rocking", "the wheel is held fast and rocks with a magnet at the pickup", "how often: 1 is about once a second", put=_rocking),
        Fault("bearing", "a worn bearing brakes the wheel", "1 is four times the healthy friction", put=_scaled("bearing_factor", _BEARING, 1.0)),
        Fault("belt-slip", "the belt is slack and slips under load", "share of its tension that is lost", put=_belt(1.0)),
        Fault("belt-lost", "the belt is off or broken; the wheel races", _ALWAYS, put=_belt(0.0)),
        Fault("lost-magnet", "a magnet at the wheel is loose or lost", "share of its passages that give no edge", put=_scaled("magnet_missed", 1.0)),
        Fault("pickup-bounce", "the pickup gives several edges for one magnet", "1 adds four edges to each, on average", put=_scaled("bounce", _EDGES)),
        Fault("weak-magnets", "the alternator's magnets have lost strength", "1 is a fifth of it", put=_scaled("magnets_share", -_MAGNETS, 1.0)),
        Fault("diode-open", "one diode of the bridge is open", "1 is wholly open; less is a bad joint", put=_pulses(1 / 3)),
        Fault("phase-lost", "one phase between alternator and bridge is lost", "1 is wholly lost; less is a bad joint", put=_pulses(2 / 3)),
        Fault("leads-open", "the leads between alternator and bridge are open; the wheel races", _SHARE, put=_set(leads_open=True), loose=True),
        Fault("fuse-open", "fuse or cable behind the bridge is open; the wheel runs away", _SHARE, put=_set(fuse_open=True), loose=True),
        Fault("converter-dead", "the converter takes nothing; the wheel runs away", _SHARE, put=_set(converter_dead=True), loose=True, unfit=_no_converter),
        Fault("converter-hunting", "the converter takes a fixed power, stalls the wheel, drops out and begins again", "1 is a fifth more than the alternator's rated power", put=_scaled("forced", 1.0), unfit=_no_converter),
        Fault("back-feed", "the converter leaks current out of the battery", f"1 is {_BACK_A:g} A", put=_scaled("back_feed_a", _BACK_A), unfit=_no_converter),
        Fault("controller-open", "the controller fails open: in series the load is gone, with diversion nothing is diverted", _SHARE, put=_set(controller_open=True), loose=True, unfit=_no_controller),
        Fault("controller-stuck", "the controller fails closed: in series it overcharges, with diversion it drains the battery", "share of the diversion load that stays on", put=_controller_stuck, unfit=_no_controller),
        Fault("limiter", "nothing limits the battery's voltage", _SHARE, put=_set(limiter_dead=True), loose=True, unfit=_no_limit),
        Fault("dump-dead", "the diversion load is burnt out", "share of it that is gone", put=_scaled("dump_share", -1.0, 1.0), unfit=_no_dump),
        Fault("dump-stuck", "the diversion load stays on and drains the battery", "share of it that stays on", put=_held, unfit=_no_dump),
        Fault("shorted-cell", "a cell of the battery is shorted", "1 is wholly shorted", put=_scaled("shorted_cells", 1.0)),
        Fault("aged-battery", "the battery is worn: less capacity, more resistance, more gas", "1 is half the capacity and three times the resistance", put=_scaled("aged", 1.0)),
        Fault("corroded-terminal", "a terminal of the battery is loose or corroded", f"1 is {1000 * _TERMINAL_OHM:g} mohm", put=_scaled("terminal_ohm", _TERMINAL_OHM)),
        Fault("shunt-drift", "a shunt shows too much", f"1 is {_DRIFT:.0%}".replace("%", " %"), "sensor", _gain(_DRIFT), per_channel=True, unfit=_no_shunt),
        Fault("shunt-reversed", "a shunt is wired the other way round", _ALWAYS, "sensor", _reversed, per_channel=True, unfit=_no_shunt),
        Fault("wrong-ratio", "a divider's ratio in the settings is wrong: its channel shows too much", f"1 is {100 * _RATIO:.0f} % too much", "sensor", _gain(_RATIO), per_channel=True, unfit=_no_ratio),
        Fault("sensor-stuck", "a sensor shows the same value for ever", _ALWAYS, "sensor", _mode("stuck"), per_channel=True, unfit=_a_pickup),
        Fault("sensor-dead", "a sensor gives nothing", _SHARE, "sensor", _mode("dead"), per_channel=True, loose=True),
        Fault("sensor-railed", "a sensor stands at the end of its scale", _SHARE, "sensor", _mode("railed"), per_channel=True, loose=True, unfit=_a_pickup),
        Fault("sensor-noisy", "a sensor's readings scatter", f"1 is {100 * _NOISE:.0f} % of its full scale, as a standard deviation", "sensor", _noisy, per_channel=True, unfit=_a_pickup),
        Fault("link", "the nodes' radio link is cut", _SHARE, "link", _set(link_down=True), loose=True),
        Fault("node-dead", "the node has no supply", _SHARE, "node", remedy="end the process of the board and start it again later"),
        Fault("node-reboots", "the node restarts again and again", "1 is every 10 s, less is rarer", "node", remedy="end the process of the board every so often and start it again at once"),
        Fault("clock-lost", "the node never gets the time", _ALWAYS, "node", remedy="keep what the host answers on the topic of the time from the node"),
        Fault("flash-worn", "the node's flash refuses to be written", "share of the writes that fail", "node", remedy="let the board's block device fail"),
        Fault("broker-lost", "the broker is gone", _SHARE, "broker", remedy="end the broker's process and start it again later"),
        Fault("host-lost", "the service on the host is gone", _SHARE, "host", remedy="end the process of `wheelpit serve` and start it again later"),
    )
}  # fmt: skip


def split(name: str) -> tuple[str, str]:
    """Return a fault's name without its channel, and the channel or an empty text."""
    base, _, channel = name.partition(":")
    return base, channel


def fault_of(plant: Plant, name: str) -> tuple[Fault, str]:
    """Return a fault by its name, and the channel in it, if this plant can have it.

    Raises:
        FaultError: The name is not known, its channel is missing or not fitted, or the plant cannot have it.
    """
    base, channel = split(name)
    fault = FAULTS.get(base)
    if fault is None:
        near = difflib.get_close_matches(base, FAULTS, 1, 0.5)
        hint = f"did you mean {near[0]}?" if near else "`wheelpit twin faults` lists them"
        msg = f'fault "{name}": not known; {hint}'
        raise FaultError(msg)
    if fault.per_channel:
        fitted = [c for c in sorted(plant.channels) if not fault.unfit or not fault.unfit(plant, c)]
        if channel not in fitted:
            msg = (
                f'fault "{name}": give one of the fitted channels, {", ".join(f"{base}:{c}" for c in fitted)}'
            )
            raise FaultError(msg)
    elif channel:
        msg = f'fault "{name}": {base} has no channel; leave out ":{channel}"'
        raise FaultError(msg)
    why = fault.unfit(plant, channel) if fault.unfit else ""
    if why:
        msg = f'fault "{name}": {plant.site.name} cannot have it, {why}'
        raise FaultError(msg)
    return fault, channel


def check_severity(name: str, severity: float, ramp_s: float) -> None:
    """Refuse a severity or a ramp that is out of range."""
    if not 0 < severity <= 1:
        msg = f'fault "{name}", severity {severity:g}: give more than 0, at most 1'
        raise FaultError(msg)
    if not 0 <= ramp_s <= _LONGEST_S:
        msg = f'fault "{name}", ramp {ramp_s:g} s: give 0 to 1e9'
        raise FaultError(msg)
