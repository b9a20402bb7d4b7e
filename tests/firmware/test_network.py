"""The Wi-Fi that is there and silent, the names that change or that nobody knows, and the last resort."""

from __future__ import annotations

import asyncio
import errno
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import pytest

dns: Any = import_module("node.dns")
network_module: Any = import_module("node.network")
resolve_module: Any = import_module("node.resolve")


class Bench:
    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, *, nameserver: str | None = None, **settings: Any
    ) -> None:
        self.now_ms = 0
        self.there = True
        self.joined: list[str] = []
        self.restarts = 0
        self.noted: list[str] = []
        self.looked_up: list[str] = []
        self.served: str | OSError = "10.0.0.2"  # what the network's name server says
        self.opened: list[tuple[Any, ...]] = []
        wlan = SimpleNamespace(
            connected=lambda: self.there,
            address=lambda: "10.0.0.7" if self.there else None,
            connect=lambda ssid, _password: self.joined.append(ssid),
            nameserver=lambda: nameserver,
        )

        async def opens(*where: Any) -> str:
            self.opened.append(where)
            return "open"

        def getaddrinfo(name: str, port: int, *_: int) -> list[Any]:
            self.looked_up.append(name)
            return [(2, 1, 6, "", ("10.0.0.2", port))]

        async def sleep_ms(ms: int) -> None:
            self.now_ms += ms

        async def ask(_server: Any, name: str, *_: Any) -> str:
            self.looked_up.append(name)
            if isinstance(self.served, OSError):
                raise self.served
            return self.served

        monkeypatch.setattr(asyncio, "sleep_ms", sleep_ms, raising=False)
        monkeypatch.setattr(dns, "ask", ask)
        board = SimpleNamespace(wlan=wlan, open_connection=opens, random_bytes=bytes)
        told = {
            "wifi_ssid": "mill",
            "wifi_password": "race",
            "broker_host": "broker.home",
            "tls": None,
        } | settings
        self.network = network_module.Network(
            board,
            SimpleNamespace(**told),
            SimpleNamespace(up_ms=lambda: self.now_ms),
            SimpleNamespace(fault=self.noted.append),
            resolve_module.Resolver(None, getaddrinfo, board=board, now_ms=lambda: self.now_ms),
            restart=self.restart,
        )

    def restart(self) -> None:
        self.restarts += 1

    def wait(self) -> None:
        asyncio.run(self.network.wait(lambda: None))

    def open(self) -> Any:
        return asyncio.run(self.network.open("broker.home", 1883))

    def attempt(self, error: OSError) -> None:
        """Try to connect, as the link does; `error` is what comes of it where there is an address."""
        self.wait()
        try:
            self.open()
        except OSError as found:
            self.fail(found)
        else:
            self.fail(error)

    def fail(self, error: Exception) -> None:
        self.now_ms += 60_000
        self.network.failed(error)


def test_f13_without_an_address_no_name_is_looked_up(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch)
    bench.there = False
    with pytest.raises(OSError, match=str(errno.ENOTCONN)):
        bench.open()
    assert bench.looked_up == []
    bench.there = True
    assert bench.open() == "open"
    assert bench.open() == "open"
    assert bench.opened == [("10.0.0.2", 1883)] * 2
    assert bench.looked_up == ["broker.home"]


def test_f13_a_broker_that_moved_is_found_again(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch)
    bench.open()
    for _ in range(resolve_module.STALE_AFTER):
        bench.fail(OSError(errno.EHOSTUNREACH))
    bench.open()
    assert bench.looked_up == ["broker.home"] * 2


def test_f09_a_network_on_which_nobody_answers_is_joined_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch)
    for _ in range(5):
        bench.wait()
        bench.fail(network_module.LinkError("no answer"))
    assert bench.joined == []
    bench.fail(OSError(errno.EHOSTUNREACH))
    bench.wait()
    assert bench.joined == ["mill"]
    bench.wait()
    assert bench.joined == ["mill"]


def test_a_broker_that_refuses_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch)
    for _ in range(200):
        bench.wait()
        bench.fail(OSError(errno.ECONNREFUSED))
    assert bench.joined == []
    assert bench.restarts == 0


def test_f11_f12_half_an_hour_of_silence_restarts_the_board_but_not_in_its_first_hour(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(monkeypatch)
    for _ in range(59):
        bench.fail(network_module.LinkError("no Wi-Fi"))
    assert bench.restarts == 0
    bench.network.answered()
    for _ in range(29):
        bench.fail(network_module.LinkError("no Wi-Fi"))
    assert bench.restarts == 0
    bench.fail(network_module.LinkError("no Wi-Fi"))
    assert bench.restarts == 1
    assert "nobody has answered on the network for 30 min" in bench.noted[0]


def test_f13_a_name_that_the_name_server_does_not_know_is_told_and_restarts_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(monkeypatch, nameserver="10.0.0.1")
    bench.served = resolve_module.NoAddressError("the name server knows no such name")
    for _ in range(200):
        bench.attempt(OSError(errno.EHOSTUNREACH))
    assert (bench.restarts, bench.joined) == (0, [])
    assert bench.network.nameless
    assert bench.noted == [
        "the name server knows no such name for broker.host, broker.home; nothing is sent meanwhile"
    ]
    # A name server that falls silent is another matter: now nobody answers.
    bench.served = dns.DnsError("the name server does not answer")
    for _ in range(29):
        bench.attempt(OSError(errno.EHOSTUNREACH))
    assert bench.restarts == 1
    assert not bench.network.nameless


def test_f13_a_name_server_that_answers_shows_that_the_network_works(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, nameserver="10.0.0.1")
    for _ in range(200):
        bench.attempt(OSError(errno.EHOSTUNREACH))  # the broker's machine is off
    assert (bench.restarts, bench.joined) == (0, [])
    # ... also where it says no, and the address that was known is tried on.
    bench.served = resolve_module.NoAddressError("the name server fails")
    for _ in range(200):
        bench.attempt(OSError(errno.EHOSTUNREACH))
    assert (bench.restarts, bench.joined) == (0, [])
    assert bench.looked_up.count("broker.home") < 200


def test_a_node_without_wifi_of_its_own_is_not_restarted_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, wifi_ssid=None)
    for _ in range(500):
        bench.fail(network_module.LinkError("no Wi-Fi"))
    assert bench.restarts == 0


def test_an_encrypted_connection_is_held_to_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, tls=SimpleNamespace(context="context", server_name=None))
    bench.open()
    bench = Bench(monkeypatch, tls=SimpleNamespace(context="context", server_name="other.home"))
    bench.open()
    assert bench.opened == [("10.0.0.2", 1883, "context", "other.home")]
