"""Everything that can be broken, in words: name, what happens, what its severity means, and where it is.

Most faults are of the plant, its sensors or the radio link, and the twin carries them out. Those of the node, the
broker or the host are entered here so that they have a name and a place; whoever runs that part breaks it.

To add a fault: give `Condition` what it changes, make the part of the plant obey it, and enter it here.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from wheelpit.twin import breakages as to
from wheelpit.twin.trouble import FaultError

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.breakages import Put, Unfit

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
    put: Put | None = None
    remedy: str = ""
    per_channel: bool = False
    loose: bool = False
    unfit: Unfit | None = None


_ALWAYS = "none: it is there or not"
_SHARE = "share of the time; below 1 it comes and goes"

FAULTS: Final[dict[str, Fault]] = {
    fault.name: fault
    for fault in (
        Fault(
            "jam",
            "something holds the wheel; its buckets fill",
            "1 holds it; less drags with that share of the torque at the highest flow",
            put=to.jam,
        ),
        Fault(
            "clogging",
            "leaves and twigs clog the rack at the intake",
            "share of the flow that no longer comes through",
            put=to.scaled("flow_share", -1.0, 1.0),
        ),
        Fault(
            "ice", "ice fills the buckets and grips the wheel", "1 is frozen fast", put=to.scaled("ice", 1.0)
        ),
        Fault(
            "tailwater",
            "the tailwater stands high and the wheel wades",
            "1 is a third of the wheel's diameter over the usual level",
            put=to.scaled("tailwater", 1.0),
        ),
        Fault(
            "weir-debris",
            "debris on the weir's crest lifts the level before it",
            "1 is 30 mm",
            put=to.scaled("weir_debris_m", _DEBRIS_M),
        ),
        Fault(
            "rocking",
            "the wheel is held fast and rocks with a magnet at the pickup",
            "how often: 1 is about once a second",
            put=to.rocking,
        ),
        Fault(
            "bearing",
            "a worn bearing brakes the wheel",
            "1 is four times the healthy friction",
            put=to.scaled("bearing_factor", _BEARING, 1.0),
        ),
        Fault(
            "belt-slip",
            "the belt is slack and slips under load",
            "share of its tension that is lost",
            put=to.slack_belt,
        ),
        Fault(
            "belt-lost",
            "the belt is off or broken; the wheel races",
            _ALWAYS,
            put=to.setting(belt_tension=0.0),
        ),
        Fault(
            "lost-magnet",
            "a magnet at the wheel is loose or lost",
            "share of its passages that give no edge",
            put=to.scaled("magnet_missed", 1.0),
        ),
        Fault(
            "pickup-bounce",
            "the pickup gives several edges for one magnet",
            "1 adds four edges to each, on average",
            put=to.scaled("bounce", _EDGES),
        ),
        Fault(
            "weak-magnets",
            "the alternator's magnets have lost strength",
            "1 is a fifth of it",
            put=to.scaled("magnets_share", -_MAGNETS, 1.0),
        ),
        Fault(
            "diode-open",
            "one diode of the bridge is open",
            "1 is wholly open; less is a bad joint",
            put=to.pulses_lost(1 / 3),
        ),
        Fault(
            "phase-lost",
            "one phase between alternator and bridge is lost",
            "1 is wholly lost; less is a bad joint",
            put=to.pulses_lost(2 / 3),
        ),
        Fault(
            "leads-open",
            "the leads between alternator and bridge are open; the wheel races",
            _SHARE,
            put=to.setting(leads_open=True),
            loose=True,
        ),
        Fault(
            "fuse-open",
            "fuse or cable behind the bridge is open; the wheel runs away",
            _SHARE,
            put=to.setting(fuse_open=True),
            loose=True,
        ),
        Fault(
            "converter-dead",
            "the converter takes nothing; the wheel runs away",
            _SHARE,
            put=to.setting(converter_dead=True),
            loose=True,
            unfit=to.no_converter,
        ),
        Fault(
            "converter-hunting",
            "the converter takes a fixed power, stalls the wheel, drops out and begins again",
            "1 is a fifth more than the alternator's rated power",
            put=to.scaled("forced", 1.0),
            unfit=to.no_converter,
        ),
        Fault(
            "back-feed",
            "the converter leaks current out of the battery",
            f"1 is {_BACK_A:g} A",
            put=to.scaled("back_feed_a", _BACK_A),
            unfit=to.no_converter,
        ),
        Fault(
            "controller-open",
            "the controller fails open: in series the load is gone, with diversion nothing is diverted",
            _SHARE,
            put=to.setting(controller_open=True),
            loose=True,
            unfit=to.no_controller,
        ),
        Fault(
            "controller-stuck",
            "the controller fails closed: in series it overcharges, with diversion it drains the battery",
            "share of the diversion load that stays on",
            put=to.controller_stuck,
            unfit=to.no_controller,
        ),
        Fault(
            "limiter",
            "nothing limits the battery's voltage",
            _SHARE,
            put=to.setting(limiter_dead=True),
            loose=True,
            unfit=to.no_limit,
        ),
        Fault(
            "dump-dead",
            "the diversion load is burnt out",
            "share of it that is gone",
            put=to.scaled("dump_share", -1.0, 1.0),
            unfit=to.no_dump,
        ),
        Fault(
            "dump-stuck",
            "the diversion load stays on and drains the battery",
            "share of it that stays on",
            put=to.dump_held,
            unfit=to.no_dump,
        ),
        Fault(
            "shorted-cell",
            "a cell of the battery is shorted",
            "1 is wholly shorted",
            put=to.scaled("shorted_cells", 1.0),
        ),
        Fault(
            "aged-battery",
            "the battery is worn: less capacity, more resistance, more gas",
            "1 is half the capacity and three times the resistance",
            put=to.scaled("aged", 1.0),
        ),
        Fault(
            "corroded-terminal",
            "a terminal of the battery is loose or corroded",
            f"1 is {1000 * _TERMINAL_OHM:g} mohm",
            put=to.scaled("terminal_ohm", _TERMINAL_OHM),
        ),
        Fault(
            "shunt-drift",
            "a shunt shows too much",
            f"1 is {_DRIFT:.0%}".replace("%", " %"),
            "sensor",
            put=to.shows_more(_DRIFT),
            per_channel=True,
            unfit=to.no_shunt,
        ),
        Fault(
            "shunt-reversed",
            "a shunt is wired the other way round",
            _ALWAYS,
            "sensor",
            put=to.reversed_shunt,
            per_channel=True,
            unfit=to.no_shunt,
        ),
        Fault(
            "wrong-ratio",
            "a divider's ratio in the settings is wrong: its channel shows too much",
            f"1 is {100 * _RATIO:.0f} % too much",
            "sensor",
            put=to.shows_more(_RATIO),
            per_channel=True,
            unfit=to.no_divider,
        ),
        Fault(
            "sensor-stuck",
            "a sensor shows the same value for ever",
            _ALWAYS,
            "sensor",
            put=to.mode("stuck"),
            per_channel=True,
            unfit=to.a_pickup,
        ),
        Fault(
            "sensor-dead",
            "a sensor gives nothing",
            _SHARE,
            "sensor",
            put=to.mode("dead"),
            per_channel=True,
            loose=True,
        ),
        Fault(
            "sensor-railed",
            "a sensor stands at the end of its scale",
            _SHARE,
            "sensor",
            put=to.mode("railed"),
            per_channel=True,
            loose=True,
            unfit=to.a_pickup,
        ),
        Fault(
            "sensor-noisy",
            "a sensor's readings scatter",
            f"1 is {100 * to.NOISE:.0f} % of its full scale, as a standard deviation",
            "sensor",
            put=to.noisy,
            per_channel=True,
            unfit=to.a_pickup,
        ),
        Fault("link", "the nodes' radio link is cut", _SHARE, "link", to.setting(link_down=True), loose=True),
        Fault(
            "node-dead",
            "the node has no supply",
            _SHARE,
            "node",
            remedy="end the process of the board and start it again later",
        ),
        Fault(
            "node-reboots",
            "the node restarts again and again",
            "1 is every 10 s, less is rarer",
            "node",
            remedy="end the process of the board every so often and start it again at once",
        ),
        Fault(
            "clock-lost",
            "the node never gets the time",
            _ALWAYS,
            "node",
            remedy="keep what the host answers on the topic of the time from the node",
        ),
        Fault(
            "flash-worn",
            "the node's flash refuses to be written",
            "share of the writes that fail",
            "node",
            remedy="let the board's block device fail",
        ),
        Fault(
            "broker-lost",
            "the broker is gone",
            _SHARE,
            "broker",
            remedy="end the broker's process and start it again later",
        ),
        Fault(
            "host-lost",
            "the service on the host is gone",
            _SHARE,
            "host",
            remedy="end the process of `wheelpit serve` and start it again later",
        ),
    )
}


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
        near = difflib.get_close_matches(base, FAULTS, 1)
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
