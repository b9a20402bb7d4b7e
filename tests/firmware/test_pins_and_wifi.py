"""What the boards share: edges by interrupt, a bus that hangs, a network that refuses."""

from __future__ import annotations

import importlib
from array import array
from typing import Any

import pytest

pins: Any = importlib.import_module("node.pins")
wifi: Any = importlib.import_module("node.wifi")


class Ticks:
    def __init__(self) -> None:
        self.at = 0

    def __call__(self) -> int:
        return self.at


def test_edges_come_out_as_they_went_in() -> None:
    ticks = Ticks()
    ring = pins.EdgeRing(ticks)
    out = array("I", [0] * 100)
    taken: list[int] = []
    for i in range(1000):
        ticks.at = 7 * i
        ring.note(None)
        if i % 37 == 0:
            count = ring.read_into(out)
            taken.extend(out[:count])
    count = ring.read_into(out)
    assert taken + list(out[:count]) == [7 * i for i in range(1000)]
    assert ring.lost == 0
    assert ring.exact is False


def test_f21_edges_that_find_no_room_are_counted_and_the_older_ones_stay() -> None:
    ticks = Ticks()
    ring = pins.EdgeRing(ticks)
    for i in range(70):
        ticks.at = i
        ring.note(None)
    out = array("I", [0] * 100)
    assert list(out[: ring.read_into(out)]) == list(range(64))
    assert ring.lost == 0  # they came after these ...
    ticks.at = 99
    ring.note(None)
    assert list(out[: ring.read_into(out)]) == [99]
    assert ring.lost == 6  # ... and before this one


def test_a_small_array_takes_what_it_can_hold_and_the_rest_next_time() -> None:
    ticks = Ticks()
    ring = pins.EdgeRing(ticks)
    for i in range(10):
        ticks.at = i
        ring.note(None)
    out = array("I", [0] * 6)
    assert list(out[: ring.read_into(out)]) == [0, 1, 2, 3, 4, 5]
    assert list(out[: ring.read_into(out)]) == [6, 7, 8, 9]


class Line:
    """One wire of the bus, noting its levels."""

    def __init__(self, name: str, log: list[tuple[str, int]]) -> None:
        self.name = name
        self.log = log

    def value(self, level: int) -> None:
        self.log.append((self.name, level))


def test_f25_a_bus_is_freed_by_nine_clocks_and_a_stop() -> None:
    # UM10204 (the I2C-bus specification), 3.1.16 "Bus clear": nine clock pulses; 3.1.4: SDA rising while SCL is high
    # is a STOP.
    log: list[tuple[str, int]] = []
    pins.free_bus(Line("scl", log), Line("sda", log), lambda _us: None)
    assert log[0] == ("sda", 1)
    assert log[1:19] == [("scl", 0), ("scl", 1)] * 9
    assert log[19:] == [("sda", 0), ("sda", 1)]


class Nic:
    """An interface that refuses the calls it is told to, and connects a while after `connect`."""

    def __init__(self, ticks: Ticks, refusing: str = "", joins: bool = True) -> None:  # noqa: FBT001, FBT002
        self._ticks = ticks
        self.refusing = refusing
        self.joins = joins
        self.calls: list[str] = []
        self.since: int | None = None

    def _call(self, name: str) -> None:
        self.calls.append(name)
        if self.refusing == name.split(" ", maxsplit=1)[0]:
            raise OSError(name)

    def active(self, is_active: bool) -> None:  # noqa: FBT001
        self._call(f"active {is_active}")

    def config(self, *, pm: int) -> None:
        self._call(f"config {pm}")

    def connect(self, ssid: str, key: str) -> None:
        self._call(f"connect {ssid} {key}")
        self.since = self._ticks.at

    def disconnect(self) -> None:
        self._call("disconnect")
        self.since = None

    def isconnected(self) -> bool:
        return self.joins and self.since is not None and self._ticks.at - self.since > 2000

    def ifconfig(self) -> tuple[str, str, str, str]:
        return ("192.168.7.5" if self.isconnected() else "0.0.0.0", "", "", "")  # noqa: S104


def wait(wlan: Any, ticks: Ticks, ms: int) -> bool:
    for _ in range(ms // 250):
        ticks.at += 250
        if wlan.connected():
            return True
    return False


def test_f10_f11_joining_leaves_first_waits_a_second_and_never_sleeps_the_radio() -> None:
    ticks = Ticks()
    nic = Nic(ticks)
    wlan = wifi.Wlan(nic, 16, ticks)
    assert nic.calls == ["active True", "config 16"]
    wlan.connect("mill", None)
    assert nic.calls[2:] == ["disconnect", "active True", "config 16"]
    ticks.at += 999
    assert not wlan.connected()
    assert nic.calls[-1] == "config 16"
    ticks.at += 1
    assert not wlan.connected()
    assert nic.calls[-1] == "connect mill "
    assert wlan.address() is None
    assert wait(wlan, ticks, 5000)
    assert wlan.address() == "192.168.7.5"
    assert wlan.failures == 0


@pytest.mark.parametrize("refusing", ["active", "config", "connect", "disconnect"])
def test_f11_whatever_the_driver_refuses_the_next_attempt_goes_on(refusing: str) -> None:
    ticks = Ticks()
    nic = Nic(ticks, refusing)
    wlan = wifi.Wlan(nic, 16, ticks)
    for _ in range(12):
        wlan.connect("mill", "water")
        wait(wlan, ticks, 3000)
    assert wlan.failures > 0
    nic.refusing = ""
    wlan.connect("mill", "water")
    assert wait(wlan, ticks, 5000)


def test_f11_every_fifth_attempt_switches_the_interface_off_and_on() -> None:
    ticks = Ticks()
    nic = Nic(ticks, joins=False)
    wlan = wifi.Wlan(nic, 16, ticks)
    for _ in range(10):
        wlan.connect("mill", "water")
        wait(wlan, ticks, 2000)
    assert nic.calls.count("active False") == 2
    at = nic.calls.index("active False")
    assert nic.calls[at + 1 : at + 4] == ["disconnect", "active True", "config 16"]
    assert nic.calls.count("connect mill water") == 10


def test_f19_joining_waits_across_ticks_that_come_round() -> None:
    ticks = Ticks()
    ticks.at = (1 << 30) - 400
    nic = Nic(ticks)
    wlan = wifi.Wlan(nic, 16, ticks)
    wlan.connect("mill", "water")
    ticks.at = 500
    assert not wlan.connected()
    assert not any(call.startswith("connect") for call in nic.calls)
    ticks.at = 600
    wlan.connected()
    assert nic.calls[-1] == "connect mill water"
