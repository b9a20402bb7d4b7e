"""What one observation says of one condition, and the two ways in which a value is laid beside its limit."""

from __future__ import annotations

from dataclasses import dataclass

from wheelpit.watch.machine import Verdict


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


def above(value: float | None, limit: float, back: float, reason: str) -> Judgement:
    """Judge a value that must not reach `limit`, and is normal again only below `back`."""
    if value is None:
        verdict = Verdict.UNSEEN
    elif value >= limit:
        verdict = Verdict.BEYOND
    else:
        verdict = Verdict.WITHIN if value < back else Verdict.BETWEEN
    return Judgement(verdict, value, limit, reason)


def below(value: float | None, limit: float, back: float, reason: str) -> Judgement:
    """Judge a value that must not fall below `limit`, and is normal again only from `back` up."""
    if value is None:
        verdict = Verdict.UNSEEN
    elif value < limit:
        verdict = Verdict.BEYOND
    else:
        verdict = Verdict.WITHIN if value >= back else Verdict.BETWEEN
    return Judgement(verdict, value, limit, reason)
