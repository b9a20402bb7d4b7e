"""What is known of the plant right now: the newest value of each fitted channel, with its age.

Everything here is pure: rows and the time go in, a `Moment` comes out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import CHANNELS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from wheelpit.store.rows import LiveRow

# A node speaks once a second. After STALE_S a value is old and drawn grey; after SILENT_S it is no longer shown.
STALE_S: Final = 5.0
SILENT_S: Final = 60.0

# Below this a current is called nothing: shunts and converters have an offset of a few hundredths of an ampere.
NOTHING_A: Final = 0.1


@dataclass(frozen=True, slots=True)
class Reading:
    """One channel's newest value.

    `value` is in the channel's unit, or None when the node could not read it, and then `fault` says why.
    `age_s` is the time since it arrived, or None when the node has not spoken yet.
    """

    value: float | None
    age_s: float | None
    fault: str | None = None

    @property
    def fresh(self) -> bool:
        """Whether the value may be read as now."""
        return self.value is not None and self.age_s is not None and self.age_s <= STALE_S

    @property
    def silent(self) -> bool:
        """Whether so much time has passed that the old value says nothing any more."""
        return self.age_s is None or self.age_s > SILENT_S


@dataclass(frozen=True, slots=True)
class Moment:
    """The newest word of all nodes of a site together.

    `state` is the wheel's, as the node that watches the wheel says, or None when no node has said so lately.
    `readings` has one entry per channel that a node declares; a channel that is not fitted is not in it.
    `ages_s` tells, by node, how long ago its newest word arrived.
    """

    state: str | None = None
    readings: Mapping[str, Reading] = field(default_factory=dict)
    ages_s: Mapping[str, float] = field(default_factory=dict)

    @property
    def spoken(self) -> bool:
        """Whether any node has ever spoken."""
        return bool(self.ages_s)

    @property
    def newest_s(self) -> float | None:
        """The age of the newest word of any node."""
        return min(self.ages_s.values(), default=None)

    @property
    def fresh(self) -> bool:
        """Whether some node speaks now."""
        newest = self.newest_s
        return newest is not None and newest <= STALE_S

    def now(self, channel: str) -> float | None:
        """Return a value that may be read as now, or None."""
        reading = self.readings.get(channel)
        return reading.value if reading is not None and reading.fresh else None

    @property
    def turning_rpm(self) -> float:
        """The speed at which the drawn wheel turns: the measured one, and 0 where it is not known to turn."""
        rpm = self.now("wheel_rpm")
        return rpm if rpm is not None and self.state in {"turning", "slow"} else 0.0

    @property
    def give_w(self) -> float | None:
        """Power from the charge controller into the battery node."""
        return self._power("charge_a")

    @property
    def bank_w(self) -> float | None:
        """Power into the bank; negative when it gives."""
        return self._power("battery_a")

    @property
    def dump_w(self) -> float | None:
        """Power into the diversion load."""
        return self._power("dump_a")

    @property
    def load_w(self) -> float | None:
        """Power to the loads, where a shunt measures it."""
        return self._power("load_a")

    def load_by_difference_w(self, *, diverting: bool, other_sources: bool) -> float | None:
        """Return what the loads take as the difference of the other currents, or None where that says nothing.

        Args:
            diverting: A diversion load draws from the battery node, so its current is needed as well.
            other_sources: Something else charges the bank, so that the difference is not the loads.
        """
        give, bank, dump = self.give_w, self.bank_w, self.dump_w
        if other_sources or give is None or bank is None or (diverting and dump is None):
            return None
        return give - bank - (dump or 0.0)

    def _power(self, current: str) -> float | None:
        volts, amps = self.now("battery_v"), self.now(current)
        return None if volts is None or amps is None else volts * amps


def gather(rows: Collection[LiveRow], declared: Mapping[str, Iterable[str]], now_ms: int) -> Moment:
    """Put the newest words of all nodes together.

    Args:
        rows: The newest live message of each node.
        declared: The channels of each node, as its birth message says; a node may be in it and never have spoken.
        now_ms: The host's time, Unix ms; arrivals were stamped with the same clock.

    A message from the future is as old as it is ahead: the host's clock was set back, and how old it is is unknown.
    A channel that this version does not know is left out.
    """
    ages_s = {row.node: abs(now_ms - row.arrived_ms) / 1000 for row in rows}
    readings: dict[str, Reading] = {
        channel: Reading(None, None)
        for channels in declared.values()
        for channel in channels
        if channel in CHANNELS
    }
    state: str | None = None
    for row in sorted(rows, key=lambda row: -ages_s[row.node]):
        age_s = ages_s[row.node]
        for channel, value in row.live.values.items():
            if channel in CHANNELS:
                readings[channel] = Reading(value, age_s, row.live.faults.get(channel))
        if "wheel_rpm" in row.live.values and age_s <= STALE_S:
            state = row.live.state
    return Moment(state=state, readings=readings, ages_s=ages_s)
