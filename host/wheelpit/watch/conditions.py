"""What one observation says of each condition: pure judgements, without delays and without memory.

How the trouble at the wheel and the bridge is told apart (the capacitor keeps the voltage for minutes):

=====================  ==============  ==========================  =======================
what happened          wheel's edges   voltage before converter    charging current
=====================  ==============  ==========================  =======================
load lost              faster          **up**                      none
sudden stop            none            holds, falls slowly         none
water gone             ever slower     down                        down, then none
pickup dead            none            steady                      **flows**
rocking at the pickup  irregular       holds, falls slowly         none
battery full, tapered  same or faster  up                          falls smoothly
=====================  ==============  ==========================  =======================
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from wheelpit.watch.machine import Delays, Verdict
from wheelpit.watch.motion import Motion
from wheelpit.watch.words import CONDITIONS

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live
    from wheelpit.plant.limits import Limits
    from wheelpit.watch.motion import Seen

# A node that said nothing for so long counts as silent; then the delay begins.
SILENT_AFTER_MS: Final = 10_000
_DEADBAND_V_PER_12_V: Final = 0.2
_RECTIFIED_DEADBAND: Final = 0.05  # share of the limit
_SLOW_DEADBAND: Final = 1.03  # times slow speed, where cut-in is not above that


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is seen of a condition now, with the value and the limit in the condition's unit.

    `onset_ms` is when it began [Unix ms], where that is known better than "now".
    """

    verdict: Verdict
    value: float | None
    limit: float | None
    reason: str
    onset_ms: int | None = None


def delays_of(name: str, limits: Limits) -> Delays:
    """Return the delays of a condition at this plant."""
    told = CONDITIONS[name].delays
    on_ms = {
        "overcharge": limits.overcharge_after_s * 1_000,
        "rectified_high": limits.rectified_after_s * 1_000,
        "underspeed": limits.slow_after_s * 1_000,
        "telemetry_lost": limits.telemetry_lost_after_s * 1_000 - SILENT_AFTER_MS,
    }.get(name)
    return told if on_ms is None else replace(told, on_ms=max(0, round(on_ms)))


def judge(live: Live, seen: Seen, limits: Limits, raised_at: dict[str, float | None]) -> dict[str, Judgement]:
    """Judge every condition that a live message can speak of.

    Args:
        live: The message.
        seen: What the wheel does, from the same message.
        limits: The plant's limits.
        raised_at: Per condition that stands, the limit that was passed when it was raised.

    Returns:
        The judgements, those first that explain others.
    """
    return {
        "overcharge": _overcharge(live, limits, raised_at.get("overcharge")),
        "rectified_high": _rectified_high(live, limits),
        "pickup_silent": _pickup_silent(live, seen, limits),
        "stall": _stall(seen, limits),
        "underspeed": _underspeed(seen, limits),
        "ran_down": _ran_down(seen, limits),
    }


def telemetry(*, offline: bool, silent_ms: int, heard_ms: int | None, limits: Limits) -> Judgement:
    """Judge whether a node is lost: its last will said so, or it has been silent for some seconds."""
    lost = offline or silent_ms >= SILENT_AFTER_MS
    return Judgement(
        Verdict.BEYOND if lost else Verdict.WITHIN,
        silent_ms / 1_000,
        limits.telemetry_lost_after_s,
        f"Limit {limits.reason('telemetry_lost_after_s')}.",
        heard_ms,
    )


def _above(value: float | None, limit: float, back: float, reason: str) -> Judgement:
    """Judge a value that must not reach `limit`, and is normal again only below `back`."""
    if value is None:
        verdict = Verdict.UNSEEN
    elif value >= limit:
        verdict = Verdict.BEYOND
    else:
        verdict = Verdict.WITHIN if value < back else Verdict.BETWEEN
    return Judgement(verdict, value, limit, reason)


