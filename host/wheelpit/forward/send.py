"""Sends points in one synchronous request and says in which way it was refused; finds the bad line by halving."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, Protocol, cast

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.store.database import Database

Refusal = Literal["unreachable", "busy", "login", "place", "size", "lines", "old"]

# The library names the precisions by plain texts and asks for another type.
_PRECISION: Final = cast("WritePrecision", WritePrecision.MS)
_TIMEOUT_MS: Final = 30_000
_MOST_TEXT: Final = 400
_OF_STATUS: Final[dict[int, Refusal]] = {
    400: "lines", 401: "login", 403: "login", 404: "place", 413: "size", 422: "lines",
}  # fmt: skip
# So many refused lines in one batch are no bad lines but a database that does not fit.
MOST_BAD: Final = 16
_DROPPED: Final = re.compile(r"dropped=(\d+)")


class RefusedError(Exception):
    """The database did not take the points, or not all of them.

    Attributes:
        kind: `unreachable` and `busy` pass by themselves; `login`, `place` and `size` wait for a person; `lines`
            says that at least one of them is bad, `old` that some are older than the bucket keeps (the others it took).
        after_s: how long the database asks to be left alone [s]; 0 if it does not say.

    """

    def __init__(self, kind: Refusal, text: str, after_s: float = 0.0) -> None:
        super().__init__(text)
        self.kind: Final = kind
        self.after_s: Final = after_s


class Sending(Protocol):
    """Who takes points: a database, or a test."""

    def send(self, lines: Sequence[str]) -> None:
        """Hand over points; they are stored when it returns. Raise `RefusedError` if not."""


class Sender:
    """Writes to a database over its v2 write endpoint, one request for one call, without a queue of its own."""

    def __init__(self, where: Database) -> None:
        self._where = where
        self._client = InfluxDBClient(
            url=where.url,
            token=where.token or "none",
            org=where.org or "-",
            timeout=_TIMEOUT_MS,
            enable_gzip=True,
            retries=urllib3.Retry(0, respect_retry_after_header=False),
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def send(self, lines: Sequence[str]) -> None:
        """Hand over points; they are stored when it returns. Raise `RefusedError` if not."""
        try:
            body = "\n".join(lines).encode()
            self._api.write(self._where.bucket, record=body, write_precision=_PRECISION)
        except ApiException as error:
            raise _refusal(error) from error
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise RefusedError("unreachable", str(error)[:_MOST_TEXT]) from error

    def close(self) -> None:
        """Close the connection."""
        self._api.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]


def _refusal(error: ApiException) -> RefusedError:
    status = int(error.status or 0)
    body = error.body.decode("utf-8", "replace") if isinstance(error.body, bytes) else str(error.body or "")
    text = f"status {status}: {body.strip()[:_MOST_TEXT] or error.reason}"
    kind = _OF_STATUS.get(status, "busy")
    if kind == "lines" and "retention policy" in body:
        kind = "old"
    after = str(dict(error.headers or {}).get("Retry-After", ""))
    return RefusedError(kind, text, float(after) if after.isdigit() else 0.0)


@dataclass(slots=True)
class Outcome:
    """What became of a batch: the points refused one by one, with reasons, and how many the bucket no longer keeps."""

    refused: list[tuple[str, str]] = field(default_factory=list)
    too_old: int = 0


def deliver(sending: Sending, lines: Sequence[str], most_bad: int = MOST_BAD) -> Outcome:
    """Hand over points and return which were refused for what they are.

    A batch that is refused is halved until the bad line stands alone; sending a good one again changes nothing.

    Raises:
        RefusedError: the database did not take points for a reason of its own, or it refuses so many that the lines
            cannot be at fault. Nothing may be taken for sent then.

    """
    outcome = Outcome()
    waiting: list[Sequence[str]] = [lines] if lines else []
    while waiting:
        part = waiting.pop()
        try:
            sending.send(part)
        except RefusedError as error:
            if error.kind == "old":
                dropped = _DROPPED.search(str(error))
                outcome.too_old += int(dropped[1]) if dropped else len(part)
            elif error.kind not in {"lines", "size"} or (error.kind == "size" and len(part) == 1):
                raise
            elif len(part) == 1:
                outcome.refused.append((part[0], str(error)))
                if len(outcome.refused) > most_bad:
                    msg = f"it refuses more than {most_bad} points of one batch, the last one with {error}"
                    raise RefusedError("place", msg) from error
            else:
                middle = len(part) // 2
                waiting += [part[middle:], part[:middle]]
    return outcome
