"""Scenarios before the real watch: which alarms it raises, and whether they are the right ones.

The watch writes into a ledger in memory, as it does in the service's. Time is the scenario's own, so an hour passes in
seconds.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from wheelpit.store import migrate
from wheelpit.store.alarms import AlarmStore, read_alarms
from wheelpit.twin.scenarios.play import Player
from wheelpit.watch.watch import Watch
from wheelpit.watch.words import CONDITIONS

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.contract.messages import Record
    from wheelpit.store.alarms import AlarmRow
    from wheelpit.twin.scenarios import Scenario
    from wheelpit.twin.scenarios.description import Right
    from wheelpit.twin.scenarios.play import Heard

_S: Final = 1000


@dataclass(slots=True)
class Outcome:
    """What came of a rehearsal.

    Args:
        scenario: The scenario.
        alarms: The alarms that were raised, oldest first.
        start_ms: When it began [Unix ms].
    """

    scenario: Scenario
    alarms: list[AlarmRow]
    start_ms: int
    problems: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.problems = self._problems()

    def _problems(self) -> list[str]:
        """Return what differs from the truth, a line each; none where the alarms are the right ones."""
        told = [alarm for alarm in self.alarms if alarm.condition not in self.scenario.later]
        found: list[str] = []
        for right in self.scenario.right:
            matches = [alarm for alarm in told if alarm.condition == right.alarm]
            if not matches:
                found.append(f"{right.alarm}: not raised, but it is right from {right.from_s:g} s on")
                continue
            if len(matches) > 1:
                found.append(f"{right.alarm}: raised {len(matches)} times, but it is one episode")
            found += self._differences(right, matches[0])
        rights = {right.alarm for right in self.scenario.right}
        for alarm in told:
            if alarm.condition not in rights:
                why = self.scenario.false.get(alarm.condition, "nothing of the kind happened")
                at_s = (alarm.raised_ms - self.start_ms) / _S
                found.append(f"{alarm.condition}: raised at {at_s:g} s, but it is false: {why}")
        return found

    def _differences(self, right: Right, alarm: AlarmRow) -> list[str]:
        name = right.alarm
        onset_s, raised_s = ((at_ms - self.start_ms) / _S for at_ms in (alarm.onset_ms, alarm.raised_ms))
        found = []
        if raised_s < right.from_s:
            found.append(f"{name}: raised at {raised_s:g} s, before anything happened at {right.from_s:g} s")
        if onset_s < right.from_s - right.early_s:
            found.append(f"{name}: dated to {onset_s:g} s, but it began at {right.from_s:g} s")
        if raised_s > right.from_s + right.within_s:
            found.append(
                f"{name}: raised at {raised_s:g} s, later than {right.within_s:g} s after {right.from_s:g} s"
            )
        if right.cleared and alarm.cleared_ms is None:
            found.append(f"{name}: still stands at the end, but it is over")
        if right.priority is not None and alarm.priority != right.priority:
            found.append(f"{name}: has priority {alarm.priority}, but {right.priority} is right")
        return found


class Rehearsal:
    """One scenario on its way through the watch.

    Args:
        scenario: The scenario.
        say: Is told what happens and which alarms come and go, in lines.
    """

    def __init__(self, scenario: Scenario, say: Callable[[str], None] | None = None) -> None:
        self._scenario = scenario
        self._say = say
        self._player = Player(scenario)
        self._db = sqlite3.connect(":memory:", isolation_level=None)
        migrate.migrate(self._db, "rehearsal")
        self._watch: Watch | None = None
        self._start_ms = round(scenario.begins.timestamp() * _S)
        self._seen: dict[int, bool] = {}

    def run(self, pace: Callable[[float], None] | None = None) -> Outcome:
        """Play to the end.

        Args:
            pace: Is called with the seconds that have passed, before each second's messages, and may wait.
        """
        try:
            for heard in self._player.play():
                if pace is not None:
                    pace((heard.at_ms - self._start_ms) / _S)
                self._take(heard)
            alarms = sorted(read_alarms(self._db), key=lambda alarm: alarm.episode)
        finally:
            self._db.close()
        return Outcome(self._scenario, alarms, self._start_ms)

    def _take(self, heard: Heard) -> None:
        if heard.what:
            self._tell(heard.at_ms, heard.what)
        if not heard.host_up:
            self._watch = None
            return
        if self._watch is None:
            self._watch = Watch(self._player.plant, AlarmStore(self._db))
        node, now_ms, watch = self._player.node, heard.at_ms, self._watch
        if heard.online is not None:
            watch.status(node, heard.online, now_ms)
        for record in heard.records:
            self._book(watch, record, now_ms)
        if heard.live is not None:
            watch.live(node, heard.live, now_ms)
        watch.tick(now_ms)
        if self._say is not None:
            self._tell_alarms(now_ms)

    def _book(self, watch: Watch, record: Record, now_ms: int) -> None:
        """Hand over a record as the books date it: a node without a clock is dated by its arrival."""
        end_ms = now_ms if record.end_ms is None else record.end_ms
        watch.record(self._player.node, record, end_ms - record.span_ms, end_ms, now_ms)

    def _tell(self, at_ms: int, text: str) -> None:
        if self._say is not None:
            minutes, seconds = divmod((at_ms - self._start_ms) // _S, 60)
            self._say(f"{minutes:5}:{seconds:02}  {text}")

    def _tell_alarms(self, now_ms: int) -> None:
        for alarm in read_alarms(self._db):
            if alarm.episode not in self._seen:
                self._seen[alarm.episode] = True
                self._tell(now_ms, f"ALARM ({alarm.priority}) {alarm.title}")
            if self._seen[alarm.episode] and not alarm.open:
                self._seen[alarm.episode] = False
                self._tell(now_ms, f"over: {alarm.title}")


def unknown_alarms(scenario: Scenario) -> list[str]:
    """Return what a scenario says of alarms that does not go with the conditions that are watched, a line each."""
    told = [*(right.alarm for right in scenario.right), *scenario.false]
    return [
        f"{name}: not watched; it belongs under later until it is" for name in told if name not in CONDITIONS
    ]
