"""The twin's door over real sockets: boards get frames, controllers get answers, the slow are dropped."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import socket
import threading
import time
from contextlib import contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Self

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import Node, PhaseSensor
from wheelpit.plant.wiring import node_wiring
from wheelpit.twin import client
from wheelpit.twin.live import LiveTwin
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.server import TwinServer, chip_of
from wheelpit.twin.trouble import NoTwinError, TwinError, TwinRefusedError, TwinSilentError
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PLANT = load_plant(demo_plant_path())
WIRED = {
    "rectified_v", "battery_degc", "battery_v", "charge_a", "battery_a", "dump_a", "rectified_a",
}  # fmt: skip


class Door:
    """A twin served in a thread, its clock `speed` times as fast as ours."""

    def __init__(self, speed: int, twin: TwinPlant | None = None) -> None:
        self.live = LiveTwin(twin or TwinPlant(PLANT), monotonic_ns=lambda: time.monotonic_ns() * speed)
        self.server = TwinServer(self.live)
        self.port = 0
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        self.port = await self.server.start()
        self._ready.set()
        await self.server.run(self._stop)

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *error: object) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(10)
        assert not self._thread.is_alive()

    def ask(self, do: str, **more: Any) -> dict[str, Any]:
        return client.ask(self.port, do, **more)


@pytest.fixture
def door() -> Iterator[Door]:
    with Door(speed=1) as it:
        yield it


class Link:
    """Lines to and from the twin."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.lines = self.socket.makefile("rb")

    def say(self, **told: Any) -> None:
        self.socket.sendall(json.dumps(told).encode() + b"\n")

    def hear(self) -> dict[str, Any]:
        line = self.lines.readline()
        assert line, "the twin closed the connection"
        told: dict[str, Any] = json.loads(line)
        return told


@contextmanager
def linked(port: int, **hello: Any) -> Iterator[Link]:
    link = Link(port)
    try:
        if hello:
            link.say(**hello)
        yield link
    finally:
        link.lines.close()
        link.socket.close()


def test_a_board_is_told_its_wiring_and_gets_frames(door: Door) -> None:
    with linked(door.port, hello="board") as board:
        told = board.hear()
        assert told == {
            "hello": "twin",
            "wiring": node_wiring(PLANT, "wheel"),
            "chip": chip_of(PLANT, "wheel"),
        }
        frames = [board.hear() for _ in range(30)]
    for earlier, later in pairwise(frames):
        assert later["t_us"] - earlier["t_us"] == 50_000
    edges = [(edge, frame["t_us"]) for frame in frames for edge in frame["edges"]]
    assert all(end_us - 50_000 <= edge <= end_us for edge, end_us in edges)
    assert all(frame["link"] is True and set(frame["mean"]) == WIRED for frame in frames)
    assert frames[-1]["mean"]["rectified_v"] == pytest.approx(20.8, abs=0.5)


def test_the_chip_is_the_boards_own_and_the_same_at_every_start() -> None:
    assert chip_of(PLANT, "wheel") == chip_of(PLANT, "wheel") != chip_of(PLANT, "house")
    assert len(bytes.fromhex(chip_of(PLANT, "wheel"))) == 8


def test_two_boards_get_the_same_edges() -> None:
    with (
        Door(speed=20) as door,
        linked(door.port, hello="board") as one,
        linked(door.port, hello="board") as other,
    ):
        one.hear(), other.hear()
        seen = {frame["t_us"]: frame["edges"] for frame in (one.hear() for _ in range(200))}
        again = {frame["t_us"]: frame["edges"] for frame in (other.hear() for _ in range(200))}
    both = seen.keys() & again.keys()
    assert len(both) > 100
    assert all(seen[t_us] == again[t_us] for t_us in both)
    assert sum(len(seen[t_us]) for t_us in both) > 3


def test_the_link_fault_is_told_to_boards(door: Door) -> None:
    with linked(door.port, hello="board") as board:
        board.hear()
        assert board.hear()["link"] is True
        answer = door.ask("fault", name="link", on=True)
        assert answer == {"ok": True, "faults": {"link": 1.0}}
        assert any(board.hear()["link"] is False for _ in range(20))
        door.ask("fault", name="link", on=False)
        assert any(board.hear()["link"] is True for _ in range(20))


def test_a_jam_is_seen_by_the_board_and_in_the_state() -> None:
    with Door(speed=10) as door, linked(door.port, hello="board") as board:
        board.hear()
        door.ask("fault", name="jam", on=True)
        for _ in range(40):
            board.hear()
        frames = [board.hear() for _ in range(60)]
        assert all(frame["edges"] == [] for frame in frames)
        assert door.ask("state")["wheel_rpm"] == 0
        door.ask("fault", name="jam", on=False)
        assert any(board.hear()["edges"] for _ in range(200))


