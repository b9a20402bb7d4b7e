"""What the measuring side hands on: a record of an interval, and a snapshot of this moment.

All values are integers in steps (see `names.STEPS`: thousandths of a volt, an ampere, a turn a minute ...).
Lists go by the index of a channel or total in the boot's `Layout`.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.names import Layout


class JournalError(Exception):
    """A record does not follow the one before it, or is not there, or there is no journal at all."""


class Rec:
    """One interval `(up_ms - span_ms, up_ms]` of a boot, as the journal keeps it.

    n: number of the record within its boot, 1, 2, 3 ...; first: number of the first record folded into it
        (`first == n` in one that was never folded).
    boot: number of the boot.
    up_ms: end of the interval, counted from the boot.
    dur_ms: how much of span_ms was sampled; span_ms: length of the interval.
    end_ms: Unix time of its end, None while the node has no clock; clock: "none", "host" or "ntp".
    state: the wheel's state at the end: "turning", "slow", "stopped", "parked", "unknown".
    mean, min, max: by channel index; None where the channel was not measured in the whole interval.
    total: by total index; counted since boot, never falling within a boot.
    faults: by channel index; a code where the channel is None because reading it failed, else None.
    layout: by which the lists go, None for this boot's own; an earlier boot may have had another.
    """

    __slots__ = (
        "boot",
        "clock",
        "dur_ms",
        "end_ms",
        "faults",
        "first",
        "layout",
        "max",
        "mean",
        "min",
        "n",
        "span_ms",
        "state",
        "total",
        "up_ms",
    )

    def __init__(  # noqa: PLR0917 - the journal and the recorder give all of it, in this order
        self,
        n: int,
        first: int,
        boot: int,
        up_ms: int,
        dur_ms: int,
        span_ms: int,
        end_ms: "int | None",
        clock: str,
        state: str,
        mean: "list[int | None]",
        least: "list[int | None]",
        most: "list[int | None]",
        total: "list[int]",
        faults: "list[str | None]",
        layout: "Layout | None" = None,
    ) -> None:
        self.n = n
        self.first = first
        self.boot = boot
        self.up_ms = up_ms
        self.dur_ms = dur_ms
        self.span_ms = span_ms
        self.end_ms = end_ms
        self.clock = clock
        self.state = state
        self.mean = mean
        self.min = least
        self.max = most
        self.total = total
        self.faults = faults
        self.layout = layout


class Snapshot:
    """The newest values, for the `live` message; one object, which `Sampler.snapshot()` brings up to date.

    values: by channel index, None where the newest reading failed; faults: by channel index, code or None.
    edge_age_ms: time since the last magnet passed, None before the first of the boot.
    edge_gap_ms: longest gap between neighbouring magnets in the last whole turn, None before a whole turn
        since the wheel last stood.
    up_ms, at_ms (Unix time or None) and clock say when the newest sample was taken; state as in `Rec`.
    guard: what the guard says, None without one. parked_ms: for how long the switch "working here" has been closed,
        0 while it is open, None without one; `state` is "parked" only until that counts as forgotten.
    """

    __slots__ = (
        "at_ms", "clock", "edge_age_ms", "edge_gap_ms", "faults", "guard", "parked_ms", "state", "up_ms", "values",
    )  # fmt: skip

    def __init__(self, layout: "Layout") -> None:
        self.up_ms = 0
        self.at_ms: int | None = None
        self.clock = "none"
        self.state = "unknown"
        self.edge_age_ms: int | None = None
        self.edge_gap_ms: int | None = None
        self.guard: "dict[str, object] | None" = None
        self.parked_ms: int | None = None
        self.values: list[int | None] = [None] * len(layout.channels)
        self.faults: list[str | None] = [None] * len(layout.channels)
