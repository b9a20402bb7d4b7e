"""The whole firmware, started as on a board, against a simulated plant and a broker that a test scripts.

MicroPython gets a heap of 320 KiB. The words of this interpreter are twice as long as a board's, it compiles every
module itself, and it keeps the simulated board's chips and all our code in the heap; a board has the code in flash.
"""

from __future__ import annotations

import asyncio
import json
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from interpreters import FIRMWARE, Running, both, running
from scripted_broker import ScriptedBroker
from scripted_host import NODE, SITE, ScriptedHost, settings
from scripted_twin import ScriptedTwin

from wheelpit.contract import topics
from wheelpit.contract.messages import Birth, Live, Record, Status, TimeAsk
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.decode import records_in

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable
    from pathlib import Path

pytestmark = pytest.mark.slow
HEAP = "320k"


@dataclass
class Site:
    """One node with everything around it."""

    interpreter: str
    twin: ScriptedTwin
    broker: ScriptedBroker
    host: ScriptedHost
    node: Running

    def records(self) -> list[Record]:
        return [
            record
            for message in self.broker.of("record")
            for record in records_in(message.payload).records
            if isinstance(record, Record)
        ]

    def numbers(self) -> list[int]:
        """Return the numbers of the records that the host has, within the boot."""
        (found,) = self.host.stored.values()
        return [seq - SEQ_PER_BOOT for seq in found]

    async def until_stored(self, count: int, timeout_s: float = 30.0) -> None:
        await self.broker.until(lambda: bool(self.host.stored) and len(self.numbers()) >= count, timeout_s)


@asynccontextmanager
async def site(
    interpreter: str,
    folder: Path,
    *,
    online: bool = True,
    seconds: int = 60,
    secrets: dict[str, str] | None = None,
) -> AsyncIterator[Site]:
    async with AsyncExitStack() as stack:
        twin = await stack.enter_async_context(ScriptedTwin())
        broker = await stack.enter_async_context(ScriptedBroker())
        host = ScriptedHost(broker, online=online)
        write(folder, settings(broker.port), secrets)
        script = running(
            interpreter,
            "node_probe.py",
            str(folder),
            str(seconds),
            search=(FIRMWARE / "sim",),
            heap=HEAP,
            environment={"WHEELPIT_TWIN_PORT": str(twin.port)},
        )
        yield Site(interpreter, twin, broker, host, await stack.enter_async_context(script))


def write(folder: Path, settings: str, secrets: dict[str, str] | None) -> None:
    folder.mkdir()
    (folder / "settings.json").write_text(settings)
    if secrets is not None:
        (folder / "secrets.json").write_text(json.dumps(secrets))


def for_both(folder: Path, play: Callable[[Site], Awaitable[None]], **told: Any) -> None:
    """Let both interpreters live through the same story, side by side."""

    async def live(interpreter: str) -> None:
        async with site(interpreter, folder / interpreter, **told) as here:
            await play(here)

    asyncio.run(both(live))


