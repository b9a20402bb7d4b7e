"""The conditions of what measures and tells: nodes, their sensors and guard, and the host.

The first words of a remedy are those that keep a person whole.
"""

from __future__ import annotations

from typing import Final

from wheelpit.watch.condition import DAY, HOUR, MINUTE, SECOND, Condition
from wheelpit.watch.machine import Delays

OF_INSTRUMENTS: Final[tuple[Condition, ...]] = (
    Condition(
        name="telemetry_urgent",
        priority="high",
        delays=Delays(HOUR, MINUTE, 8 * HOUR),
        unit="s",
        title="Long silence, and it was last heard in danger",
        text=(
            "When it was last heard something was wrong, near a limit, or there was so much water that a lost load "
            "does harm. Nobody would be told of that now."
        ),
        remedy=(
            "Keep hands off wheel, wiring and bank, and make no spark there. Go and look, not alone: if the wheel races or "
            "the bank boils, close the water from where you stand dry. Then look at the node's supply and the link."
        ),
    ),
    Condition(
        name="guard_blind",
        priority="high",
        delays=Delays(20 * SECOND, MINUTE, 8 * HOUR),
        unit="channels",
        title="The guard at the wheel cannot see",
        text=(
            "A channel that it needs cannot be read: of what that would show, lamp and buzzer do not warn, and nothing is "
            "set off. Only what acts by itself at wheel and bridge protects now."
        ),
        remedy=(
            "Do not rely on lamp or buzzer. Water off and wheel chocked before you reach in; take the fuse at the source "
            "end of a sense wire out first. Look at plug, cable and supply of the sensor; without it leave the water off."
        ),
    ),
    Condition(
        name="telemetry_lost",
        priority="medium",
        delays=Delays(60 * SECOND, 60 * SECOND),
        unit="s",
        title="Nothing is heard from the node",
        text=(
            "Its supply, the wireless link, the broker or the node itself failed. Nothing it measures is "
            "watched meanwhile; it keeps its records and sends them later."
        ),
        remedy="Look at the wheel with your own eyes, then at the node's supply and the wireless link.",
    ),
    Condition(
        name="sensor_fault",
        priority="medium",
        delays=Delays(60 * SECOND, 60 * SECOND, DAY),
        unit="sensors",
        title="A sensor cannot be read",
        text="It, its cable or its chip failed. What it measures is not watched meanwhile; the rest is.",
        remedy=(
            "Water off and wheel chocked before you reach in; take the fuse at the source end of a sense wire out "
            "first. Look at plug, cable and supply of the sensor."
        ),
    ),
    Condition(
        name="two_boards",
        priority="medium",
        delays=Delays(0, 60 * SECOND, DAY),
        unit="stores",
        title="Two boards say that they are the same",
        text=(
            "A store was copied from one board to another. Nothing of it is booked until one of them begins a "
            "store of its own; both keep their records meanwhile."
        ),
        remedy="Empty the store folder of the board that has the copy, and start it again.",
        of_host=True,
    ),
    Condition(
        name="host_clock_behind",
        priority="medium",
        delays=Delays(60 * SECOND, 60 * SECOND, DAY),
        unit="",
        title="The host's clock is behind",
        text=(
            "The books hold later times than the host's clock shows. It gives no node the time until this is "
            "mended, and dates nothing by its own clock."
        ),
        remedy="Set the host's clock. If it is right: `wheelpit serve --accept-clock`.",
        of_host=True,
    ),
    Condition(
        name="messages_dropped",
        priority="low",
        delays=Delays(0, HOUR, DAY),
        unit="messages",
        title="The broker throws messages away",
        text=(
            "Its queue for some client is full. No record is lost by that, since nodes send again what has no "
            "receipt; but live values are, and an alarm may come late."
        ),
        remedy=(
            "Look for a client that does not keep up, and raise `max_queued_messages` in the broker's "
            "configuration."
        ),
        of_host=True,
    ),
)
