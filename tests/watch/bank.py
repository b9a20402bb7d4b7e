"""A node in the battery room, and the watch over it."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from wheelpit.contract.messages import Live
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store import migrate
from wheelpit.store.alarms import AlarmRow, AlarmStore, read_alarms
from wheelpit.watch.watch import Watch

if TYPE_CHECKING:
    from wheelpit.contract.names import WheelState
    from wheelpit.plant.description import Plant

PLANT = load_plant(demo_plant_path())
START_MS = 1_760_000_000_000


class Bank:
    """A node in the battery room, the watch over it, and the host's clock."""

    def __init__(self, plant: Plant = PLANT, every_s: int = 1) -> None:
        self.every_s = every_s  # how often the node speaks
        self.plant = plant
        self.db = sqlite3.connect(":memory:", isolation_level=None)
        migrate.migrate(self.db, "test")
        self.watch = Watch(self.plant, AlarmStore(self.db))
        self.now_ms = START_MS
        self.up_ms = 60_000

    @property
    def alarms(self) -> list[AlarmRow]:
        return sorted(read_alarms(self.db), key=lambda row: row.episode)

    @property
    def raised(self) -> list[str]:
        return [row.condition for row in self.alarms]

    def restart(self) -> None:
        self.watch = Watch(self.plant, AlarmStore(self.db))

    def run(self, seconds: int, node: str = "bank", **values: float | None) -> None:
        self.hear(seconds, values, node)

    def hear(
        self,
        seconds: int,
        values: dict[str, float | None],
        node: str = "bank",
        state: WheelState = "unknown",
        faults: dict[str, str] | None = None,
    ) -> None:
        for _ in range(seconds // self.every_s):
            self.now_ms += 1_000 * self.every_s
            self.up_ms += 1_000 * self.every_s
            live = Live(
                journal="ba00ba00ba00ba00",
                boot=1,
                up_ms=self.up_ms,
                at_ms=None,
                clock="none",
                state=state,
                edge_age_ms=None,
                edge_gap_ms=None,
                values=values,
                faults=faults or {},
            )
            self.watch.live(node, live, self.now_ms)
            self.watch.tick(self.now_ms)

    def silence(self, seconds: int) -> None:
        for _ in range(seconds):
            self.now_ms += 1_000
            self.watch.tick(self.now_ms)
