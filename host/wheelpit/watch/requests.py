"""What people say of alarms, on its way to the service: one small file for each word, in a folder beside the ledger.

The ledger has one writer, and it may not even run while somebody reads an alarm. So a command leaves a file; the
service takes it over in the transaction of its next second, and deletes it when that is committed. An alarm is named
by what it is and since when, not by its number: a ledger that was put back gives the same numbers to others.
"""

from __future__ import annotations

import json
import logging
import secrets
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from wheelpit.errors import WheelpitError
from wheelpit.store.newfile import new_file

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.store.alarms import AlarmRow

FOLDER: Final = "acknowledgements"
_END: Final = ".json"
_LOOK_MS: Final = 1_000

_log = logging.getLogger(__name__)


class RequestError(WheelpitError):
    """What a person said could not be written down."""

    exit_code = 74  # EX_IOERR of sysexits.h


@dataclass(frozen=True, slots=True)
class Seen:
    """A person has seen an alarm: that of a condition of a node, which began at `onset_ms`, was seen at `seen_ms`."""

    site: str
    node: str
    condition: str
    onset_ms: int
    seen_ms: int

    @classmethod
    def of(cls, row: AlarmRow, seen_ms: int) -> Seen:
        """Return that the alarm of this episode was seen."""
        return cls(row.site, row.node, row.condition, row.onset_ms, seen_ms)


class Requests:
    """The folder of what was said and is not in the ledger yet; many may leave, one service takes.

    Args:
        state: the state folder.
    """

    def __init__(self, state: Path) -> None:
        self._folder = state / FOLDER
        self._given: list[Path] = []
        self._looked_ms: int | None = None

    def leave(self, seen: Seen) -> None:
        """Leave a word for the service; it is on the disk when this returns. Raises `RequestError`."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            path = self._folder / f"{seen.seen_ms}-{secrets.token_hex(4)}{_END}"
            with new_file(path) as draft:
                draft.write_text(json.dumps(asdict(seen)), encoding="utf-8")
        except OSError as error:
            msg = f"{self._folder} cannot be written: {error}. Look for a read-only, full or failing disk"
            raise RequestError(msg) from error

    def take(self, site: str, now_ms: int) -> list[Seen]:
        """Return what was said of a site's alarms, about once a second; what was given before is deleted first.

        Who takes must do so in one transaction after the other, and call `again` when one was not committed.
        """
        if self._looked_ms is not None and 0 <= now_ms - self._looked_ms < _LOOK_MS:
            return []
        self._looked_ms = now_ms
        try:
            while self._given:
                self._given.pop().unlink(missing_ok=True)
            found = sorted(path for path in self._folder.glob(f"*{_END}") if not path.name.startswith("."))
        except OSError as error:
            _log.warning("%s cannot be looked at: %s", self._folder, error)
            return []
        taken = []
        for path in found:
            seen = _read(path)
            if seen is not None and seen.site == site:
                self._given.append(path)
                taken.append(seen)
        return taken

    def again(self) -> None:
        """Take note that what was given is not in the ledger: it is given once more."""
        self._given.clear()
        self._looked_ms = None


def _read(path: Path) -> Seen | None:
    """Return what a file says; one that says nothing is set aside, so that it is told of once."""
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return Seen(
            str(told["site"]), str(told["node"]), str(told["condition"]), int(told["onset_ms"]), int(told["seen_ms"])
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError) as error:
        _log.warning("%s is no acknowledgement (%r): set aside", path, error)
        try:
            path.rename(path.with_suffix(".unusable"))
        except OSError as refused:
            _log.warning("%s cannot be set aside: %s", path, refused)
        return None
