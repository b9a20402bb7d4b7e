"""Where a time series database is and who may use it: address, bucket, organisation, and a token that no one sees.

The token comes from a file or the environment, never from the command line, where every process of the machine
could read it.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

import urllib3

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

URL: Final = "WHEELPIT_INFLUX_URL"
BUCKET: Final = "WHEELPIT_INFLUX_BUCKET"
ORG: Final = "WHEELPIT_INFLUX_ORG"
TOKEN: Final = "WHEELPIT_INFLUX_TOKEN"  # noqa: S105 - the name of a variable, not a token
TOKEN_FILE: Final = "WHEELPIT_INFLUX_TOKEN_FILE"  # noqa: S105

_TIMEOUT: Final = urllib3.Timeout(connect=10.0, read=120.0)
_CHUNK_ROWS: Final = 10_000
_MOST_TEXT: Final = 500


class DatabaseError(WheelpitError):
    """The database cannot be used: where it is, who may use it, or what it answered."""


@dataclass(frozen=True, slots=True)
class Database:
    """A database. `bucket` is what InfluxQL calls the database; `org` and `token` may be empty."""

    url: str
    bucket: str
    org: str = ""
    token: str = field(default="", repr=False)

    def __str__(self) -> str:
        return f"{self.bucket} at {self.url}"


def database(
    url: str | None = None,
    bucket: str | None = None,
    org: str | None = None,
    token_file: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Database:
    """Return the database that options or else the environment name.

    Raises:
        DatabaseError: one of them is missing or cannot be used.

    """
    told = os.environ if environment is None else environment
    url = url or told.get(URL, "")
    parts = urlsplit(url)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        msg = f"{url!r} is no address of a database: give --url or {URL}, such as http://127.0.0.1:8086"
        raise DatabaseError(msg)
    if parts.username is not None:
        msg = f"the address must not hold a login: put the token into a file, --token-file or {TOKEN_FILE}"
        raise DatabaseError(msg)
    bucket = bucket or told.get(BUCKET, "")
    if not bucket:
        msg = f"which bucket of {url} is meant: give --bucket or {BUCKET}"
        raise DatabaseError(msg)
    token = told.get(TOKEN, "")
    file = str(token_file) if token_file is not None else told.get(TOKEN_FILE)
    if file is not None:
        try:
            with open(file, encoding="utf-8") as text:  # noqa: PTH123 - a name from the environment
                token = text.readline().strip()
        except (OSError, UnicodeDecodeError) as error:
            msg = f"the token file {file} cannot be read: {error}"
            raise DatabaseError(msg) from error
        if not token:
            msg = f"the token file {file} is empty: write the token into its first line"
            raise DatabaseError(msg)
    return Database(url.rstrip("/"), bucket, org or told.get(ORG, ""), token)


class InfluxQL:
    """Asks a database in InfluxQL over `/query`: InfluxDB 1.x, and 2.x where the bucket has a mapping for it."""

    def __init__(self, where: Database) -> None:
        self.where: Final = where
        self._pool = urllib3.PoolManager(timeout=_TIMEOUT, retries=False)
        self._checked = False

    def rows(self, question: str) -> Iterator[tuple[dict[str, str], dict[str, Any]]]:
        """Yield (tags, row) of the answer to a SELECT; times are Unix milliseconds under `time`.

        Raises:
            DatabaseError: the database is not there, refuses, or does not speak InfluxQL.

        """
        for tags, names, rows in self.tables(question):
            for values in rows:
                yield tags, dict(zip(names, values, strict=True))

    def tables(self, question: str) -> Iterator[tuple[dict[str, str], list[str], list[list[Any]]]]:
        """Yield (tags, names of columns, rows) of the answer to a SELECT, some thousand rows at a time; as `rows`."""
        self._check_version()
        for result in self._ask("GET", question):
            for series in result.get("series", ()):
                yield series.get("tags", {}), series["columns"], series["values"]

    def delete(self, measurement: str, tags: Mapping[str, str], from_ms: int | None) -> None:
        """Delete the points of a measurement that bear some tags, those from an instant on or all."""
        told = " AND ".join(f"{name} = {quoted(value)}" for name, value in tags.items())
        since = "" if from_ms is None else f" AND time >= {from_ms}ms"
        question = f'DELETE FROM "{measurement}" WHERE {told}{since}'  # noqa: S608 - names of ours and quoted texts
        list(self._ask("POST", question))

    def _headers(self) -> dict[str, str]:
        return {"Authorization": f"Token {self.where.token}"} if self.where.token else {}

    def _check_version(self) -> None:
        if self._checked:
            return
        try:
            answer = self._pool.request("GET", f"{self.where.url}/ping", headers=self._headers())
        except urllib3.exceptions.HTTPError as error:
            msg = f"{self.where.url} does not answer: {_short(error)}"
            raise DatabaseError(msg) from error
        version = answer.headers.get("X-Influxdb-Version", "").lstrip("v")
        if version.startswith("3"):
            msg = (
                f"{self.where.url} is InfluxDB {version}: books are read from 1.x and 2.x only, since 3 answers over a "
                "short time window. Read the ledger instead (--store ledger)"
            )
            raise DatabaseError(msg)
        self._checked = True

    def _ask(self, method: str, question: str) -> Iterator[dict[str, Any]]:
        fields = {"db": self.where.bucket, "q": question, "epoch": "ms"}
        if method == "GET":
            fields |= {"chunked": "true", "chunk_size": str(_CHUNK_ROWS)}
        more: dict[str, Any] = {} if method == "GET" else {"encode_multipart": False}
        try:
            answer = self._pool.request(
                method,
                f"{self.where.url}/query",
                fields=fields,
                headers=self._headers(),
                preload_content=False,
                **more,
            )
            try:
                yield from self._results(answer)
            finally:
                answer.release_conn()
        except urllib3.exceptions.HTTPError as error:
            msg = f"{self.where.url} does not answer: {_short(error)}"
            raise DatabaseError(msg) from error

    def _results(self, answer: urllib3.BaseHTTPResponse) -> Iterator[dict[str, Any]]:
        if answer.status in {401, 403}:
            msg = f"{self.where} refuses the token (status {answer.status}): it needs the right to read this bucket"
            raise DatabaseError(msg)
        if answer.status != 200:  # noqa: PLR2004 - the one good answer
            text = answer.read().decode("utf-8", "replace")[:_MOST_TEXT]
            msg = f"{self.where} does not answer InfluxQL (status {answer.status}): {text.strip()}"
            raise DatabaseError(msg)
        rest = bytearray()
        for part in answer.stream(1 << 16):
            rest += part
            while (at := rest.find(b"\n")) >= 0:
                yield from self._of_chunk(rest[:at])
                del rest[: at + 1]
        yield from self._of_chunk(rest)

    def _of_chunk(self, text: bytearray) -> Iterator[dict[str, Any]]:
        if not text.strip():
            return
        try:
            told = json.loads(text)
        except ValueError as error:
            msg = f"{self.where} does not answer InfluxQL: {bytes(text[:80])!r}"
            raise DatabaseError(msg) from error
        for result in (told, *told.get("results", ())):
            if "error" in result:
                msg = f"{self.where} refuses the question: {result['error']}"
                raise DatabaseError(msg)
        yield from told.get("results", ())


def quoted(text: str) -> str:
    """Return a text as a literal of InfluxQL."""
    escaped = text.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{escaped}'"


def _short(error: Exception) -> str:
    return str(error)[:_MOST_TEXT]
