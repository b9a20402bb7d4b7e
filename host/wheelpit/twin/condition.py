"""What is out of order at a plant, in physical terms: what faults change and models obey.

A fault says in words what is broken; here it is a friction, a share of the flow, an open cable. The models read
nothing but this, so that any engine that steps a plant can be broken by the same faults.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

Mode = Literal["reads", "stuck", "dead", "railed"]


class Spoilt(NamedTuple):
    """How one sensor shows its channel: `shown = gain * true + noise`, unless it is stuck, dead or railed.

    `noise` is the standard deviation of each reading as a share of the channel's full scale.
    """

    gain: float = 1.0
    noise: float = 0.0
    mode: Mode = "reads"


SOUND = Spoilt()


@dataclass(slots=True)
class Condition:
    """State of repair of a plant; as made, everything is in order.

    Args:
        flow_share: Share of the ordered flow that passes the rack at the intake.
        ice: How much of the wheel is iced, 0 to 1; at 1 it is frozen fast.
        tailwater: Rise of the tailwater over its usual level, 1 for a third of the wheel's diameter.
        weir_debris_m: What lies on the weir's crest and lifts the water before it [m].
        jam: How firmly something holds the wheel; below 1 it drags with that share of the wheel's torque at
            the highest flow, at 1 the wheel stands.
        rocking: How often a wheel that stands rocks with a magnet at the pickup; 1 for about once a second.
        bearing_factor: Friction of the bearings over the healthy one.
        belt_tension: Tension of the belt as a share of the proper one; 0 when it is lost.
        magnet_missed: Share of the first magnet's passages that give no edge.
        bounce: How badly the pickup bounces: edges added to each, on average.
        magnets_share: Magnetism of the alternator's magnets, as a share of the healthy one.
        pulses: Share of the bridge's pulses that come.
        leads_open: Whether the leads between alternator and bridge are open.
        fuse_open: Whether fuse or cable between bridge and converter (or battery) are open.
        converter_dead: Whether the converter takes nothing.
        forced: Share of its output limit that a converter which no longer folds back takes, at whatever speed.
        back_feed_a: Current out of the battery into a converter that leaks [A].
        controller_open: Whether the controller's way to the battery (series) or its regulator (diversion) is open.
        limiter_dead: Whether nothing limits the battery's voltage.
        dump_share: Share of the diversion load that is whole.
        dump_held: Share of the diversion load that is on whatever the voltage.
        shorted_cells: How many of the battery's cells are shorted.
        aged: How worn the battery is, 0 to 1.
        terminal_ohm: Resistance of a corroded terminal [ohm].
        link_down: Whether the nodes' radio link is cut.
        sensors: What is wrong with sensors, by channel; a channel that is missing is in order.
    """

    flow_share: float = 1.0
    ice: float = 0.0
    tailwater: float = 0.0
    weir_debris_m: float = 0.0
    jam: float = 0.0
    rocking: float = 0.0
    bearing_factor: float = 1.0
    belt_tension: float = 1.0
    magnet_missed: float = 0.0
    bounce: float = 0.0
    magnets_share: float = 1.0
    pulses: float = 1.0
    leads_open: bool = False
    fuse_open: bool = False
    converter_dead: bool = False
    forced: float = 0.0
    back_feed_a: float = 0.0
    controller_open: bool = False
    limiter_dead: bool = False
    dump_share: float = 1.0
    dump_held: float = 0.0
    shorted_cells: float = 0.0
    aged: float = 0.0
    terminal_ohm: float = 0.0
    link_down: bool = False
    sensors: dict[str, Spoilt] = field(default_factory=dict)

    def spoil(self, channel: str, **how: object) -> None:
        """Make a sensor worse than it is: keys of `Spoilt`."""
        self.sensors[channel] = self.sensors.get(channel, SOUND)._replace(**how)  # type: ignore[arg-type]
