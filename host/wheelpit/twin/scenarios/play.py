"""Play a scenario: plant, node and link, up to what the host hears, faster than real time.

What breaks at the node, the broker or the host is carried out here, as it looks from the host: nothing heard, a boot
more, a last will, a pause and a backlog.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.faults import FAULTS, TWINS_OWN
from wheelpit.twin.scenarios.engines import engine_of
from wheelpit.twin.scenarios.node import NodeModel
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.contract.messages import Live, Record
    from wheelpit.plant import Plant
    from wheelpit.twin.scenarios.description import Scenario

JOURNAL: Final = "5ce7a21005ce7a21"
_LAST_WILL_MS: Final = 45_000  # one and a half keepalives after the last word
_BOOT_S: Final = 4.0  # from reset to the first sample with a link
_REBOOTS_S: Final = 10.0  # a node that restarts again and again does so this often ...
_LOOSE_S: Final = 30.0  # ... and what comes and goes is there for its share of so long
_SECOND_US: Final = 1_000_000


class Heard(NamedTuple):
    """What reaches the host at a moment.

    Args:
        at_ms: When [Unix ms].
        live: A live message.
        records: Records that arrive, oldest first.
        online: What the broker says of the node, where that changed.
        host_up: Whether the host's service runs.
        what: What happened in words, where something did.
    """

    at_ms: int
    live: Live | None
    records: list[Record]
    online: bool | None
    host_up: bool
    what: str


def plant_of(scenario: Scenario) -> Plant:
    """Return a scenario's plant: the demo's, with what the scenario changes of it.

    Raises:
        TwinError: A key is not one of the plant's.
    """
    plant = load_plant(demo_plant_path())
    for key, value in scenario.plant.items():
        table, _, name = key.partition(".")
        there: Any = getattr(plant, table, None)
        if not dataclasses.is_dataclass(there) or not hasattr(there, name):
            msg = f"scenario {scenario.name}, plant: {key} is no key of plant.toml, such as controller.dump_w"
            raise TwinError(msg)
        changed: Any = dataclasses.replace(there, **{name: value})  # type: ignore[type-var]
        plant = dataclasses.replace(plant, **{table: changed})
    return plant


class Player:
    """Plays one scenario.

    Args:
        scenario: The scenario.

    `plant` is its plant, `node` the id of the node that speaks.

    Raises:
        TwinError: The twin cannot do what the scenario asks of it.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.plant = plant_of(scenario)
        self.node = self.plant.node_ids[0]
        self._start_ms = round(scenario.begins.timestamp() * 1000)
        self._engine = engine_of(scenario, self.plant)
        self._elsewhere = [
            event
            for event in scenario.events
            if event.fault is not None and FAULTS[event.fault.partition(":")[0]].where not in TWINS_OWN
        ]
        self._model: NodeModel | None = None
        self._boot = 0
        self._live: Live | None = None
        self._backlog: list[Record] = []
        self._away_ms = 0
        self._online: bool | None = None

    def play(self) -> Iterator[Heard]:
        """Yield what the host hears, once a second, to the end."""
        now_us = 0
        told = sorted((event.at_s, event.what) for event in self.scenario.events)
        for happened in self._engine.frames():
            self._tend_node(now_us / 1e6)
            now_us += happened.span_us
            if self._model is not None:
                said = self._model.frame(
                    happened.span_us, happened.edges_us, happened.shown, parked=happened.parked
                )
                self._live = said.live or self._live
                if said.record is not None:
                    self._backlog.append(said.record)
            if now_us % _SECOND_US == 0:
                whats = []
                while told and told[0][0] * 1e6 < now_us:
                    whats.append(told.pop(0)[1])
                yield self._heard(now_us // _SECOND_US, "; ".join(whats), link_down=happened.link_down)

    def _level(self, fault: str, t_s: float) -> float:
        """Return how severe a fault of node, broker or host is now; one that comes and goes is so at its times."""
        for event in self._elsewhere:
            if event.fault == fault and event.at_s <= t_s < (event.until_s or float("inf")):
                loose = FAULTS[fault].loose or "comes and goes" in FAULTS[fault].severity
                away = loose and t_s % _LOOSE_S >= event.severity * _LOOSE_S
                return 0.0 if away else event.severity
        return 0.0

    def _tend_node(self, t_s: float) -> None:
        """Let the node lose its supply, restart and boot, as its faults say."""
        reboots = self._level("node-reboots", t_s)
        down = bool(self._level("node-dead", t_s))
        if reboots:
            down = t_s % (_REBOOTS_S / reboots) < _BOOT_S
        if down:
            self._model, self._live = None, None
        elif self._model is None:
            self._boot += 1
            self._model = NodeModel(
                self.plant,
                self.node,
                journal=JOURNAL,
                start_ms=self._start_ms + round(1000 * t_s),
                boot=self._boot,
                has_clock=not self._level("clock-lost", t_s),
            )

    def _heard(self, second: int, what: str, *, link_down: bool) -> Heard:
        """Return what of all that reaches the host at the end of a second."""
        t_s = float(second)
        broker_up, host_up = not self._level("broker-lost", t_s), not self._level("host-lost", t_s)
        connected = self._model is not None and not link_down and broker_up
        live, self._live = self._live, None
        records: list[Record] = []
        if connected and host_up:
            records, self._backlog = self._backlog, []
        if not connected or not host_up or second % self.scenario.live_s:
            live = None
        return Heard(
            self._start_ms + 1000 * second,
            live,
            records,
            self._status(connected=connected) if broker_up and host_up else None,
            host_up,
            what,
        )

    def _status(self, *, connected: bool) -> bool | None:
        """Return what the broker says of the node, where that changed: a last will comes after its keepalives."""
        self._away_ms = 0 if connected else self._away_ms + 1000
        online = connected or (self._online is True and self._away_ms < _LAST_WILL_MS)
        if online == self._online:
            return None
        self._online = online
        return online
