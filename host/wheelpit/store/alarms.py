"""Alarm episodes and the messages owed about them, in the ledger.

`AlarmStore` writes on the connection of the service's one writer, inside the transaction that is open there:
an episode, its message and the records that brought it are committed together or not at all. `read_alarms`
is the reading side, for any connection.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    import sqlite3

Priority = Literal["critical", "high", "medium", "low"]
Step = Literal["raised", "cleared"]
State = Literal["unacknowledged", "acknowledged", "returned, unacknowledged", "normal"]

# Worst first: the order of every list of alarms.
PRIORITIES: Final[tuple[Priority, ...]] = ("critical", "high", "medium", "low")


class OutOfStepError(WheelpitError):
    """The ledger does not hold what the watch believes: the transaction that wrote it was not committed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """What is written when a condition becomes an alarm. `value` and `limit` are in `unit`."""

    site: str
    node: str
    condition: str
    priority: Priority
    onset_ms: int
    raised_ms: int
    value: float | None
    limit: float | None
    unit: str
    title: str
    text: str
    remedy: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow(Raised):
    """One episode of one condition, from onset to clearing; `cleared_ms` is None while it stands."""

    episode: int
    cleared_ms: int | None
    acknowledged_ms: int | None

    @property
    def open(self) -> bool:
        """Whether the alarm stands."""
        return self.cleared_ms is None

    @property
    def state(self) -> State:
        """The state in the standard alarm life cycle (IEC 62682, ISA-18.2)."""
        if self.cleared_ms is None:
            return "unacknowledged" if self.acknowledged_ms is None else "acknowledged"
        return "returned, unacknowledged" if self.acknowledged_ms is None else "normal"

    def lasted_ms(self, now_ms: int) -> int:
        """Return how long it has stood, or stood, since its onset [ms]; never negative."""
        return max(0, (now_ms if self.cleared_ms is None else self.cleared_ms) - self.onset_ms)


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment by a node's own clock (boot, and milliseconds since it) and by the host's [Unix ms]."""

    boot: int
    up_ms: int
    at_ms: int

    def since(self, other: Moment) -> int:
        """Return the time from `other` to this [ms]; by the node's clock where both are of one boot."""
        return self.up_ms - other.up_ms if self.boot == other.boot else self.at_ms - other.at_ms


@dataclass(frozen=True, slots=True)
class Memory:
    """When a node's wheel was last booked as running, and as parked; and how the node was last heard.

    `last_state` is a word of the watch's own; None where nothing is known.
    """

    ran: Moment | None = None
    parked: Moment | None = None
    last_state: str | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """One message to people; `key` names it for ever."""

    message: int
    key: str
    step: Step
    made_ms: int
    priority: Priority
    title: str
    body: str


_COLUMNS: Final = (
    "episode, site, node, condition, priority, onset_ms, raised_ms, cleared_ms, acknowledged_ms, "
    "value, limit_value, unit, title, text, remedy, reason"
)


def read_alarms(
    connection: sqlite3.Connection, site: str | None = None, *, open_only: bool = False
) -> list[AlarmRow]:
    """Return the episodes of a site (or of all): those that stand first, the worst first, the newest first."""
    rows = connection.execute(
        # The columns are a constant of this module; values are bound.
        f"SELECT {_COLUMNS} FROM alarm_episode"  # noqa: S608
        " WHERE (?1 IS NULL OR site = ?1) AND (NOT ?2 OR cleared_ms IS NULL)",
        (site, open_only),
    ).fetchall()
    found = [
        AlarmRow(
            episode=row[0],
            site=row[1],
            node=row[2],
            condition=row[3],
            priority=row[4],
            onset_ms=row[5],
            raised_ms=row[6],
            cleared_ms=row[7],
            acknowledged_ms=row[8],
            value=row[9],
            limit=row[10],
            unit=row[11],
            title=row[12],
            text=row[13],
            remedy=row[14],
            reason=row[15],
        )
        for row in rows
    ]
    found.sort(key=lambda row: (not row.open, row.open and PRIORITIES.index(row.priority), -row.episode))
    return found


def read_messages(connection: sqlite3.Connection, after: int) -> list[Message]:
    """Return the messages numbered above `after`, oldest first."""
    rows = connection.execute(
        "SELECT message, key, step, made_ms, priority, title, body FROM outbox"
        " WHERE message > ? ORDER BY message",
        (after,),
    )
    return [Message(*row) for row in rows]


