"""Brokers with certificates that are over, of another authority, or for another name: told apart, each with a remedy."""

from __future__ import annotations

import datetime as dt
import socket
import ssl
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from wheelpit.broker.authority import authority, server
from wheelpit.ingest.address import Broker, Certificates
from wheelpit.ingest.probe import probe
from wheelpit.report.doctor import broker_findings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOW = dt.datetime.now(dt.UTC)
NAME = "127.0.0.1"
REMEDY = {
    "run out": "make it again with `wheelpit keys`",
    "other authority": "give the ca.pem of the authority that made it",
    "other name": "call it by a name in its certificate",
}


@contextmanager
def listening(folder: Path | None) -> Iterator[int]:
    """Accept one connection, encrypted with what is in a folder or not at all, and give the port."""
    with socket.create_server((NAME, 0)) as listener:

        def accept() -> None:
            line, _ = listener.accept()
            line.settimeout(5)
            with line:
                try:
                    if folder is None:
                        line.recv(1024)
                        line.sendall(b"not encrypted")
                        return
                    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
                    context.load_cert_chain(folder / "server.pem", folder / "server-key.pem")
                    with context.wrap_socket(line, server_side=True) as encrypted:
                        encrypted.recv(1024)
                except OSError:
                    return  # the other side has refused, which is what it is here for

        thread = threading.Thread(target=accept)
        thread.start()
        yield listener.getsockname()[1]
        thread.join(10)


def make(folder: Path, name: str, made: dt.datetime) -> Path:
    """Make an authority, and a broker's certificate for a name as of a day."""
    folder.mkdir()
    server(folder, authority(folder, "mill", made), [name], made)
    return folder


# paho leaves a socket whose handshake failed to the garbage collector.
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.parametrize(
    ("name", "years_ago", "judge", "outcome"),
    [
        (NAME, 3, "broker", "run out"),
        (NAME, 0, "other", "other authority"),
        ("broker.home", 0, "broker", "other name"),
    ],
)
def test_each_fault_has_its_own_words_and_remedy(
    tmp_path: Path, name: str, years_ago: int, judge: str, outcome: str
) -> None:
    folder = make(tmp_path / "broker", name, NOW - dt.timedelta(days=365 * years_ago))
    make(tmp_path / "other", NAME, NOW)
    with listening(folder) as port:
        broker = Broker(NAME, port, certificates=Certificates(tmp_path / judge / "ca.pem"))
        found = probe(broker, "mill", 3.0)
    assert found.outcome == outcome
    (finding,) = broker_findings(broker, found, local_only=False)
    assert (finding.level, finding.subject) == ("wrong", "broker")
    assert REMEDY[outcome] in finding.remedy


@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
def test_a_listener_that_is_not_encrypted_is_told_from_one_that_is_refused(tmp_path: Path) -> None:
    folder = make(tmp_path / "broker", NAME, NOW)
    with listening(None) as port:
        found = probe(Broker(NAME, port, certificates=Certificates(folder / "ca.pem")), "mill", 3.0)
    assert found.outcome == "not encrypted"
