"""The living part of the first page as HTML: sentence, cautions, open alarms, drawing. Pure; everything escaped."""

from __future__ import annotations

from datetime import UTC, datetime
from html import escape
from typing import TYPE_CHECKING, Final, NamedTuple
from zoneinfo import ZoneInfo

import elevation
import words
from layout import NARROW, WIDE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from moment import Moment
    from wheelpit.plant import Plant
    from wheelpit.store.alarms import AlarmRow


class Advice(NamedTuple):
    """A sentence that says what to do, and the command that does it, if one does."""

    told: str
    command: str = ""


# The part of the drawing that a condition speaks of. A condition that is not here is told in words only.
_PART_OF: Final = {
    "overcharge": "bank",
    "rectified_high": "bridge",
    "stall": "wheel",
    "ran_down": "wheel",
    "underspeed": "wheel",
    "pickup_silent": "wheel",
    "telemetry_lost": "node",
    "battery_hot": "bank",
    "cold_charging": "bank",
    "deep_discharge": "bank",
    "sense_lost": "bank",
    "battery_freezing": "bank",
    "overcharge_warning": "bank",
    "battery_warm": "bank",
    "belt_lost": "belt",
    "not_charging": "bridge",
    "sensor_fault": "node",
    "dump_idle": "dump",
    "dump_on": "dump",
    "back_feed": "charge",
    "hunting": "bridge",
    "telemetry_urgent": "node",
    "guard_blind": "node",
}


def live_block(
    plant: Plant, moment: Moment, alarms: Sequence[AlarmRow], now_ms: int, advice: Sequence[Advice] = ()
) -> str:
    """Return the whole living part of the page.

    Args:
        plant: What is built.
        moment: What is known of it now.
        alarms: The alarms that stand, the worst first.
        now_ms: The host's time, Unix ms.
        advice: What to do when the values are old or missing.
    """
    marks = marks_of(alarms)
    lines = [f'<p class="headline">{escape(words.headline(plant, moment))}</p>']
    lines += [_small(line) for line in words.silences(moment)]
    lines += [_small(told, command) for told, command in advice]
    lines += [f'<p class="caution"><b>Caution.</b> {escape(line)}</p>' for line in words.cautions(moment)]
    lines.append(alarm_list(alarms, plant.site.time_zone, now_ms))
    lines += [
        f'<div class="{name}">{elevation.draw(plant, moment, layout, marks)}</div>'
        for name, layout in (("wide", WIDE), ("narrow", NARROW))
    ]
    notes = [_sketch(moment), *words.failures(moment), *words.missing(plant, moment)]
    lines += [_small(line) for line in notes]
    return "".join(lines)


def _small(line: str, command: str = "") -> str:
    return f'<p class="small">{escape(line)}{f" <code>{escape(command)}</code>" if command else ""}</p>'


def _sketch(moment: Moment) -> str:
    """Say what of the drawing is measured and what only drawn."""
    turns = moment.turning_rpm > 0
    wheel = (
        "The wheel turns at its measured speed; the water in it is a sketch."
        if turns
        else ("Whether water runs and what the buckets hold is not measured.")
    )
    level = (
        ""
        if "stage_m" in moment.readings
        else " A level sensor above a weir (stage_m) would say how much flows."
    )
    return wheel + level


def marks_of(alarms: Sequence[AlarmRow]) -> dict[str, str]:
    """Return the words to put at each part of the drawing that an alarm speaks of; the worst alarm speaks."""
    marks: dict[str, str] = {}
    for alarm in alarms:
        part = _PART_OF.get(alarm.condition)
        if part is not None:
            marks.setdefault(part, f"{alarm.priority} alarm")
    return marks


def alarm_list(alarms: Sequence[AlarmRow], time_zone: str, now_ms: int) -> str:
    """Return the open alarms: priority as a word, what, since when, the first words of the remedy."""
    if not alarms:
        return '<p class="small">No open alarms.</p>'
    items = "".join(
        f'<li><span class="priority">{escape(alarm.priority)}</span> <b>{escape(alarm.title)}</b>, since '
        f"{clock(alarm.onset_ms, time_zone, now_ms)} ({words.span(alarm.lasted_ms(now_ms) / 1000)})"
        f"{', acknowledged' if alarm.acknowledged_ms is not None else ''}. {escape(first_words(alarm.remedy))}</li>"
        for alarm in alarms
    )
    return f'<ul class="alarms" aria-label="Open alarms">{items}</ul>'


def first_words(remedy: str) -> str:
    """Return the first two sentences of a remedy: the first keeps a person whole, the second says why or what."""
    sentences = remedy.split(". ")
    return remedy if len(sentences) <= 2 else f"{'. '.join(sentences[:2])}."  # noqa: PLR2004 - two sentences


def clock(at_ms: int, time_zone: str, now_ms: int) -> str:
    """Write a time as the site's clocks show it, with the date where it is another day."""
    zone = ZoneInfo(time_zone)
    at, now = (datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone) for ms in (at_ms, now_ms))
    return f"{at:%H:%M}" if at.date() == now.date() else f"{at.day} {at:%B %Y, %H:%M}"
