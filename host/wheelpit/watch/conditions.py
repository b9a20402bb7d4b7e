"""What one observation says of each condition: pure judgements, without delays and without memory.

How the trouble at wheel and bridge is told apart (the capacitor keeps the voltage for minutes):

=====================  ==============  ==========================  =======================
what happened          wheel's edges   voltage before converter    charging current
=====================  ==============  ==========================  =======================
load lost              faster          **up**                      none
belt or plug lost      faster          holds, falls slowly         none
sudden stop            none            holds, falls slowly         none
water gone             ever slower     down                        down, then none
pickup dead            none            steady                      **flows**
rocking at the pickup  irregular       holds, falls slowly         none
battery full, tapered  same or faster  up                          falls smoothly
=====================  ==============  ==========================  =======================
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from wheelpit.watch.bank import judge_bank
from wheelpit.watch.judgement import Judgement, above
from wheelpit.watch.machine import Delays, Verdict
from wheelpit.watch.motion import Motion
from wheelpit.watch.silence import SILENT_AFTER_MS
from wheelpit.watch.words import CONDITIONS

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live
    from wheelpit.plant.description import Plant
    from wheelpit.plant.limits import Limits
    from wheelpit.watch.motion import Seen

_RECTIFIED_DEADBAND: Final = 0.05  # share of the limit
_WELL_ABOVE_CUTIN: Final = 1.1  # times cut-in: there the capacitor is charged, and current must flow
_NEAR_FLOAT: Final = 0.98  # of the float voltage: a battery so full may take nothing
_SLOW_DEADBAND: Final = 1.03  # times slow speed, where cut-in is not above that


def delays_of(name: str, limits: Limits) -> Delays:
    """Return the delays of a condition at this plant."""
    told = CONDITIONS[name].delays
    on_ms = {
        "overcharge": limits.overcharge_after_s * 1_000,
        "overcharge_warning": limits.overcharge_warning_after_s * 1_000,
        "deep_discharge": limits.deep_discharge_after_s * 1_000,
        "not_charging": limits.not_charging_after_s * 1_000,
        "hunting": limits.hunting_after_s * 1_000,
        "sensor_fault": limits.sensor_fault_after_s * 1_000,
        "guard_blind": limits.guard_blind_after_s * 1_000,
        "rectified_high": limits.rectified_after_s * 1_000,
        "underspeed": limits.slow_after_s * 1_000,
        "telemetry_lost": limits.telemetry_lost_after_s * 1_000 - SILENT_AFTER_MS,
        "telemetry_urgent": limits.telemetry_urgent_after_s * 1_000 - SILENT_AFTER_MS,
    }.get(name)
    return told if on_ms is None else replace(told, on_ms=max(0, round(on_ms)))


def judge(
    live: Live, seen: Seen, plant: Plant, limits: Limits, raised_at: dict[str, float | None]
) -> dict[str, Judgement]:
    """Judge every condition that a live message can speak of by itself; see `hunting` for the one that takes more.

    Args:
        live: The message.
        seen: What the wheel does, from the same message.
        plant: The plant.
        limits: Its limits.
        raised_at: Per condition that stands, the limit that was passed when it was raised.

    Returns:
        The judgements, those first that explain others.
    """
    return {
        **judge_bank(live, plant, limits, raised_at),
        "rectified_high": _rectified_high(live, limits),
        "belt_lost": _belt_lost(live, seen, limits),
        "not_charging": _not_charging(live, seen, plant, limits),
        "back_feed": _back_feed(live, seen, limits),
        "pickup_silent": _pickup_silent(live, seen, limits),
        "stall": _stall(seen, limits),
        "underspeed": _underspeed(seen, limits),
        "ran_down": _ran_down(seen, limits),
        "guard_blind": _guard_blind(live),
        "sensor_fault": _sensor_fault(live),
    }


def _rectified_high(live: Live, limits: Limits) -> Judgement:
    limit = limits.rectified_warning_v
    reason = f"Limit {limits.reason('rectified_warning_v')}."
    return above(live.values.get("rectified_v"), limit, limit * (1 - _RECTIFIED_DEADBAND), reason)


def _belt_lost(live: Live, seen: Seen, limits: Limits) -> Judgement:
    """Judge a wheel that races without current, and whose speed lifts no voltage."""
    reason = (
        f"It turns at {limits.racing_rpm:.1f} rpm or faster, no current flows, and the voltage before the converter is "
        f"not above {limits.rectified_normal_v:.0f} V: {limits.reason('racing_rpm')}."
    )
    rectified_v = live.values.get("rectified_v")
    if rectified_v is None or seen.charge_a is None:
        verdict = Verdict.UNSEEN
    else:
        verdict = _idle_turning(seen, limits)
        racing = seen.rpm is not None and seen.rpm >= limits.racing_rpm
        if verdict is Verdict.BEYOND and not (racing and rectified_v <= limits.rectified_normal_v):
            verdict = Verdict.BETWEEN
    return Judgement(verdict, seen.rpm, limits.racing_rpm, reason)


def _not_charging(live: Live, seen: Seen, plant: Plant, limits: Limits) -> Judgement:
    """Judge a wheel that turns as it only does without its load, and charges nothing.

    A wheel that stands and rocks evenly at its pickup may look as if it turned, but neither races nor lifts the
    voltage. A series controller takes less from a full battery, and in the end nothing.
    """
    reason = (
        f"It turns above cut-in, {limits.cutin_rpm:.1f} rpm, and less than {limits.charging_a:g} A flows: "
        f"{limits.reason('not_charging_after_s')}."
    )
    rectified_v = live.values.get("rectified_v")
    verdict = _idle_turning(seen, limits)
    if verdict is Verdict.BEYOND:
        lifted = rectified_v is not None and rectified_v > limits.rectified_normal_v
        racing = seen.rpm is not None and seen.rpm >= limits.racing_rpm
        if not (lifted or racing) or _may_taper(live, plant, limits):
            verdict = Verdict.BETWEEN
    return Judgement(verdict, seen.charge_a, limits.charging_a, reason)


def _may_taper(live: Live, plant: Plant, limits: Limits) -> bool:
    """Say whether a series controller may rightly take nothing: the battery is near its float voltage or above."""
    return plant.controller.topology == "series" and nearly_full(live, plant, limits)


def nearly_full(live: Live, plant: Plant, limits: Limits) -> bool:
    """Say whether the battery is near its float voltage or above, or may be, where its voltage is not known."""
    battery_v = live.values.get("battery_v")
    absorption_v = limits.absorption_v(live.values.get("battery_degc"))
    full_v = absorption_v - (plant.controller.absorption_v - plant.controller.float_v)
    return battery_v is None or battery_v >= full_v * _NEAR_FLOAT


def _idle_turning(seen: Seen, limits: Limits) -> Verdict:
    """Return BEYOND for a wheel that turns well and charges nothing, WITHIN for one that charges or stands."""
    if seen.charge_a is None or seen.motion is Motion.UNKNOWN:
        return Verdict.UNSEEN
    if abs(seen.charge_a) >= limits.charging_a:
        return Verdict.WITHIN
    if seen.motion is Motion.TURNING:
        fast = seen.rpm is not None and seen.rpm >= limits.cutin_rpm * _WELL_ABOVE_CUTIN
        return Verdict.BEYOND if fast else Verdict.BETWEEN
    return Verdict.BETWEEN if seen.motion in (Motion.UNCERTAIN, Motion.ROCKING) else Verdict.WITHIN


def _back_feed(live: Live, seen: Seen, limits: Limits) -> Judgement:
    """Judge current that flows back out of the battery; of a turning wheel it may be a shunt the wrong way round."""
    charge_a = live.values.get("charge_a")
    if charge_a is None or (charge_a < 0 and seen.motion is Motion.TURNING):
        verdict = Verdict.UNSEEN
    elif charge_a <= -limits.charging_a:
        verdict = Verdict.BEYOND
    else:
        verdict = Verdict.WITHIN if charge_a > -limits.charging_a / 2 else Verdict.BETWEEN
    reason = f"Current counts as flowing above {limits.reason('charging_a')}."
    return Judgement(verdict, charge_a, -limits.charging_a, reason)


def _guard_blind(live: Live) -> Judgement:
    """Judge whether the node's own guard says that it cannot read what it needs; while parked, as for a sensor."""
    blind = live.guard.blind if live.guard is not None else []
    verdict = Verdict.BEYOND if blind else Verdict.WITHIN
    if live.state == "parked":
        verdict = Verdict.UNSEEN
    named = ", ".join(f"{name} ({live.faults.get(name, 'nothing comes')})" for name in sorted(blind))
    return Judgement(verdict, float(len(blind)), 0.0, f"It says that it needs and cannot read: {named}.")


def _sensor_fault(live: Live) -> Judgement:
    """Judge whether the node says that a sensor cannot be read; while parked, somebody may be at work on it.

    One that blinds the guard is told as that, and not a second time.
    """
    blind = live.guard.blind if live.guard is not None else []
    faults = {channel: code for channel, code in live.faults.items() if channel not in blind}
    verdict = Verdict.BEYOND if faults else Verdict.WITHIN
    if live.state == "parked":
        verdict = Verdict.UNSEEN
    named = ", ".join(f"{channel} ({code})" for channel, code in sorted(faults.items()))
    return Judgement(verdict, float(len(faults)), 0.0, f"The node says of it: {named}.")


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
