"""Silence: when a node is lost, and when somebody should go and look because of how it was last heard.

Silence alone is told once, and can wait: the node keeps its records. It becomes urgent where it was last heard with
something wrong, near a limit, or with so much water on the wheel that a lost load would destroy what is before the
converter: nobody would hear of that now.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wheelpit.watch.bank import rest_v
from wheelpit.watch.judgement import Judgement
from wheelpit.watch.machine import Verdict
from wheelpit.watch.motion import Motion
from wheelpit.watch.words import CONDITIONS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from wheelpit.contract.messages import Live
    from wheelpit.plant.description import Plant
    from wheelpit.plant.limits import Limits
    from wheelpit.watch.motion import Seen

# A node that said nothing for so long counts as silent; then the delay begins.
SILENT_AFTER_MS: Final = 10_000
_CALM: Final = "calm"
_FAST: Final = "fast"
_EMPTY: Final = "empty"
_NEARLY_EMPTY_V: Final = 0.2  # above deep discharge, of a bank of 12 V
# Conditions whose deadband lies close below a limit, so that a value inside it is near that limit; the worst first.
_NEAR: Final[dict[str, str]] = {
    "rectified_high": "the voltage before the converter was near its warning or above",
    "overcharge": "the battery's voltage was near the limit of overcharge or above",
    "battery_hot": "the battery was nearly hot",
    "cold_charging": "the lithium battery was nearly too cold to be charged, or was",
    "overcharge_warning": "the battery's voltage was near the limit of slow overcharge or above",
    "battery_warm": "the battery was nearly warm",
    "battery_freezing": "the battery was near freezing",
}
_NEAR_VERDICTS: Final = (Verdict.BEYOND, Verdict.BETWEEN)


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


def urgent(lost: Judgement, last_state: str | None, standing: Iterable[str], limits: Limits) -> Judgement:
    """Judge whether the silence of a node is urgent.

    Args:
        lost: What `telemetry` says of it.
        last_state: How it was last heard: what `state_of` said; None where that is not known.
        standing: The names of the conditions that are alarms of that node, as when it was last heard.
        limits: The plant's limits.
    """
    wrong = [
        CONDITIONS[name].title
        for name in standing
        if CONDITIONS[name].priority in ("critical", "high") and name != "telemetry_urgent"
    ]
    reason = f"Limit {limits.reason('telemetry_urgent_after_s')}."
    if lost.verdict is not Verdict.BEYOND:
        verdict = Verdict.WITHIN
    elif wrong:
        verdict = Verdict.BEYOND
        reason = f"When it was last heard this stood: {'; '.join(wrong)}. {reason}"
    elif last_state is None:
        verdict = Verdict.UNSEEN
    else:
        verdict = Verdict.WITHIN if last_state == _CALM else Verdict.BEYOND
        reason = f"When it was last heard, {_words(last_state, limits)}. {reason}"
    return Judgement(verdict, lost.value, limits.telemetry_urgent_after_s, reason, lost.onset_ms)


def state_of(live: Live, seen: Seen, judged: Mapping[str, Judgement], plant: Plant, limits: Limits) -> str:
    """Return in a word how a node was heard: `calm`, `fast`, `empty`, or the condition that is near.

    It is kept in the ledger, so that a silence is urgent also after a restart.
    """
    for name in _NEAR:
        if judged[name].verdict in _NEAR_VERDICTS:
            return name
    fast_rpm = limits.urgent_rpm
    turning_rpm = seen.rpm if seen.motion is Motion.TURNING else None
    if turning_rpm is not None and fast_rpm is not None and turning_rpm >= fast_rpm:
        return _FAST
    volts = rest_v(live, plant, limits)
    margin_v = _NEARLY_EMPTY_V * plant.battery.nominal_v / 12.0
    if volts is not None and volts < limits.deep_discharge_v + margin_v:
        return _EMPTY
    return _CALM


def _words(last_state: str, limits: Limits) -> str:
    if last_state == _FAST:
        return f"the wheel turned faster than {limits.reason('urgent_rpm')}"
    if last_state == _EMPTY:
        return "the battery was nearly empty"
    return _NEAR.get(last_state, "something was near a limit")
