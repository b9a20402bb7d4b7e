"""The living part of the first page as HTML: sentence, cautions, open alarms, drawing. Pure; everything escaped."""

from __future__ import annotations

from datetime import UTC, datetime
from html import escape
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import elevation
import words
from layout import NARROW, WIDE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from moment import Moment
    from wheelpit.plant import Plant
    from wheelpit.store.alarms import AlarmRow

# The part of the drawing that a condition speaks of. A condition that is not here is told in words only.
_PART_OF: Final = {
    "overcharge": "bank",
    "rectified_high": "bridge",
    "stall": "wheel",
    "ran_down": "wheel",
    "underspeed": "wheel",
    "pickup_silent": "wheel",
    "telemetry_lost": "node",
}
_SKETCH: Final = (
    "The wheel turns at its measured speed. The water is a sketch: how much flows is not measured (stage_m, a "
    "level sensor above a weir, would say it)."
)
_SKETCH_WITH_STAGE: Final = "The wheel turns at its measured speed. The water in the buckets is a sketch."


def live_block(
    plant: Plant, moment: Moment, alarms: Sequence[AlarmRow], now_ms: int, advice: Sequence[str] = ()
) -> str:
    """Return the whole living part of the page.

    Args:
        plant: What is built.
        moment: What is known of it now.
        alarms: The alarms that stand, the worst first.
        now_ms: The host's time, Unix ms.
        advice: What to do when the values are old or missing, one sentence each.
    """
    marks = marks_of(alarms)
    lines = [f'<p class="headline">{escape(words.headline(plant, moment))}</p>']
    lines += [f'<p class="small">{escape(line)}</p>' for line in (*words.silences(moment), *advice)]
    lines += [f'<p class="caution"><b>Caution.</b> {escape(line)}</p>' for line in words.cautions(moment)]
    lines.append(alarm_list(alarms, plant.site.time_zone, now_ms))
    lines += [
        f'<div class="{name}">{elevation.draw(plant, moment, layout, marks)}</div>'
        for name, layout in (("wide", WIDE), ("narrow", NARROW))
    ]
    notes = [_SKETCH_WITH_STAGE if "stage_m" in moment.readings else _SKETCH, *words.missing(plant, moment)]
    lines += [f'<p class="small">{escape(line)}</p>' for line in notes]
    return "".join(lines)


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