def test_a_fault_grows_over_its_ramp_and_is_told_with_its_severity(door: Door) -> None:
    answer = door.ask("fault", name="bearing", on=True, severity=0.8, ramp_s=2.0)
    assert answer["faults"]["bearing"] < 0.1
    deadline = time.monotonic() + 20
    while (level := door.ask("state")["faults"]["bearing"]) < 0.8:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert level == pytest.approx(0.8)
    assert door.ask("fault", name="bearing", on=False)["faults"] == {}


def test_boards_get_what_the_sensors_show_and_the_powers_of_their_pairs(door: Door) -> None:
    with linked(door.port, hello="board") as board:
        board.hear()
        watt = board.hear()["watt"]
        assert set(watt) == {"charge", "battery", "dump", "rectified"}
        frame = board.hear()
        assert frame["watt"]["charge"] == pytest.approx(
            frame["mean"]["battery_v"] * frame["mean"]["charge_a"], rel=1e-3
        )
        door.ask("fault", name="sensor-dead:charge_a", on=True)
        door.ask("fault", name="sensor-railed:rectified_v", on=True)
        mean = [board.hear()["mean"] for _ in range(10)][-1]
        assert mean["charge_a"] is None
        assert mean["rectified_v"] == pytest.approx(103.3, abs=0.1)
        assert door.ask("state")["charge_a"] > 4


def test_the_switch_at_the_wheel_is_told_to_the_board_that_has_it() -> None:
    with_switch = dataclasses.replace(PLANT, nodes=(Node(id="wheel", parked_pin=22),))
    with Door(1, TwinPlant(with_switch)) as door, linked(door.port, hello="board") as board:
        board.hear()
        assert board.hear()["switches"] == {"22": False}
        assert door.ask("parked", on=True) == {"ok": True, "parked": True}
        assert [board.hear()["switches"] for _ in range(10)][-1] == {"22": True}
        assert door.ask("state")["parked"] is True


def test_boards_are_wired_by_the_description_and_fed_from_the_truth() -> None:
    true = variant(PLANT, 5)
    twin = TwinPlant(true.plant, assumptions=true.assumptions, told=PLANT, sensors=true.sensors(PLANT))
    with Door(1, twin) as door, linked(door.port, hello="board") as board:
        assert board.hear()["wiring"] == node_wiring(PLANT, "wheel")
        shown = [board.hear()["mean"]["charge_a"] for _ in range(20)][-1]
        assert shown != pytest.approx(door.ask("state")["charge_a"], rel=1e-6)
        assert shown == pytest.approx(door.ask("state")["charge_a"], rel=0.05)


def test_a_controller_may_ask_many_things_on_one_connection(door: Door) -> None:
    time.sleep(0.3)
    with linked(door.port, hello="control") as control:
        control.say(do="state")
        state = control.hear()
        assert state["ok"] is True
        control.say(do="flow", flow_l_s=4)
        assert control.hear() == {"ok": True, "flow_l_s": 4.0}
        control.say(do="energy", from_ms=state["known_from_ms"], to_ms=state["known_to_ms"])
        energy = control.hear()
        assert energy["charge_wh"] > 0
        assert energy["from_ms"] == state["known_from_ms"]
        control.say(do="state")
        assert control.hear()["ordered_flow_l_s"] == 4


def test_energy_over_the_socket_is_additive(door: Door) -> None:
    time.sleep(0.5)
    state = door.ask("state")
    begin, end = state["known_from_ms"], state["known_to_ms"]
    middle = (begin + end) // 2
    whole = door.ask("energy", from_ms=begin, to_ms=end)
    first, second = (
        door.ask("energy", from_ms=begin, to_ms=middle),
        door.ask("energy", from_ms=middle, to_ms=end),
    )
    for name in ("charge_wh", "load_wh", "dump_wh", "revolutions", "charge_ah"):
        assert first[name] + second[name] == pytest.approx(whole[name])
        assert whole[name] > 0


