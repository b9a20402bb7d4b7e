"""A ledger with a past, real databases, and what stands between them and the forwarder."""

from __future__ import annotations

import gzip
import http.client
import json
import os
import signal
import socket
import sqlite3
import subprocess
import threading
import time
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any, Self
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from tests.forward.pen import Pen

from wheelpit.forward.follow import Follower
from wheelpit.forward.progress import FILE as PROGRESS
from wheelpit.forward.progress import Progress
from wheelpit.forward.run import Forwarder, Patience
from wheelpit.forward.send import Sender
from wheelpit.store.database import Database, InfluxQL
from wheelpit.store.influx import InfluxReader
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

TOKEN = "a token of this test"  # noqa: S105
_WAIT_S = 60.0


class Gate:
    """Stands in front of a database: brings the v2 write path to a 1.x server, and refuses what it is told to.

    `answers` are statuses to give to the next writes instead of asking the server; `bad` is a text by which a line is
    refused with 400, as a server does that finds it wrong.
    """

    def __init__(self, server_port: int, *, rewrite: bool) -> None:
        self.server_port = server_port
        self.rewrite = rewrite
        self.answers: list[int] = []
        self.bad: str | None = None
        self.token: str | None = TOKEN
        self.writes: list[int] = []
        gate = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True  # each answer would wait 40 ms for the acknowledgement of its head

            def do_GET(self) -> None:
                gate.pass_on(self)

            do_POST = do_GET  # noqa: N815 - the library looks for this name

            def log_message(self, *_: Any) -> None:
                pass

        self._handler = Handler
        self.port = 0
        self.listen()

    def listen(self) -> None:
        """Listen, at the port of the last time."""
        self._http = ThreadingHTTPServer(("127.0.0.1", self.port), self._handler)
        self._http.daemon_threads = True
        self.port = self._http.server_address[1]
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    def pass_on(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers.get("Content-Length") or 0))
        parts = urlsplit(request.path)
        path, status, answer = request.path, 0, b""
        headers: dict[str, str] = {}
        if parts.path == "/api/v2/write":
            status = self._refusal(request, body)
            if self.rewrite:
                asked = {name: values[0] for name, values in parse_qs(parts.query).items()}
                path = "/write?" + urlencode({"db": asked["bucket"], "precision": asked["precision"]})
        if not status:
            status, answer, headers = self._ask(request, path, body)
        if parts.path == "/api/v2/write":
            self.writes.append(status)
        request.send_response(status)
        for name, value in headers.items():
            request.send_header(name, value)
        request.send_header("Content-Length", str(len(answer)))
        request.end_headers()
        request.wfile.write(answer)

    def _refusal(self, request: BaseHTTPRequestHandler, body: bytes) -> int:
        if self.answers:
            return self.answers.pop(0)
        if self.token is not None and request.headers.get("Authorization") != f"Token {self.token}":
            return 401
        text = gzip.decompress(body) if request.headers.get("Content-Encoding") == "gzip" else body
        return 400 if self.bad is not None and self.bad.encode() in text else 0

    def _ask(
        self, request: BaseHTTPRequestHandler, path: str, body: bytes
    ) -> tuple[int, bytes, dict[str, str]]:
        keep = ("Content-Type", "Content-Encoding")
        server = http.client.HTTPConnection("127.0.0.1", self.server_port, timeout=60)
        try:
            headers = {name: request.headers[name] for name in keep if name in request.headers}
            server.request(request.command, path, body, headers)
            got = server.getresponse()
            version = got.headers.get("X-Influxdb-Version", "")
            return got.status, got.read(), {"X-Influxdb-Version": version}
        except OSError:
            return 502, b"", {}
        finally:
            server.close()

    def close(self) -> None:
        """Listen no longer: whoever knocks is refused by the system."""
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()


