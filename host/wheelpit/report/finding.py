"""One thing that `wheelpit doctor` looked at, and how it speaks of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Level = Literal["good", "note", "wrong"]

RECENT_MS: Final = 7 * 86_400_000  # what befell longer ago is worth a note at most


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: `wrong` needs doing, a `note` only knowing."""

    subject: str
    level: Level
    says: str
    remedy: str = ""


def age(ms: int) -> str:
    """Return a length of time in words for people, in the largest unit of which there are two."""
    seconds = ms / 1000
    for size, name in ((86_400, "days"), (3_600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {name}"
    return f"{seconds:.0f} seconds"
