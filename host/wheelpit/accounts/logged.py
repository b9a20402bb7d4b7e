"""What the logbook says that a season must know: changes, standing on purpose, rakings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from wheelpit.accounts.baselines import Restart
from wheelpit.store.logbook import FILE, KINDS, RAKED, RESTARTING, STANDING, Logbook

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Logged:
    """What was written down of a site, all times in Unix ms.

    Attributes:
        restarts: changes that begin baselines anew.
        stood: stretches `(from, to)` in which the plant stood on purpose; one that lasts ends now.
        raked_ms: when rack, launder or weir were cleared.

    """

    restarts: tuple[Restart, ...]
    stood: tuple[tuple[int, int], ...]
    raked_ms: tuple[int, ...]


def logged(folder: Path, site: str, now_ms: int) -> Logged:
    """Return what the logbook in a state folder says of a site; nothing where there is none."""
    entries = Logbook(folder / FILE).entries(site, 0, now_ms)
    return Logged(
        restarts=tuple(
            Restart(at_ms=entry.from_ms, what=KINDS[entry.kind])
            for entry in entries
            if entry.kind in RESTARTING
        ),
        stood=tuple(
            (entry.from_ms, now_ms if entry.to_ms is None else entry.to_ms)
            for entry in entries
            if entry.kind in STANDING
        ),
        raked_ms=tuple(entry.from_ms for entry in entries if entry.kind == RAKED),
    )