class Server:
    """A database of its own for one test, with a gate in front."""

    def __init__(self, command: list[str], port: int, folder: Path, ready: str, *, rewrite: bool) -> None:
        self.command = command
        self.port = port
        self.folder = folder
        self.ready = ready
        self.child: subprocess.Popen[bytes] | None = None
        self.start()
        self.gate = Gate(port, rewrite=rewrite)

    def start(self) -> None:
        with (self.folder / "server.log").open("ab") as log:
            self.child = subprocess.Popen(
                self.command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, "HOME": str(self.folder)},
            )
        until = time.monotonic() + _WAIT_S
        while time.monotonic() < until:
            try:
                if self.get(self.ready)[0] < 300:
                    return
            except OSError:
                pass
            time.sleep(0.05)
        pytest.fail((self.folder / "server.log").read_text()[-2000:])

    def get(self, path: str, body: bytes | None = None) -> tuple[int, bytes]:
        """Ask the server itself, past the gate."""
        server = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            server.request("GET" if body is None else "POST", path, body)
            got = server.getresponse()
            return got.status, got.read()
        finally:
            server.close()

    def query(self, question: str, database: str = "site") -> list[dict[str, Any]]:
        """Ask the server in InfluxQL."""
        status, body = self.get("/query?" + urlencode({"db": database, "q": question, "epoch": "ms"}), b"")
        assert status == 200, body
        found: list[dict[str, Any]] = json.loads(body)["results"][0].get("series", [])
        return found

    @property
    def where(self) -> Database:
        return Database(f"http://127.0.0.1:{self.gate.port}", "site", "org", TOKEN)

    def stop(self, how: signal.Signals = signal.SIGKILL) -> None:
        if self.child is not None:
            self.child.send_signal(how)
            self.child.wait()
            self.child = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.gate.close()
        self.stop()


@pytest.fixture
def influx(needs: Callable[[str], str], free_port: Callable[[], int], tmp_path: Path) -> Iterator[Server]:
    """InfluxDB 1.6 with the database `site`."""
    program = needs("influxd")
    folder = tmp_path / "influx"
    folder.mkdir()
    port = free_port()
    config = folder / "influxdb.conf"
    config.write_text(
        f"""reporting-disabled = true
bind-address = "127.0.0.1:{free_port()}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
[monitor]
  store-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
"""
    )
    with Server([program, "-config", str(config)], port, folder, "/ping", rewrite=True) as server:
        server.query('CREATE DATABASE "site"')
        yield server


@pytest.fixture
def victoria(needs: Callable[[str], str], free_port: Callable[[], int], tmp_path: Path) -> Iterator[Server]:
    """A database with the real v2 write endpoint."""
    folder = tmp_path / "victoria"
    folder.mkdir()
    port = free_port()
    command = [
        needs("victoria-metrics"),
        f"-storageDataPath={folder}/data",
        f"-httpListenAddr=127.0.0.1:{port}",
        "-retentionPeriod=100y",
        "-memory.allowedBytes=64MB",
    ]
    with Server(command, port, folder, "/health", rewrite=False) as server:
        yield server


class Desk:
    """A forwarder led by hand: from the ledger of a folder into a database."""

    def __init__(
        self,
        folder: Path,
        where: Database,
        *,
        deletes: bool = True,
        patience: Patience | None = None,
        **options: Any,
    ) -> None:
        self.folder = folder
        self.ledger = LedgerReader(folder / FILE)
        self.progress = Progress(folder / PROGRESS)
        self.sender = Sender(where)
        self.stop = threading.Event()
        self.reader = InfluxReader(where)
        self.follower = Follower(self.ledger, self.progress, **options)
        asking = InfluxQL(where) if deletes else None
        self.forwarder = Forwarder(
            self.follower, self.progress, self.sender, asking, self.stop, patience=patience
        )

    def all(self) -> int:
        """Forward everything there is, without waiting; return how many points were sent."""
        before = self.forwarder.points
        while self.forwarder.turn():
            pass
        return self.forwarder.points - before

    def progress_seq(self) -> int:
        """Return the last record that was noted as sent, looked up beside the forwarder."""
        return int(self._look("SELECT max(seq) FROM cursor")[0][0] or 0)

    def refused(self) -> list[tuple[str, str]]:
        """Return the points that were refused, with their reasons."""
        return [
            (str(reason), str(point)) for reason, point in self._look("SELECT reason, point FROM refused")
        ]

    def _look(self, question: str) -> list[Any]:
        with closing(sqlite3.connect(self.folder / PROGRESS)) as db:
            return db.execute(question).fetchall()

    def close(self) -> None:
        self.sender.close()
        self.progress.close()


@pytest.fixture
def forward(state: Path) -> Iterator[Callable[..., Desk]]:
    made: list[Desk] = []

    def make(where: Database, folder: Path = state, **options: Any) -> Desk:
        made.append(Desk(folder, where, **options))
        return made[-1]

    yield make
    for desk in made:
        desk.close()


@pytest.fixture
def nothing_listens(free_port: Callable[[], int]) -> Database:
    port = free_port()
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0
    return Database(f"http://127.0.0.1:{port}", "site", "org", TOKEN)


@pytest.fixture
def pen(state: Path) -> Pen:
    return Pen(state)