@pytest.mark.parametrize(
    ("question", "why"),
    [
        ({"do": "fault", "name": "gremlin", "on": True}, "gremlin"),
        ({"do": "fault", "name": "jam"}, "on"),
        ({"do": "fault", "name": "jam", "on": "yes"}, "not understood"),
        ({"do": "fault", "name": "jam", "on": True, "severity": 1.5}, "give more than 0"),
        ({"do": "fault", "name": "node-reboots", "on": True}, "the twin alone cannot do it"),
        ({"do": "fault", "name": "sensor-stuck", "on": True}, "sensor-stuck:battery_v"),
        ({"do": "parked", "on": True}, "parked_pin"),
        ({"do": "parked"}, '"on"'),
        ({"do": "flow"}, "flow_l_s"),
        ({"do": "flow", "flow_l_s": -4}, "give 0 to"),
        ({"do": "energy", "from_ms": 5, "to_ms": 6}, "knows"),
        ({"do": "dance"}, "dance"),
        ({"undo": 1}, "not understood"),
    ],
)
def test_what_cannot_be_done_is_answered_with_a_reason(
    door: Door, question: dict[str, Any], why: str
) -> None:
    with linked(door.port, hello="control") as control:
        control.say(**question)
        answer = control.hear()
        assert answer["ok"] is False
        assert why in answer["why"]
        control.say(do="state")
        assert control.hear()["ok"] is True


@pytest.mark.parametrize(
    "first", [b"\n", b"{\n", b"\xff\xfe\n", b'{"hello":"stranger"}\n', b'{"hello":"board","node":"x"}\n']
)
def test_a_strange_greeting_is_refused_and_the_door_stays_open(door: Door, first: bytes) -> None:
    with linked(door.port) as link:
        link.socket.sendall(first)
        assert link.hear()["ok"] is False
        assert link.lines.read() == b""
    assert door.ask("state")["ok"] is True


def test_a_line_without_end_is_not_kept(door: Door) -> None:
    def pour(link: Link) -> None:
        for _ in range(1000):
            link.socket.sendall(b"x" * 4096)
            time.sleep(0.001)

    with linked(door.port) as link, pytest.raises(ConnectionError):
        pour(link)
    assert door.ask("state")["ok"] is True


def test_a_board_that_vanishes_is_forgotten(door: Door) -> None:
    with linked(door.port, hello="board") as board:
        board.hear()
        assert door.ask("state")["boards"] == ["wheel"]
    deadline = time.monotonic() + 10
    while door.ask("state")["boards"]:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert door.ask("state")["dropped"] == 0


def test_a_board_that_stops_reading_is_dropped_and_the_others_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wheelpit.twin.server._LAG", 20_000)
    with Door(speed=60) as door, linked(door.port, hello="board") as reader:
        reader.hear()
        with linked(door.port) as idle:
            idle.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            idle.say(hello="board")
            deadline = time.monotonic() + 20
            last_us = 0
            while door.server.dropped == 0:
                assert time.monotonic() < deadline
                last_us = reader.hear()["t_us"]
            # On a busy machine so fast a clock may outrun the twin, which then skips; the frames still come.
            later = [reader.hear()["t_us"] for _ in range(100)]
            assert all(after > before for before, after in pairwise([last_us, *later]))
            assert door.ask("state")["boards"] == ["wheel"]


def test_a_taken_port_is_told(door: Door) -> None:
    async def second() -> None:
        await TwinServer(door.live).start(door.port)

    with pytest.raises(TwinError, match=str(door.port)):
        asyncio.run(second())


def test_the_client_tells_what_is_wrong(door: Door, state: Path) -> None:
    with pytest.raises(TwinRefusedError, match="not known"):
        client.ask(door.port, "fault", name="gremlin", on=True)
    with pytest.raises(NoTwinError, match="wheelpit twin"):
        client.find(state)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        port = mute.getsockname()[1]
        thread = threading.Thread(target=lambda: mute.accept()[0].close())  # noqa: PLW0108 - it must not accept yet
        thread.start()
        with pytest.raises(TwinSilentError, match=str(port)):
            client.ask(port, "state")
        thread.join(10)
    with pytest.raises(TwinSilentError, match="does not answer"):
        client.ask(port, "state")


def test_only_a_board_with_the_sensor_is_told_its_pulses() -> None:
    phase = PhaseSensor(channel="alternator_rpm", node="wheel", kind="phase", pin=16)
    plant = dataclasses.replace(PLANT, sensors=(*PLANT.sensors, phase))
    with Door(20, TwinPlant(plant)) as door, linked(door.port, hello="board") as board:
        assert board.hear()["wiring"]["edges"]["16"] == "alternator"
        assert any(board.hear()["alternator_edges"] for _ in range(20))
    with Door(20) as door, linked(door.port, hello="board") as board:
        board.hear()
        assert "alternator_edges" not in board.hear()