class AlarmStore:
    """The writing side, for the service only. Begins and ends no transaction: its caller does."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def open_episodes(self, site: str) -> list[AlarmRow]:
        """Return the episodes that stand: what the watch continues after a restart."""
        return read_alarms(self._connection, site, open_only=True)

    def ends(self, site: str) -> dict[tuple[str, str], int]:
        """Return per (node, condition) when its last ended episode was cleared [Unix ms]."""
        rows = self._connection.execute(
            "SELECT node, condition, max(cleared_ms) FROM alarm_episode"
            " WHERE site = ? AND cleared_ms IS NOT NULL GROUP BY node, condition",
            (site,),
        )
        return {(node, condition): cleared_ms for node, condition, cleared_ms in rows}

    def heard_nodes(self, site: str) -> dict[str, Memory]:
        """Return the nodes from which anything was ever heard, with what is remembered of each."""
        rows = self._connection.execute(
            "SELECT node, ran_boot, ran_up_ms, ran_ms, parked_boot, parked_up_ms, parked_ms, last_state"
            " FROM alarm_node WHERE site = ? ORDER BY node",
            (site,),
        )
        return {
            row[0]: Memory(
                None if row[1] is None else Moment(*row[1:4]),
                None if row[4] is None else Moment(*row[4:7]),
                row[7],
            )
            for row in rows
        }

    def note_heard(self, site: str, node: str, now_ms: int) -> None:
        """Note that a node exists; a second note changes nothing."""
        self._connection.execute(
            "INSERT OR IGNORE INTO alarm_node (site, node, heard_ms) VALUES (?, ?, ?)", (site, node, now_ms)
        )

    def remember(self, site: str, node: str, memory: Memory) -> None:
        """Keep over a restart what is remembered of a node."""
        ran, parked = memory.ran, memory.parked
        self._connection.execute(
            "UPDATE alarm_node SET ran_boot = ?, ran_up_ms = ?, ran_ms = ?,"
            " parked_boot = ?, parked_up_ms = ?, parked_ms = ?, last_state = ? WHERE site = ? AND node = ?",
            (
                *((ran.boot, ran.up_ms, ran.at_ms) if ran else (None, None, None)),
                *((parked.boot, parked.up_ms, parked.at_ms) if parked else (None, None, None)),
                memory.last_state,
                site,
                node,
            ),
        )

    def raise_episode(self, raised: Raised, title: str, body: str) -> int:
        """Open an episode and owe the message about it; return the episode's number."""
        cursor = self._connection.execute(
            "INSERT INTO alarm_episode (site, node, condition, priority, onset_ms, raised_ms, value,"
            " limit_value, unit, title, text, remedy, reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                raised.site,
                raised.node,
                raised.condition,
                raised.priority,
                raised.onset_ms,
                raised.raised_ms,
                raised.value,
                raised.limit,
                raised.unit,
                raised.title,
                raised.text,
                raised.remedy,
                raised.reason,
            ),
        )
        episode = cursor.lastrowid
        if episode is None:
            msg = f"the ledger gave no number to the alarm {raised.condition} of node {raised.node}"
            raise OutOfStepError(msg)
        self._owe(episode, "raised", raised.raised_ms, title, body)
        return episode

    def clear_episode(self, episode: int, cleared_ms: int, title: str, body: str) -> None:
        """End an open episode and owe the message about it."""
        self._change(
            episode,
            "UPDATE alarm_episode SET cleared_ms = ? WHERE episode = ? AND cleared_ms IS NULL",
            (cleared_ms, episode),
        )
        self._owe(episode, "cleared", cleared_ms, title, body)

    def acknowledge(self, episode: int, acknowledged_ms: int | None) -> None:
        """Note that a person has seen an alarm; None makes it unacknowledged again."""
        self._change(
            episode,
            "UPDATE alarm_episode SET acknowledged_ms = ? WHERE episode = ?",
            (acknowledged_ms, episode),
        )

    def acknowledge_ended(
        self, site: str, node: str, condition: str, onset_ms: int, acknowledged_ms: int
    ) -> bool:
        """Note that a person has seen an alarm that is over; return whether there is one that nobody had seen."""
        cursor = self._connection.execute(
            "UPDATE alarm_episode SET acknowledged_ms = ? WHERE site = ? AND node = ? AND condition = ?"
            " AND onset_ms = ? AND cleared_ms IS NOT NULL AND acknowledged_ms IS NULL",
            (acknowledged_ms, site, node, condition, onset_ms),
        )
        return cursor.rowcount > 0

    def _change(self, episode: int, statement: str, values: tuple[int | None, ...]) -> None:
        if self._connection.execute(statement, values).rowcount != 1:
            msg = (
                f"alarm episode {episode} is not open in the ledger, so a transaction before was not committed; "
                "start the service again: it continues from the ledger"
            )
            raise OutOfStepError(msg)

    def _owe(self, episode: int, step: Step, made_ms: int, title: str, body: str) -> None:
        self._connection.execute(
            "INSERT INTO outbox (episode, step, key, made_ms, priority, title, body)"
            " SELECT episode, ?2, site || '/' || node || '/' || condition || '/' || onset_ms || '/' || ?2,"
            " ?3, priority, ?4, ?5 FROM alarm_episode WHERE episode = ?1",
            (episode, step, made_ms, title, body),
        )