def _overcharge(live: Live, limits: Limits, raised_at: float | None) -> Judgement:
    battery_degc = live.values.get("battery_degc")
    limit = limits.overcharge_v(battery_degc)
    # A thermometer that fails widens the limit; that must not end an alarm which the narrower one raised.
    narrow = limit if raised_at is None else min(limit, raised_at)
    back = narrow - _DEADBAND_V_PER_12_V * limits.overcharge_at_25_v / 15.0
    told = "unknown temperature" if battery_degc is None else f"{battery_degc:.1f} °C"
    reason = f"Limit {limit:.2f} V at {told}: {limits.reason('overcharge_v')}."
    return _above(live.values.get("battery_v"), limit, back, reason)


def _rectified_high(live: Live, limits: Limits) -> Judgement:
    limit = limits.rectified_warning_v
    reason = f"Limit {limits.reason('rectified_warning_v')}."
    return _above(live.values.get("rectified_v"), limit, limit * (1 - _RECTIFIED_DEADBAND), reason)


def _pickup_silent(live: Live, seen: Seen, limits: Limits) -> Judgement:
    if seen.motion in (Motion.UNKNOWN, Motion.PARKED):
        verdict = Verdict.UNSEEN
    elif seen.motion is Motion.SILENT_PICKUP:
        verdict = Verdict.BEYOND
    else:
        # Standing without current is no proof that the pickup is well: only edges are.
        verdict = Verdict.WITHIN if seen.motion is Motion.TURNING else Verdict.BETWEEN
    reason = f"Current counts as flowing above {limits.reason('charging_a')}."
    return Judgement(verdict, live.values.get("charge_a"), limits.charging_a, reason, seen.edge_at_ms)


def _stall(seen: Seen, limits: Limits) -> Judgement:
    if seen.motion in (Motion.UNKNOWN, Motion.PARKED):
        verdict = Verdict.UNSEEN
    elif seen.motion in (Motion.STOPPED_SUDDENLY, Motion.ROCKING):
        verdict = Verdict.BEYOND
    else:
        verdict = Verdict.WITHIN if seen.steady else Verdict.BETWEEN
    reason = (
        f"It ran at {limits.cutout_rpm:.1f} rpm (cut-out) or faster and within one turn stood; waited: "
        f"{limits.reason('stop_grace_s')} at most."
    )
    return Judgement(verdict, 0.0, limits.cutout_rpm, reason, seen.edge_at_ms)


def _underspeed(seen: Seen, limits: Limits) -> Judgement:
    rpm = seen.rpm
    verdict = _while_turning(seen, limits)
    if seen.motion is Motion.TURNING and rpm is not None and rpm < limits.slow_rpm:
        verdict = Verdict.BEYOND
    return Judgement(verdict, rpm, limits.slow_rpm, f"Limit {limits.reason('slow_rpm')}.")


def _ran_down(seen: Seen, limits: Limits) -> Judgement:
    verdict = _while_turning(seen, limits)
    if seen.motion is Motion.RAN_DOWN:
        verdict = Verdict.BEYOND
    reason = (
        f"It ran below {limits.cutout_rpm:.1f} rpm (cut-out) for more than a turn before it stood, so it did not "
        "stop suddenly."
    )
    return Judgement(verdict, 0.0, limits.cutout_rpm, reason, seen.edge_at_ms)


def _while_turning(seen: Seen, limits: Limits) -> Verdict:
    """Return WITHIN at or above cut-in speed, BETWEEN where it is slower or its turning is not certain."""
    if seen.motion in (Motion.UNKNOWN, Motion.PARKED, Motion.SILENT_PICKUP):
        return Verdict.UNSEEN
    well_rpm = max(limits.cutin_rpm, limits.slow_rpm * _SLOW_DEADBAND)
    well = seen.motion is Motion.TURNING and seen.rpm is not None and seen.rpm >= well_rpm
    return Verdict.WITHIN if well else Verdict.BETWEEN
