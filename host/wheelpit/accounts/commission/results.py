"""What bench tests give: results with their uncertainty, warnings, and values for plant.toml."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wheelpit.accounts.commission.rating import Rating
    from wheelpit.accounts.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One thing that a test gave.

    Attributes:
        key: its name, the same from year to year.
        what: in words.
        figure: the value with its uncertainty.
        unit: its unit; empty for a ratio.
        step: the step that gave it.

    """

    key: str
    what: str
    figure: Figure
    unit: str
    step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A value for plant.toml: table, for a sensor its channel, key, value, and why."""

    table: str
    key: str
    value: float | bool
    why: str
    channel: str | None = None


@dataclass(slots=True)
class Outcome:
    """Everything that the tests gave.

    Attributes:
        results: in the order of the steps.
        warnings: what is wrong or not to be believed, and what to look at.
        warned: the step to which each of the warnings belongs.
        entries: what may be written into plant.toml.
        rating: the level sensor's own table, if it was gauged.

    """

    results: list[Result] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    warned: list[str] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    rating: Rating | None = None

    def add(self, step: str, key: str, what: str, figure: Figure, unit: str = "") -> Figure:
        """Take a result and return its figure."""
        self.results.append(Result(key=key, what=what, figure=figure, unit=unit, step=step))
        return figure

    def warnings_of(self, step: str) -> list[str]:
        """Return the warnings that belong to a step."""
        return [words for name, words in zip(self.warned, self.warnings, strict=True) if name == step]

    def get(self, key: str) -> Figure | None:
        """Return a result by its key."""
        return next((one.figure for one in self.results if one.key == key), None)


def outcome_json(found: Outcome) -> dict[str, Any]:
    """Return an outcome for other programs."""
    return {
        "results": [
            {
                "key": one.key,
                "what": one.what,
                "value": one.figure.value,
                "u": one.figure.u,
                "low": one.figure.low,
                "high": one.figure.high,
                "origin": one.figure.origin,
                "note": one.figure.note,
                "unit": one.unit,
                "step": one.step,
            }
            for one in found.results
        ],
        "warnings": found.warnings,
        "entries": [
            {"table": one.table, "channel": one.channel, "key": one.key, "value": one.value, "why": one.why}
            for one in found.entries
        ],
        "rating": None
        if found.rating is None
        else {
            "a": found.rating.a,
            "zero_m": found.rating.zero_m,
            "b": found.rating.b,
            "scatter": found.rating.scatter,
        },
    }
