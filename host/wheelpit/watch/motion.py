"""How the wheel moves, told from the live messages of its node: turning, stopped, and how it stopped.

The magnets that pass the pickup are the evidence. Three things are not what they seem:

* A wheel that stopped may rock, and a magnet then passes the pickup to and fro: its edges are irregular and no
  current flows. That is no turning.
* A pickup that died gives no edges although the wheel turns: current still flows. That is no stop.
* The voltage after the bridge stays for minutes on the capacitor: it never shows by itself that the wheel turns.

A stop is *sudden* when the last magnet passed within one turn of the last one at cut-out speed or above; a wheel
that ran down spent minutes below it. A wheel whose water is shut at the gate stops within seconds too: only the
switch at the wheel, or a person, can tell that from a jam.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from wheelpit.store.alarms import Memory, Moment

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live, Record
    from wheelpit.plant.limits import Limits

# A wheel lopes: the next magnet may take 20 % longer than the slowest of the last turn, and two are waited for.
_LOPE: Final = 1.2
_EDGES_AWAITED: Final = 2
# ... but never longer than this beyond two edge periods, so that a slow wheel's alarm is not late.
_LONGEST_EXCUSE_MS: Final = 6_000
# Live messages come once a second: the last one at speed is up to that old when the wheel stops.
_LIVE_MS: Final = 1_000
# Two messages date one edge to within this.
_SAME_EDGE_MS: Final = 20
# How much of the usual current must flow for it to count, so that a shunt's zero error is no current.
_SHARE_OF_USUAL: Final = 0.25
# Unevenness: longest gap of a turn over its mean gap. Magnets glued by eye and loping give about 1.4 together.
_USUAL_UNEVENNESS: Final = 1.2
_STEADY_UNEVENNESS: Final = 1.25  # times the usual: still steady
_ROCKING_UNEVENNESS: Final = 1.5  # times the usual, and at least the next: rocking
_ROCKING_AT_LEAST: Final = 1.8
_ROCKING_MS: Final = 15_000  # so long, and begun so soon after current last flowed
# An overdue magnet lowers the speed that is told and so hides unevenness for a while: once seen, it counts on.
_UNEVEN_FOR_MS: Final = 6_000
_LEARN: Final = 0.05  # weight of the newest value in what is usual
_PROOF_MS: Final = 50_000  # steady turning without current that is believed
_PROOF_V: Final = 1.0  # rise above the voltage that the capacitor held
_LONGEST_STEP_MS: Final = 10_000


class Motion(Enum):
    """What the wheel does."""

    UNKNOWN = "not measured"
    PARKED = "parked on purpose"
    TURNING = "turning"
    UNCERTAIN = "edges that prove nothing"
    STOPPED = "standing; how it stopped was not seen"
    STOPPED_SUDDENLY = "stopped from running speed within one turn"
    RAN_DOWN = "stopped after running slower and slower"
    ROCKING = "stopped suddenly; rocking at the pickup"
    SILENT_PICKUP = "current flows, but the pickup is silent"


@dataclass(frozen=True, slots=True)
class Seen:
    """What one live message shows.

    `steady` is True only where the turning is proven: current flows, or the edges have been even for long
    enough at a speed at which none need flow. `edge_at_ms` is when the last magnet of the turning wheel passed
    [Unix ms]. `charge_a` is the current from the charge controller [A], None where it is not known.
    """

    motion: Motion
    rpm: float | None
    steady: bool
    edge_at_ms: int | None
    charge_a: float | None


class Tracker:
    """Follows one wheel through the messages of its node, in the order in which they arrive.

    Args:
        limits: The plant's limits: cut-in and cut-out speed, charging current.
        magnets: How many magnets pass the pickup in one turn.
        memory: What was remembered over a restart.
    """

    def __init__(self, limits: Limits, magnets: int, memory: Memory | None = None) -> None:
        self._limits = limits
        self._magnets = magnets
        self._turn_ms = 60_000 / limits.cutout_rpm
        self._journal: str | None = None
        self._begin(Memory() if memory is None else memory)

    def _begin(self, memory: Memory) -> None:
        self._gap_ms: float | None = None
        self._usual_a: float | None = None
        self._usual_unevenness = _USUAL_UNEVENNESS
        self._edge: Moment | None = None  # the newest edge, whatever it proves
        self._turned: Moment | None = None  # the newest edge of a turning wheel
        # The newest edge, or record, of a wheel at cut-out speed or above.
        self._fast = memory.ran
        self._parked = memory.parked
        self._forget_turning()

    def _forget_turning(self) -> None:
        self._charged: Moment | None = None
        self._uneven_from: Moment | None = None
        self._uneven_at: Moment | None = None
        self._even_at: Moment | None = None
        self._even_ms = 0
        self._rocking = False
        self._held_v: float | None = None

    def record(self, record: Record, end_ms: int) -> tuple[Moment | None, Moment | None]:
        """Take a booked record: it tells of running and of parking that no live message showed.

        After a restart, or where live messages were lost, this is how a sudden stop is known from a slow one.
        Returns when it last ran and was last parked, to be remembered over the next restart.
        """
        moment = Moment(record.boot, record.up_ms, end_ms)
        if record.state == "parked":
            self._note_parked(moment)
        else:
            rpm, charge_a = record.mean.get("wheel_rpm"), record.mean.get("charge_a")
            charging = charge_a is None or charge_a >= self._limits.charging_a
            if charging and rpm is not None and rpm >= self._limits.cutout_rpm:
                self._note_fast(moment)
        return self._fast, self._parked

    def live(self, live: Live, now_ms: int, charge_a: float | None) -> Seen:
        """Take a live message.

        Args:
            live: The message.
            now_ms: The host's time [Unix ms].
            charge_a: The current from the charge controller [A]; None where it is not known.

        Returns:
            What the wheel does.
        """
        if self._journal not in (None, live.journal):
            self._begin(Memory())  # another board
        self._journal = live.journal
        new_edge = self._take_edge(live, now_ms)
        motion = self._motion(live, Moment(live.boot, live.up_ms, now_ms), charge_a)
        # An edge that is old when first seen passed while no message came: it is taken as the wheel's last.
        if motion is Motion.TURNING or (motion is Motion.STOPPED and new_edge):
            self._turned = self._edge
        last = self._turned or self._edge
        if motion is Motion.STOPPED and last is not None and self._fast is not None:
            sudden = last.since(self._fast) <= self._turn_ms + _LIVE_MS
            motion = Motion.STOPPED_SUDDENLY if sudden else Motion.RAN_DOWN
        steady = motion is Motion.TURNING and (self._flows(charge_a) or self._even_ms >= _PROOF_MS)
        edge_at_ms = None if last is None else last.at_ms
        return Seen(motion, live.values.get("wheel_rpm"), steady, edge_at_ms, charge_a)

    def _motion(self, live: Live, now: Moment, charge_a: float | None) -> Motion:
        if live.state == "parked":
            self._note_parked(now)
            return Motion.PARKED
        if live.state == "unknown" or "wheel_rpm" in live.faults:
            self._forget_turning()
            return Motion.UNKNOWN
        # Without an edge since boot, none was seen for as long as the boot is old.
        age_ms = live.up_ms if live.edge_age_ms is None else live.edge_age_ms
        if age_ms > self._wait_ms():
            self._uneven_from = self._uneven_at = None
            self._no_longer_even()
            return Motion.SILENT_PICKUP if self._flows(charge_a) else Motion.STOPPED
        return self._with_edges(live, now, charge_a)

    def _with_edges(self, live: Live, now: Moment, charge_a: float | None) -> Motion:
        rpm = live.values.get("wheel_rpm")
        unevenness = None
        if live.edge_gap_ms is not None and rpm is not None:
            unevenness = live.edge_gap_ms * rpm * self._magnets / 60_000
        if rpm is not None and charge_a is not None and rpm >= self._limits.cutin_rpm:
            self._learn_current(charge_a)
        if self._flows(charge_a):
            self._forget_turning()
            self._charged = now
            if unevenness is not None and 1 <= unevenness <= self._magnets:
                self._usual_unevenness += _LEARN * (unevenness - self._usual_unevenness)
            return self._turning(live, rpm, even=True)
        self._note_held(live)
        if unevenness is None:
            self._no_longer_even()
            return Motion.ROCKING if self._rocking else Motion.UNCERTAIN
        if unevenness > max(_ROCKING_AT_LEAST, _ROCKING_UNEVENNESS * self._usual_unevenness):
            self._uneven_at = now
        if self._uneven_at is not None and now.since(self._uneven_at) <= _UNEVEN_FOR_MS:
            self._no_longer_even()
            return self._uneven(now, charge_a)
        self._uneven_from = self._uneven_at = None
        even = unevenness <= _STEADY_UNEVENNESS * self._usual_unevenness
        self._count_even(now, proves=even and self._plausible(live, rpm, charge_a))
        if self._rocking and self._even_ms < _PROOF_MS:
            return Motion.ROCKING
        self._rocking = False
        return self._turning(live, rpm, even=even)

    def _turning(self, live: Live, rpm: float | None, *, even: bool) -> Motion:
        if live.edge_gap_ms is not None:
            self._gap_ms = float(live.edge_gap_ms)
        if even and rpm is not None and rpm >= self._limits.cutout_rpm and self._edge is not None:
            self._note_fast(self._edge)
        return Motion.TURNING

    def _uneven(self, now: Moment, charge_a: float | None) -> Motion:
        """Judge uneven edges without current: rocking if they lasted, and current had just flowed."""
        if self._uneven_from is None:
            self._uneven_from = now
        if charge_a is not None and self._charged is not None:
            sudden = self._uneven_from.since(self._charged) <= _ROCKING_MS
            self._rocking = self._rocking or (sudden and now.since(self._uneven_from) >= _ROCKING_MS)
        return Motion.ROCKING if self._rocking else Motion.UNCERTAIN

    def _plausible(self, live: Live, rpm: float | None, charge_a: float | None) -> bool:
        """Whether even edges without current can be a turning wheel, and not an evenly rocking one.

        At cut-in speed and above current should flow. If none does, the voltage must at least have risen above
        what the capacitor held since the current ceased.
        """
        if charge_a is None or (rpm is not None and rpm < self._limits.cutin_rpm):
            return True
        rectified_v = live.values.get("rectified_v")
        return rectified_v is not None and self._held_v is not None and rectified_v >= self._held_v + _PROOF_V

    def _count_even(self, now: Moment, *, proves: bool) -> None:
        if not proves:
            self._no_longer_even()
            return
        if self._even_at is not None:
            self._even_ms += min(max(now.since(self._even_at), 0), _LONGEST_STEP_MS)
        self._even_at = now

    def _no_longer_even(self) -> None:
        self._even_at, self._even_ms = None, 0

    def _flows(self, charge_a: float | None) -> bool:
        if charge_a is None or charge_a < self._limits.charging_a:
            return False
        return self._usual_a is None or charge_a >= _SHARE_OF_USUAL * self._usual_a

    def _learn_current(self, charge_a: float) -> None:
        usual = charge_a if self._usual_a is None else self._usual_a
        self._usual_a = usual + _LEARN * (charge_a - usual)

    def _note_held(self, live: Live) -> None:
        rectified_v = live.values.get("rectified_v")
        if rectified_v is not None:
            self._held_v = rectified_v if self._held_v is None else min(self._held_v, rectified_v)

    def _take_edge(self, live: Live, now_ms: int) -> bool:
        """Note the newest edge; return whether it is another than that of the message before."""
        if live.edge_age_ms is None:
            return False
        edge = Moment(live.boot, live.up_ms - live.edge_age_ms, now_ms - live.edge_age_ms)
        same_boot = self._edge is not None and self._edge.boot == edge.boot
        if self._edge is not None and same_boot and edge.up_ms <= self._edge.up_ms + _SAME_EDGE_MS:
            return False
        self._edge = edge
        return True

    def _note_fast(self, moment: Moment) -> None:
        if self._parked is not None and moment.since(self._parked) <= 0:
            return
        if self._fast is None or moment.since(self._fast) > 0:
            self._fast = moment

    def _note_parked(self, moment: Moment) -> None:
        """From here on only new running counts: what stands after parking did not stop by itself."""
        if self._parked is not None and moment.since(self._parked) <= 0:
            return
        self._parked = moment
        if self._fast is not None and self._fast.since(moment) <= 0:
            self._fast = None
        self._forget_turning()

    def _wait_ms(self) -> float:
        """Return how long no magnet may pass before the wheel counts as standing [ms]."""
        gap_ms = self._gap_ms
        if gap_ms is None:
            # No whole turn seen: the widest gap of magnets glued by eye, at the slowest loaded speed.
            gap_ms = _STEADY_UNEVENNESS * _USUAL_UNEVENNESS * self._turn_ms / self._magnets
        return _EDGES_AWAITED * gap_ms + min(_EDGES_AWAITED * (_LOPE - 1) * gap_ms, _LONGEST_EXCUSE_MS)
