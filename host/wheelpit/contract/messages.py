"""What crosses the wire, version 1: JSON, UTF-8, unknown fields ignored.

Times are integers in milliseconds. `up_ms` counts from the node's boot and never steps; `end_ms` and `at_ms`
are Unix time, null while the node has no clock. `journal` is the random id of the node's store: `(journal,
seq)` names a record for ever, whatever the node is called.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from wheelpit.contract.names import SEQ_MAX, SEQ_PER_BOOT, Clock, WheelState

Journal = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{16}$", description="64 random bits, hex")]
LedgerId = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{16}$", description="64 random bits, hex")]
Seq = Annotated[int, msgspec.Meta(ge=0, le=SEQ_MAX)]
Millis = Annotated[int, msgspec.Meta(ge=0, le=SEQ_MAX)]
Count = Annotated[int, msgspec.Meta(ge=0, le=SEQ_MAX)]
Boot = Annotated[int, msgspec.Meta(ge=1, le=SEQ_MAX // SEQ_PER_BOOT)]
Code = Annotated[str, msgspec.Meta(max_length=32)]
Text = Annotated[str, msgspec.Meta(max_length=120)]
Values = dict[Code, float | None]
Faults = dict[Code, Code]


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """Whether a node is connected: retained; `offline` is the node's last will."""

    state: Literal["online", "offline"]
    journal: Journal
    boot: Boot


