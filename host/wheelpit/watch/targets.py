"""The file that says who is told: one Apprise address per line, `#` begins a comment.

Addresses hold passwords. They are never logged nor stored, nor is any part of them but the scheme: Apprise's
masked form still shows headers and form fields.
"""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from wheelpit.store.alarms import Priority, Step

_SHOWN: Final[Mapping[Priority, str]] = {
    "critical": "failure",
    "high": "warning",
    "medium": "warning",
    "low": "info",
}


class TargetsError(WheelpitError):
    """The targets file cannot be used; the text names the line, never the address."""


@dataclass(frozen=True, slots=True)
class Target:
    """One address: `name` keeps its account over restarts, `label` is what may be shown of it."""

    name: str
    label: str
    service: Any

    def send(self, title: str, body: str, step: Step, priority: Priority) -> bool:
        """Hand a message over; return whether the service at the other end took it."""
        from apprise import AppriseResultStatus, NotifyType  # noqa: PLC0415 - 30 MB only the messenger pays

        kind = NotifyType("success" if step == "cleared" else _SHOWN[priority])
        # The result is no bool: `is True` is False even for a success.
        result = self.service.notify(title=title, body=body, notify_type=kind)
        return bool(result.status == AppriseResultStatus.SUCCESS)


def _nothing(_: logging.LogRecord) -> bool:
    return False


def _silence() -> None:
    """Keep out of every log what the libraries would say of hosts, paths, headers and payloads."""
    for name in ("apprise", "urllib3.connectionpool"):
        # A filter on the logger: handlers and levels are set by whoever runs us.
        logging.getLogger(name).addFilter(_nothing)


def read_targets(path: Path) -> list[Target]:
    """Read the targets file.

    Args:
        path: The file.

    Returns:
        The targets in the order of their lines, one Apprise object each: what one refuses is tried again with
        that one alone.

    Raises:
        TargetsError: The file cannot be read, names nobody, or a line is not an address Apprise knows.
    """
    import apprise  # noqa: PLC0415 - 30 MB only the messenger pays

    _silence()
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        msg = f"the targets file {path} cannot be read: {reason}"
        raise TargetsError(msg) from error
    targets: list[Target] = []
    problems: list[str] = []
    seen: dict[str, int] = {}
    for number, line in enumerate(lines, start=1):
        address = line.strip()
        if not address or address.startswith("#"):
            continue
        service = apprise.Apprise()
        if not service.add(address) or len(service) != 1:
            scheme = address.split("://", 1)[0] if "://" in address else ""
            told = f"{scheme!r}" if scheme.isalnum() else "it has no scheme before ://"
            problems.append(
                f"{path}, line {number}: not one address that Apprise knows ({told}); the form of each service "
                "is in Apprise's documentation"
            )
            continue
        plugin: Any = service[0]
        bare = str(plugin.url(privacy=True)).split("?", 1)[0]
        seen[bare] = seen.get(bare, 0) + 1
        digest = hashlib.sha256(f"{bare} {seen[bare]}".encode()).hexdigest()[:32]
        scheme = bare.split("://", 1)[0]
        targets.append(Target(digest, f"line {number} ({scheme})", service))
    if not targets and not problems:
        problems.append(f"{path} names nobody to tell: write one Apprise address per line, or leave it out")
    if problems:
        raise TargetsError("\n".join(problems))
    return targets
