"""The conditions of the plant itself, all conditions by name, and the messages about them.

The first words of a remedy are those that keep a person whole. A message is read at night, standing, on a
small screen: short sentences, the danger first.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from wheelpit.watch.condition import DAY, HOUR, MINUTE, SECOND, Condition
from wheelpit.watch.instruments import OF_INSTRUMENTS
from wheelpit.watch.machine import Delays

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from wheelpit.store.alarms import AlarmRow, Raised


_OF_PLANT: Final[tuple[Condition, ...]] = (
    Condition(
        name="overcharge",
        priority="critical",
        delays=Delays(5 * SECOND, 60 * SECOND, HOUR),
        unit="V",
        title="The battery is being overcharged",
        text=(
            "The battery's voltage is above the limit for its temperature: the charge controller or its "
            "diversion load does not hold it. The battery gives off hydrogen and boils."
        ),
        remedy="Do not open or spark near the bank. Close the water; switch loads on.",
    ),
    Condition(
        name="rectified_high",
        priority="critical",
        delays=Delays(2 * SECOND, 30 * SECOND, HOUR),
        unit="V",
        title="The voltage before the converter is high",
        text=(
            "The load may be lost: converter, fuse, breaker or cable. An unloaded wheel races, and its voltage "
            "destroys the converter and is dangerous to touch."
        ),
        remedy="Keep hands off the wiring. Close the water from where you stand dry.",
    ),
    Condition(
        name="battery_hot",
        priority="critical",
        delays=Delays(30 * SECOND, 5 * MINUTE, HOUR),
        unit="°C",
        title="The battery is hot",
        text=(
            "It is overcharged, a cell of it is shorted, or its room is far too warm. Sealed cells may run away by "
            "themselves; flooded ones give off hydrogen and boil."
        ),
        remedy="Do not open, touch or spark near the bank. Close the water and stop every charger; let air in.",
    ),
    Condition(
        name="cold_charging",
        priority="critical",
        delays=Delays(30 * SECOND, 5 * MINUTE, HOUR),
        unit="°C",
        title="A frozen lithium battery is being charged",
        text="Charging LiFePO4 cells below their limit plates lithium: they lose capacity for good, and may short later.",
        remedy=(
            "Close the water or switch loads on until nothing flows in. Do not just disconnect the battery: an "
            "unloaded wheel races."
        ),
    ),
    Condition(
        name="dump_idle",
        priority="critical",
        delays=Delays(10 * SECOND, 60 * SECOND, HOUR),
        unit="A",
        title="The diversion load takes nothing from a full battery",
        text=(
            "The diversion load, its fuse, its cable or its regulator failed. All that the wheel gives goes into a "
            "battery that is full: overcharge is minutes away."
        ),
        remedy="Do not touch the heater, it may come on. Close the water; switch loads on.",
        explained_by=frozenset({"overcharge"}),
    ),
    Condition(
        name="stall",
        priority="high",
        # The wait for two edges comes before; this is one more live message or two.
        delays=Delays(2 * SECOND, 30 * SECOND, 8 * HOUR),
        unit="rpm",
        title="The wheel stopped suddenly",
        text="A branch, a stone or ice in the wheel, something seized, or the water was shut at the gate.",
        remedy=(
            "Water off first. A jammed wheel holds full buckets and will leap when freed. Chock it, then clear "
            "it; never free it by hand while water can reach it."
        ),
        explained_by=frozenset({"pickup_silent"}),
    ),
    Condition(
        name="belt_lost",
        priority="high",
        delays=Delays(5 * SECOND, 30 * SECOND, 8 * HOUR),
        unit="rpm",
        title="The wheel races and drives nothing",
        text=(
            "The belt is off or torn, or the plug between alternator and bridge is out: such a plug carries the "
            "alternator's full voltage, which nothing measures."
        ),
        remedy=(
            "Water off first; do not catch the belt, and stay out of its way. Touch no plug or wire before the wheel "
            "stands and is chocked."
        ),
        explained_by=frozenset({"rectified_high", "stall"}),
    ),
    Condition(
        name="not_charging",
        priority="high",
        delays=Delays(20 * SECOND, 60 * SECOND, 8 * HOUR),
        unit="A",
        title="The wheel turns and charges nothing",
        text=(
            "A fuse, a breaker, a cable or the converter failed. At low water the voltage stays below its warning; "
            "with more water the wheel runs away."
        ),
        remedy=(
            "Keep hands off the wiring. Look at the voltage before the converter, close the water, and let the "
            "capacitor empty before you look for the break."
        ),
        explained_by=frozenset({"rectified_high", "belt_lost", "stall"}),
    ),
    Condition(
        name="back_feed",
        priority="high",
        delays=Delays(60 * SECOND, 10 * MINUTE, 8 * HOUR),
        unit="A",
        title="Current flows back out of the battery",
        text=(
            "The converter or controller leaks: it drains the battery while the wheel stands, and heats. The bridge "
            "lets nothing back to the alternator."
        ),
        remedy=(
            "Feel for heat without touching bare metal. With the water off and the wheel chocked, open the breaker "
            "between controller and battery."
        ),
    ),
    Condition(
        name="dump_on",
        priority="high",
        delays=Delays(2 * MINUTE, 5 * MINUTE, 8 * HOUR),
        unit="A",
        title="The diversion load drains a battery that is not full",
        text="A relay is welded or the regulator sticks: the heater is on day and night and empties the battery.",
        remedy=(
            "The heater is hot; keep what burns away from it. Close the water before you open its breaker: without it "
            "nothing limits a full battery."
        ),
    ),
    Condition(
        name="sense_lost",
        priority="high",
        delays=Delays(20 * SECOND, MINUTE, 8 * HOUR),
        unit="V",
        title="The battery's voltage is not seen although current flows",
        text=(
            "The wire that senses it is off, or its fuse has blown. Overcharge, deep discharge and frost are not watched, "
            "and what flows now is booked at no voltage, as no energy."
        ),
        remedy=(
            "Measure at the battery posts, with no flame or spark near them: a bank that gasses must not be charged on. "
            "Take the fuse at the source end of the sense wire out before you touch the wire."
        ),
    ),
    Condition(
        name="deep_discharge",
        priority="high",
        delays=Delays(60 * SECOND, 10 * MINUTE, 8 * HOUR),
        unit="V",
        title="The battery is empty",
        text=(
            "Lead plates sulphate, lithium cells take harm, and a flat lead battery freezes at a few degrees below "
            "zero. A voltage that fell at once by two may be a shorted cell: then it heats while it is charged."
        ),
        remedy="Switch loads off. If the voltage fell at once, stop charging and feel from outside whether a cell is warm.",
    ),
    Condition(
        name="battery_freezing",
        priority="high",
        delays=Delays(30 * MINUTE, 2 * HOUR, 8 * HOUR),
        unit="°C",
        title="The battery may freeze",
        text="At this charge its acid freezes a few degrees lower. Ice bursts the cases; acid runs out at the thaw.",
        remedy=(
            "Switch loads off; charge it gently and keep the cold out. Never charge a battery that is frozen or "
            "bulged."
        ),
    ),
    Condition(
        name="pickup_silent",
        priority="medium",
        delays=Delays(30 * SECOND, 60 * SECOND),
        unit="A",
        title="The wheel's pickup is silent though current flows",
        text="The pickup, its cable or its magnets failed. A stop of the wheel cannot be seen meanwhile.",
        remedy="Water off and wheel chocked before reaching in. Look at the cable, the gap and the magnets.",
    ),
    Condition(
        name="hunting",
        priority="medium",
        delays=Delays(3 * MINUTE, 10 * MINUTE, DAY),
        unit="1/min",
        title="Converter and wheel chase each other",
        text=(
            "The converter takes more than the water gives, slows the wheel, lets go and begins again. It costs a fifth "
            "to a third of the energy and jerks the belt. Water that comes in surges and a loose contact look alike."
        ),
        remedy=(
            "Keep clear of belt and wheel: they jump. Lower the converter's current limit or raise the voltage at which it "
            "starts. Feel no terminal while the wheel can turn; with the water off look for a loose or scorched one."
        ),
        explained_by=frozenset({"rectified_high", "stall"}),
    ),
    Condition(
        name="overcharge_warning",
        priority="medium",
        delays=Delays(10 * MINUTE, 5 * MINUTE, DAY),
        unit="V",
        title="The battery is slowly overcharged",
        text=(
            "Its voltage has been above what the controller should hold for long. It loses water and gives off "
            "hydrogen."
        ),
        remedy=(
            "No spark near the bank; keep its vent open. Switch loads on, then look at the controller's settings and the "
            "water level in the cells."
        ),
        explained_by=frozenset({"overcharge", "dump_idle"}),
    ),
    Condition(
        name="battery_warm",
        priority="medium",
        delays=Delays(5 * MINUTE, 15 * MINUTE, DAY),
        unit="°C",
        title="The battery is warm",
        text="Its cells lose life. It is charged too hard, a cell fails, or its room has too little air.",
        remedy="Let air in; no spark near the bank. Look at voltage and current, and charge less.",
        explained_by=frozenset({"battery_hot", "overcharge", "overcharge_warning"}),
    ),
    Condition(
        name="underspeed",
        priority="low",
        delays=Delays(60 * SECOND, 3 * HOUR),
        unit="rpm",
        title="The wheel turns slowly",
        text=(
            "Low water, a blocked weir or rack, ice or branches in the wheel, or something that drags: bearing, "
            "belt, tailwater."
        ),
        remedy="Look at the stream, then at weir and rack.",
        explained_by=frozenset({"stall", "ran_down", "pickup_silent"}),
    ),
    Condition(
        name="ran_down",
        priority="low",
        # A receding stream stops and starts the wheel all day: one episode until it has run well for long.
        delays=Delays(60 * SECOND, 3 * HOUR),
        unit="rpm",
        title="The wheel ran down and stands",
        text=(
            "Low water, a blocked weir or rack, or ice: the wheel became slower and slower and stopped. If "
            "there is water enough, look for a jam."
        ),
        remedy=(
            "Look at the stream, then at weir and rack. Water off before you touch the wheel: buckets may be "
            "full, and it will leap."
        ),
        explained_by=frozenset({"stall", "underspeed", "pickup_silent"}),
    ),
)

CONDITIONS: Final[dict[str, Condition]] = {
    condition.name: condition for condition in (*_OF_PLANT, *OF_INSTRUMENTS)
}


def raised_message(raised: Raised, site_name: str, zone: ZoneInfo) -> tuple[str, str]:
    """Return title and body of the message that an alarm was raised."""
    title = f"{raised.priority.capitalize()}: {site_name}: {raised.title.lower()}"
    body = (
        f"{raised.remedy}\n{raised.text}\n"
        f"Since {local_time(raised.onset_ms, zone)}, {_where(raised)}. {raised.reason}"
    )
    return title, body


def cleared_message(row: AlarmRow, site_name: str, zone: ZoneInfo, cleared_ms: int) -> tuple[str, str]:
    """Return title and body of the message that an alarm is over."""
    body = (
        f"From {local_time(row.onset_ms, zone)} to {local_time(cleared_ms, zone)}, "
        f"{duration(cleared_ms - row.onset_ms)}, {_where(row)}."
    )
    return f"Over: {site_name}: {row.title.lower()}", body


def _where(raised: Raised) -> str:
    return "the host" if CONDITIONS[raised.condition].of_host else f"node {raised.node}"


def local_time(at_ms: int, zone: ZoneInfo) -> str:
    """Return a time as people at the site write it, with the offset that holds then."""
    return datetime.fromtimestamp(at_ms / 1_000, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S %z")


def duration(lasted_ms: int) -> str:
    """Return a duration in words, in its two largest units; less than a second is `0 s`."""
    seconds = max(0, lasted_ms) // SECOND
    parts = [
        (seconds // 86_400, "d"),
        (seconds // 3_600 % 24, "h"),
        (seconds // 60 % 60, "min"),
        (seconds % 60, "s"),
    ]
    while len(parts) > 1 and parts[0][0] == 0:
        del parts[0]
    return " ".join(f"{number} {unit}" for number, unit in parts[:2])