class ChannelInfo(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How a node measures one channel, as its settings say."""

    source: Text
    detail: dict[str, float | str | bool] = {}


class Birth(msgspec.Struct, frozen=True, kw_only=True):
    """Who a node is and what it holds: retained, sent at each connect and whenever what it holds changed.

    `oldest` and `newest` are the first and last seq that the node holds (0, 0 when it holds none);
    `capacity` is in records; `restarts` counts restarts of each of the node's tasks since boot. `mode` is minimal after
    five starts in a row that came too soon; what the node can do without is then left out. `revision` is that of the
    settings in force, `refused_revision` the newest one that was refused or taken back (0: none). `last_fault` is the
    newest line of the log on the board: `boot up_s unix_s text`.
    """

    journal: Journal
    boot: Boot
    chip: Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{2,64}$")]
    oldest: Seq
    newest: Seq
    firmware: Text
    interpreter: Text
    board: Text
    reset: Text
    record_s: Annotated[int, msgspec.Meta(ge=5, le=60)]
    channels: dict[Code, ChannelInfo]
    totals: list[Code]
    capacity: Count
    held: Count
    approximate: bool = False
    restarts: dict[Code, Count] = {}
    mode: Literal["normal", "minimal"] = "normal"
    revision: Count = 0
    refused_revision: Count = 0
    last_fault: Text = ""


class Guard(msgspec.Struct, frozen=True, kw_only=True):
    """What a node's own guard finds: it drives lamp, buzzer and the output that acts, with or without a network.

    `alarms` is what is wrong now, `latched` what has acted and was not yet reset by hand at the wheel, `blind` the
    channels that it needs and cannot read, `quiet_ms` for how long its lamp and buzzer are still silenced.
    """

    alarms: list[Code]
    latched: list[Code] = []
    blind: list[Code] = []
    quiet_ms: Millis = 0


class Live(msgspec.Struct, frozen=True, kw_only=True):
    """The newest values, once a second: QoS 0, not retained.

    `edge_age_ms` is the time since the last magnet passed (null: none since boot); `edge_gap_ms` the longest
    gap between neighbouring magnets in the last whole turn (null: no whole turn since the wheel last stood).
    `guard` is null where the node has none. `parked_ms` is for how long the switch "working here" has been closed (0:
    open, null: none fitted); `state` is `parked` only until that counts as forgotten.
    """

    journal: Journal
    boot: Boot
    up_ms: Millis
    at_ms: Millis | None
    clock: Clock
    state: WheelState
    edge_age_ms: Millis | None
    edge_gap_ms: Millis | None
    values: Values
    faults: Faults = {}
    guard: Guard | None = None
    parked_ms: Millis | None = None


class RecordHead(msgspec.Struct, frozen=True, kw_only=True):
    """What a record says of itself beside what was measured, in whichever form it is.

    It is of one interval `(up_ms - span_ms, up_ms]` of a boot. `first..seq` is what the record covers (`first < seq`
    only where records were folded into one); `dur_ms` is the measured part of `span_ms`.
    """

    seq: Seq
    first: Seq
    up_ms: Millis
    dur_ms: Millis
    span_ms: Millis
    end_ms: Millis | None
    clock: Clock
    state: WheelState

    @property
    def boot(self) -> int:
        """The boot in which the record was made."""
        return self.seq // SEQ_PER_BOOT


class Record(RecordHead, frozen=True, kw_only=True):
    """A record with its values by name.

    `mean`, `min`, `max` speak of the interval; `total` counts since boot. A channel that could not be read in the whole
    interval is null and has a code in `faults`.
    """

    mean: Values
    min: Values
    max: Values
    total: dict[Code, Count]
    faults: Faults = {}


class RecordLine(RecordHead, frozen=True, kw_only=True):
    """A record as it crosses the wire: its values stand in the order in which its message names them.

    `mean`, `min` and `max` have a value for each of the message's channels, or none at all where the node sends the
    totals alone; `total` has one for each of its totals. The rest is as in a `Record`.
    """

    mean: list[float | None]
    min: list[float | None]
    max: list[float | None]
    total: list[Count]
    faults: Faults = {}


class Records(msgspec.Struct, frozen=True, kw_only=True):
    """Records of one journal and of the same channels and totals, oldest first.

    `after` is the seq of the record that the node holds immediately before the first one here (0: none): what
    lies between and is not stored already is a gap, and only so is a gap made. The names are told once a message:
    they are more than half of a record, and a radio, a broker and a host would carry them again with each.
    """

    journal: Journal
    after: Seq
    channels: list[Code]
    totals: list[Code]
    records: Annotated[list[msgspec.Raw], msgspec.Meta(min_length=1, max_length=64)]


class Receipt(msgspec.Struct, frozen=True, kw_only=True):
    """What the host has durably accounted for: retained, sent after every record message.

    Of messages that were taken together and each brought the host further, only the last is answered.

    `ledger` names the host's database and `start` rises at every start of the host. A node believes the
    receipts of one `(ledger, start)` at a time and, when it changes, begins again from what that receipt says.
    """

    ledger: LedgerId
    start: Millis
    journal: Journal
    upto: Seq


class HostStatus(msgspec.Struct, frozen=True, kw_only=True):
    """Whether the host listens: retained; `offline` is the host's last will. Nodes keep records while offline."""

    state: Literal["online", "offline"]
    ledger: LedgerId
    start: Millis


class TimeAsk(msgspec.Struct, frozen=True, kw_only=True):
    """A node asks for the time: QoS 0, not retained."""

    journal: Journal
    boot: Boot
    up_ms: Millis


class Time(msgspec.Struct, frozen=True, kw_only=True):
    """The host's answer, with the asker's `up_ms`: a node uses it only if the round trip took 2 s or less."""

    up_ms: Millis
    now_ms: Millis


Revision = Annotated[int, msgspec.Meta(ge=1, le=1_000_000_000)]
OrderId = Annotated[str, msgspec.Meta(pattern=r"^[0-9A-Za-z-]{1,32}$")]
OrderName = Literal["identify", "restart", "quiet"]
LONGEST_ORDER_S = 3600


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """The settings that a node shall have: retained, the whole of its settings.json, at most 4000 bytes.

    The node judges every field itself; of the contract are only those that say for whom and which. A revision only
    rises; site and node cannot be changed this way. Secrets never travel: they are put on the board by hand.
    """

    site: Code
    node: Code
    revision: Revision


class SettingsState(msgspec.Struct, frozen=True, kw_only=True):
    """What became of them: retained. `in_force` is the revision that the node works by.

    `trying`: the node restarts with them, on trial; `problems` say so where that is the second time. `applied`: they are in force and the broker was reached.
    `refused`: `problems` name the fields. `rolled-back`: the broker was not reached with them, and the former ones are
    in force again.
    """

    journal: Journal
    boot: Boot
    revision: Count
    state: Literal["trying", "applied", "refused", "rolled-back"]
    in_force: Count
    problems: list[Text] = []


class Order(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Something for a node to do once, until `expires_ms`: QoS 1, not retained. `for_s`: how long, where that matters.

    `quiet` silences lamp and buzzer of the guard, never the guard. Nothing starts, stops or resets the machine.
    """

    id: OrderId
    order: OrderName
    expires_ms: Millis
    for_s: Annotated[int, msgspec.Meta(ge=1, le=LONGEST_ORDER_S)] | None = None


class OrderState(msgspec.Struct, frozen=True, kw_only=True):
    """What became of an order: QoS 1, not retained. One that comes again is answered again and not done again."""

    journal: Journal
    boot: Boot
    id: OrderId
    order: Code
    state: Literal["done", "refused", "expired"]
    why: Text = ""