def test_f34_says_who_it_is_and_then_what_it_measures(tmp_path: Path) -> None:
    async def play(here: Site) -> None:
        broker = here.broker
        await here.until_stored(2)
        (connection,) = broker.connections
        assert (connection.user, connection.password) == ("wheel", "mill")
        assert connection.client_id == f"{SITE}-{NODE}"
        assert connection.subscriptions == [
            topics.to_node(SITE, NODE, "receipt"),
            topics.to_node(SITE, NODE, "time"),
            topics.host_status(SITE),
            topics.to_node(SITE, NODE, "settings"),
            topics.to_node(SITE, NODE, "order"),
        ]
        assert [m.kind for m in broker.published if m.qos][:3] == ["status", "birth", "record"]
        assert {m.topic for m in broker.published} == {
            topics.from_node(SITE, NODE, kind) for kind in ("status", "birth", "time-ask", "live", "record")
        }
        said = {kind: broker.of(kind)[0] for kind in ("status", "birth", "time-ask", "live", "record")}
        assert {kind: (m.qos, m.retain) for kind, m in said.items()} == {
            "status": (1, True),
            "birth": (1, True),
            "time-ask": (0, False),
            "live": (0, False),
            "record": (1, False),
        }
        status = msgspec.json.decode(said["status"].payload, type=Status)
        birth = msgspec.json.decode(said["birth"].payload, type=Birth)
        ask = msgspec.json.decode(said["time-ask"].payload, type=TimeAsk)
        live = [msgspec.json.decode(m.payload, type=Live) for m in broker.of("live")]
        sent = records_in(said["record"].payload)
        assert {status.journal, birth.journal, ask.journal, live[0].journal, sent.journal} == {birth.journal}
        assert status.state == "online"
        assert connection.will is not None
        assert connection.will[2]
        assert msgspec.json.decode(connection.will[1], type=Status).state == "offline"
        assert birth.board == "linux, simulated plant"
        assert here.interpreter in birth.interpreter
        assert set(birth.channels) == {"wheel_rpm", "rectified_v", "battery_v", "charge_a", "battery_degc"}
        assert birth.restarts == {}
        # The newest values come once a second, with the time from the host once it is known.
        assert all(900 <= after.up_ms - before.up_ms <= 1500 for before, after in pairwise(live))
        assert live[-1].clock == "host"
        # Records follow each other without a hole and carry what the plant really does.
        records = here.records()
        assert sent.after == 0
        assert [record.seq - SEQ_PER_BOOT for record in records] == list(range(1, len(records) + 1))
        last = records[-1]
        assert last.up_ms - last.span_ms == records[-2].up_ms
        assert last.mean["battery_v"] == pytest.approx(here.twin.mean["battery_v"], abs=0.01)
        assert last.mean["charge_a"] == pytest.approx(here.twin.mean["charge_a"], abs=0.05)
        assert last.mean["rectified_v"] == pytest.approx(here.twin.mean["rectified_v"], abs=0.05)
        assert last.mean["battery_degc"] == pytest.approx(here.twin.mean["battery_degc"], abs=0.3)
        assert last.mean["wheel_rpm"] == pytest.approx(here.twin.rpm, rel=0.01)
        assert last.clock == "host"
        assert last.end_ms is not None
        assert last.end_ms % 5000 == 0
        assert set(last.total) == set(birth.totals)

    for_both(tmp_path, play, secrets={"broker_user": "wheel", "broker_password": "mill"})


def test_f32_a_bad_day_costs_no_record_and_no_memory(tmp_path: Path) -> None:
    async def play(here: Site) -> None:
        broker, host, twin = here.broker, here.host, here.twin
        # The host does not listen yet: the newest values go out, records wait.
        await broker.until(lambda: len(broker.of("live")) >= 7)
        assert broker.of("record") == []
        host.say_status(online=True)
        await here.until_stored(2)

        # The host loses its last commits in a power cut: it is refilled.
        births = len(broker.of("birth"))
        (journal,) = host.stored
        del host.stored[journal][1:]
        host.start += 1
        host.say_status(online=True)
        host.say_receipt(journal)
        await here.until_stored(2)
        assert here.numbers() == [1, 2]
        await broker.until(lambda: len(broker.of("birth")) == births + 1)

        # The radio goes off: the broker speaks the last will.
        status = topics.from_node(SITE, NODE, "status")
        twin.link = False
        await broker.until(lambda: b"offline" in broker.retained[status])
        await asyncio.sleep(2)
        twin.link = True
        await broker.until(lambda: b"online" in broker.retained[status])

        # The broker goes, and comes back without anything it knew.
        await broker.leave()
        broker.retained.clear()
        await asyncio.sleep(1)
        births = len(broker.of("birth"))
        host.say_status(online=True)
        await broker.listen()
        await broker.until(lambda: len(broker.of("birth")) > births)
        await here.until_stored(4)

        numbers = here.numbers()
        assert numbers == list(range(1, len(numbers) + 1))
        energy = [record.total["charge_mwh"] for record in sorted(here.records(), key=lambda r: r.seq)]
        assert energy == sorted(energy)

        report = await here.node.finished(60)
        settled, quiet, last = report["memory"][2], report["memory"][4], report["memory"][-1]
        # Nothing is kept while nothing happens, but for the time of each record that is not on the flash yet.
        assert quiet - settled <= 128, report
        # And of a bad day, no more than the log, what opened on the way, and the records not yet on the flash.
        assert last - settled <= 4096, str(report["memory"])

    for_both(tmp_path, play, online=False, seconds=32)
