"""The watch of one site: takes what the nodes say, raises and clears alarms, owes the messages about them.

Deterministic and without I/O of its own. Time comes in as `now_ms`; what changes goes out through the
`AlarmStore`, inside the transaction in which the caller booked the message; what people say of alarms comes in
through `Requests`. If that transaction is rolled back, the caller must call `reload`: the ledger is what holds, not
this object.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from wheelpit.contract.topics import HOST
from wheelpit.plant.description import PickupSensor
from wheelpit.plant.limits import limits_of
from wheelpit.store.alarms import AlarmRow, Memory, Raised
from wheelpit.watch.conditions import delays_of, judge, nearly_full
from wheelpit.watch.host import judge_host
from wheelpit.watch.hunting import CHOPPING, HuntingTracker, hunting
from wheelpit.watch.machine import LONGEST_STEP_MS, Change, Machine, Verdict
from wheelpit.watch.motion import Tracker
from wheelpit.watch.silence import state_of, telemetry, urgent
from wheelpit.watch.words import CONDITIONS, cleared_message, raised_message

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live, Record
    from wheelpit.plant.description import Plant
    from wheelpit.plant.limits import Limits
    from wheelpit.store.alarms import AlarmStore
    from wheelpit.store.rows import HostSeen
    from wheelpit.watch.judgement import Judgement
    from wheelpit.watch.requests import Requests, Seen

# How old the current from another node may be when it is laid beside this node's edges.
_FRESH_MS: Final = 5_000
# How a node was heard flickers at a limit: it is written so seldom, and when nothing more is heard.
_STATE_MS: Final = 60_000


@dataclass(slots=True)
class _Watched:
    """What has conditions: the host, or a node."""

    name: str
    machines: dict[str, Machine]
    standing: dict[str, AlarmRow] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class _Node(_Watched):
    """One node: its wheel, and when it was last heard."""

    tracker: Tracker
    hunting: HuntingTracker
    memory: Memory
    kept: Memory  # as much of it as the ledger has
    kept_ms: int = 0
    offline: bool = False
    silent_ms: int = 0
    counted_ms: int | None = None  # up to when silence was counted
    heard_ms: int | None = None


class Watch:
    """All conditions of all nodes of one site.

    Args:
        plant: The plant.
        alarms: The store, on the connection of the ledger's one writer.
        limits: The plant's limits, where they were derived before.
        requests: What people say of alarms; None where nobody can.
    """

    def __init__(
        self,
        plant: Plant,
        alarms: AlarmStore,
        limits: Limits | None = None,
        *,
        requests: Requests | None = None,
    ) -> None:
        self.limits: Final = limits_of(plant) if limits is None else limits
        self._plant = plant
        self._site = plant.site.id
        self._site_name = plant.site.name
        self._zone = ZoneInfo(plant.site.time_zone)
        pickup = plant.sensor("wheel_rpm")
        self._magnets = pickup.magnets if isinstance(pickup, PickupSensor) else 1
        self._alarms = alarms
        self._requests = requests
        self.reload()

    def reload(self) -> None:
        """Begin again from the ledger: at the start, and after a transaction that was not committed."""
        self._nodes: dict[str, _Node] = {}
        self._host = _Watched(HOST, self._machines(of_host=True))
        self._current: tuple[int, float] | None = None
        if self._requests is not None:
            self._requests.again()
        ends = self._alarms.ends(self._site)
        for node, memory in self._alarms.heard_nodes(self._site).items():
            self._nodes[node] = self._new(node, memory)
        for row in self._alarms.open_episodes(self._site):
            found = self._watched(row.node)
            machine = found.machines.get(row.condition)
            if machine is not None:
                machine.resume(row.onset_ms, row.raised_ms, acknowledged=row.acknowledged_ms is not None)
                found.standing[row.condition] = row
        for (node, condition), cleared_ms in ends.items():
            if node == HOST or node in self._nodes:
                machine = self._watched(node).machines.get(condition)
                if machine is not None:
                    machine.free_from_ms = cleared_ms + 1

    def live(self, node: str, live: Live, now_ms: int) -> None:
        """Take a live message: what is true now."""
        found = self._heard(node, now_ms)
        seen = found.tracker.live(live, now_ms, self._charge_a(live, now_ms))
        raised_at = {name: row.limit for name, row in found.standing.items()}
        judged = judge(live, seen, self._plant, self.limits, raised_at)
        chops = self._plant.controller.topology in CHOPPING
        judged["hunting"] = hunting(
            found.hunting.live(live, seen),
            self.limits,
            now_ms,
            may_chop=chops and nearly_full(live, self._plant, self.limits),
        )
        state = state_of(live, seen, judged, self._plant, self.limits)
        if state != found.memory.last_state:
            found.memory = replace(found.memory, last_state=state)
        for name, judgement in judged.items():
            machine = found.machines[name]
            if not machine.active and any(
                found.machines[other].active for other in CONDITIONS[name].explained_by
            ):
                continue
            self._observe(found, name, judgement, now_ms)

    def record(
        self,
        node: str,
        record: Record,
        start_ms: int,  # noqa: ARG002 - what is booked comes as an interval; only its end tells of now
        end_ms: int,
        now_ms: int,
    ) -> None:
        """Take a booked record, which may be old: it shows that the node lives, and how the wheel ran then.

        Args:
            node: The node's id.
            record: The record.
            start_ms: Begin of the booked interval [Unix ms].
            end_ms: End of the booked interval [Unix ms].
            now_ms: The host's time [Unix ms].
        """
        found = self._heard(node, now_ms)
        found.hunting.record(record, now_ms - end_ms)
        ran, parked = found.tracker.record(record, end_ms)
        found.memory = replace(found.memory, ran=ran, parked=parked)

    def status(self, node: str, online: bool, now_ms: int) -> None:  # noqa: FBT001 - the message has one fact
        """Take a node's status: its own "online", or "offline" from its last will."""
        found = self._known(node, now_ms)
        found.offline = not online
        if found.heard_ms is None:
            found.heard_ms = now_ms

    def host(self, seen: HostSeen, now_ms: int) -> None:
        """Take what the host sees of itself."""
        for name, judgement in judge_host(seen).items():
            self._observe(self._host, name, judgement, now_ms)

    def tick(self, now_ms: int) -> None:
        """Let time pass, about once a second and at the end of each batch.

        Silence is judged here, what people said of alarms is taken, and what messages showed is kept over a restart.
        """
        if self._requests is not None:
            for seen in self._requests.take(self._site, now_ms):
                self.acknowledge(seen)
        for found in self._nodes.values():
            gap_ms = 0 if found.counted_ms is None else now_ms - found.counted_ms
            # A clock that was set, or a service that slept, is no proof of silence.
            found.silent_ms += min(max(gap_ms, 0), LONGEST_STEP_MS)
            found.counted_ms = now_ms
            lost = telemetry(
                offline=found.offline,
                silent_ms=found.silent_ms,
                heard_ms=found.heard_ms,
                limits=self.limits,
            )
            self._observe(found, "telemetry_lost", lost, now_ms)
            self._keep(found, now_ms, heard=lost.verdict is Verdict.WITHIN)
            danger = urgent(lost, found.memory.last_state, found.standing, self.limits)
            self._observe(found, "telemetry_urgent", danger, now_ms)
        for watched in (self._host, *self._nodes.values()):
            for name, row in watched.standing.items():
                if watched.machines[name].overdue(now_ms):
                    self._alarms.acknowledge(row.episode, None)

    def acknowledge(self, seen: Seen) -> bool:
        """Note that a person has seen an alarm that stands, or one that is over and that nobody had seen.

        Returns whether there was one. An alarm that goes on standing is called unseen again after its re-alarm time.
        """
        for found in (self._host, *self._nodes.values()):
            row = found.standing.get(seen.condition)
            if row is not None and (row.node, row.onset_ms) == (seen.node, seen.onset_ms):
                found.machines[seen.condition].acknowledge()
                self._alarms.acknowledge(row.episode, seen.seen_ms)
                return True
        return self._alarms.acknowledge_ended(
            self._site, seen.node, seen.condition, seen.onset_ms, seen.seen_ms
        )

    def _new(self, node: str, memory: Memory) -> _Node:
        return _Node(
            node,
            self._machines(of_host=False),
            tracker=Tracker(self.limits, self._magnets, memory),
            hunting=HuntingTracker(self.limits),
            memory=memory,
            kept=memory,
        )

    def _machines(self, *, of_host: bool) -> dict[str, Machine]:
        return {
            name: Machine(delays_of(name, self.limits))
            for name, condition in CONDITIONS.items()
            if condition.of_host is of_host
        }

    def _watched(self, name: str) -> _Watched:
        """Return the host, or a node, which is new if nothing was heard of it."""
        if name == HOST:
            return self._host
        return self._nodes.setdefault(name, self._new(name, Memory()))

    def _keep(self, found: _Node, now_ms: int, *, heard: bool) -> None:
        """Write what is remembered of a node, where that has changed."""
        memory, kept = found.memory, found.kept
        if memory == kept:
            return
        state_alone = (memory.ran, memory.parked) == (kept.ran, kept.parked)
        if state_alone and heard and 0 <= now_ms - found.kept_ms < _STATE_MS:
            return
        found.kept, found.kept_ms = memory, now_ms
        self._alarms.remember(self._site, found.name, memory)

    def _known(self, node: str, now_ms: int) -> _Node:
        found = self._nodes.get(node)
        if found is None:
            found = self._nodes[node] = self._new(node, Memory())
            self._alarms.note_heard(self._site, node, now_ms)
        return found

    def _heard(self, node: str, now_ms: int) -> _Node:
        found = self._known(node, now_ms)
        found.offline, found.silent_ms = False, 0
        found.heard_ms = found.counted_ms = now_ms
        return found

    def _charge_a(self, live: Live, now_ms: int) -> float | None:
        """Return the charging current that belongs to a message: its own, or another node's if it is fresh."""
        if "charge_a" in live.values:
            charge_a = live.values["charge_a"]
            self._current = None if charge_a is None else (now_ms, charge_a)
            return charge_a
        if self._current is None or abs(now_ms - self._current[0]) > _FRESH_MS:
            return None
        return self._current[1]

    def _observe(self, found: _Watched, name: str, judgement: Judgement, now_ms: int) -> None:
        machine = found.machines[name]
        change = machine.observe(judgement.verdict, now_ms, judgement.onset_ms)
        if change is Change.RAISED:
            self._raise(found, name, judgement, machine, now_ms)
        elif change is Change.CLEARED:
            row = found.standing.pop(name)
            cleared_ms = max(now_ms, row.raised_ms)
            self._alarms.clear_episode(
                row.episode, cleared_ms, *cleared_message(row, self._site_name, self._zone, cleared_ms)
            )

    def _raise(self, found: _Watched, name: str, judgement: Judgement, machine: Machine, now_ms: int) -> None:
        condition = CONDITIONS[name]
        raised = Raised(
            site=self._site,
            node=found.name,
            condition=name,
            priority=condition.priority,
            onset_ms=now_ms if machine.onset_ms is None else machine.onset_ms,
            raised_ms=now_ms if machine.raised_ms is None else machine.raised_ms,
            value=judgement.value,
            limit=judgement.limit,
            unit=condition.unit,
            title=condition.title,
            text=condition.text,
            remedy=condition.whole_remedy,
            reason=judgement.reason,
        )
        episode = self._alarms.raise_episode(raised, *raised_message(raised, self._site_name, self._zone))
        found.standing[name] = AlarmRow(
            **asdict(raised), episode=episode, cleared_ms=None, acknowledged_ms=None
        )
