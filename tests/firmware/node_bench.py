"""The parts of `bench_node.py`: each measures one thing about the shipped firmware and returns rows of a table."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from accuracy import measure, of_the_twin, scripted
from compiled import NODE, compile_modules, compiled_command
from flash_bench import FOUR, TWELVE, Plant, flash_pack, flash_segment
from flash_month import PICO_BLOCKS, PICO_KIB, live
from interpreters import FIRMWARE, ON_BOARD, command
from virtual_world import BEGIN_MS, VirtualWorld

if TYPE_CHECKING:
    from collections.abc import Callable

    Told = Callable[[str], None]

Row = tuple[str, float, str]

HOUR_MS: Final = 3_600_000
HEAP_KIB: Final = 128
# A node has everything it will ever hold once its flash is full, after 15 hours here, and the first records have been
# folded; that is how it lives from then on.
_WARM_HOURS: Final = 18
# What is under way when somebody looks comes and goes; the least of half a day stays.
_LEAST_OF_HOURS: Final = 12
_SPEEDS_RPM: Final = (5.0007, 10.4373, 23.1914, 59.9777)  # none is a whole number of the node's steps
_SPANS_MS: Final = (10_000, 60_000, 300_000, 900_000)
_BLOCK_BYTES: Final = 32  # of the interpreter's heap, in a 64-bit build
_FREE: Final = re.compile(r"max free sz: (\d+)")


def interpreter() -> str:
    """Return the name and version of the interpreter that everything here ran on."""
    words, environment = command("micropython", ON_BOARD / "imports.py")
    asked = "import sys; print('%d.%d.%d %s' % tuple(sys.implementation.version[:4]), sys.implementation._machine)"
    words[-1:] = ["-c", asked]
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=True)
    return done.stdout.strip()


class FailingDay(VirtualWorld):
    """A day without great faults; every hour the Wi-Fi goes for two minutes and the broker is killed for one."""

    def __init__(self, folder: Path, hours: float, modules: list[str] | None = None, **more: Any) -> None:
        super().__init__(folder, 11, **more)
        self.modules = modules or []
        self.power_on()
        for hour in range(int(hours) + 1):
            begin_ms = self.now_ms // HOUR_MS * HOUR_MS + hour * HOUR_MS
            self.at(begin_ms + 600_050, lambda: self.network(there=False))
            self.at(begin_ms + 720_050, lambda: self.network(there=True))
            self.at(begin_ms + 1_800_050, self.kill_broker)
            self.at(begin_ms + 1_860_050, self.start_broker)


class Loaded(NamedTuple):
    """The modules that a node with four channels loads, their heap, and the same with what the bench needs itself."""

    modules: list[str]
    code: int
    base: int


def loaded(folder: Path) -> Loaded:
    """Find out what a node loads."""
    modules: list[str] = []
    for _ in range(2):  # the first time it says what it needs, the second time what that takes
        world = FailingDay(folder, 0, modules, heap="2m")
        try:
            world.run(BEGIN_MS + 30_000)
        finally:
            world.close()
        modules = world.hours[-1]["modules"]
    plain = [name.removeprefix("node.") for name in modules if name != "node"]
    words, environment = compiled_command(folder / "board", "imports.py", *plain, heap="2m")
    done = subprocess.run(
        words, cwd=folder / "board", env=environment, capture_output=True, text=True, check=True
    )
    return Loaded(modules, max(json.loads(done.stdout).values()), world.hours[-1]["base"])


def size(_told: Told) -> list[Row]:
    """Measure the compiled firmware: what a node with four channels loads, and everything there is."""
    with tempfile.TemporaryDirectory(prefix="wheelpit-bench-") as name:
        folder = Path(name)
        (folder / "world").mkdir()
        found = loaded(folder / "world")
        sizes = compile_modules(folder, NODE.glob("*.py"))
        hal = sum(compile_modules(folder, (FIRMWARE / "boards" / "rp2").glob("*.py")).values())
    least = hal + sum(size for name, size in sizes.items() if name.replace("/", ".") in found.modules)
    least += sizes["node/__init__"]
    every = hal + sum(sizes.values())
    return [
        ("node_mpy_kib", least / 1024, "KiB, four channels, with hal of the Pico W"),
        ("node_mpy_all_kib", every / 1024, "KiB, with every optional driver and the guard"),
        ("node_code_heap_kib", found.code / 1024, "KiB of heap in a 64-bit build, 0 where it is frozen"),
    ]


def heap(told: Told, hours: float = 24.0) -> list[Row]:
    """Run until the flash is full and then a day, in a heap of 128 KiB beside the code."""
    hours += _WARM_HOURS
    with tempfile.TemporaryDirectory(prefix="wheelpit-bench-") as name:
        folder = Path(name)
        (folder / "first").mkdir()
        modules, _, base = loaded(folder / "first")
        world = FailingDay(folder, hours, modules, heap=str(base + HEAP_KIB * 1024))
        try:
            begun = time.monotonic()
            for hour in range(int(hours)):
                world.run(BEGIN_MS + (hour + 1) * HOUR_MS)
                told(f"{hour + 1} of {hours:g} hours, {time.monotonic() - begun:.0f} s")
            world.run(BEGIN_MS + int(hours * HOUR_MS) + 60_000)
            (rows,) = world.host.ledger.connection.execute("SELECT count(*) FROM record").fetchone()
        finally:
            world.close()
        free = [int(found) * _BLOCK_BYTES / 1024 for found in _FREE.findall(world.console())]
    warm = world.hours[_WARM_HOURS:]
    stays = [hour["least"] for hour in warm]
    grown = min(stays[-_LEAST_OF_HOURS:]) - min(stays[:_LEAST_OF_HOURS])
    told(f"in use by hour, its least: {' '.join(str(hour['least'] - base) for hour in world.hours)}\n")
    return [
        ("node_heap_growth_bytes_24h", grown, f"bytes, least of {_LEAST_OF_HOURS} hours, from hour {_WARM_HOURS} to hour {len(world.hours) - 1}"),
        ("node_heap_swing_bytes_24h", max(stays) - min(stays), "bytes, least of an hour, between any two of these hours"),
        ("node_heap_used_kib", (max(hour["most"] for hour in warm) - base) / 1024, f"KiB of {HEAP_KIB} beside the code, 64-bit build"),
        ("node_heap_free_block_least_kib", min(free[_WARM_HOURS:]), "KiB, largest free block, its least"),
        ("node_heap_free_block_most_kib", max(free[_WARM_HOURS:]), "KiB, largest free block, its most"),
        ("node_heap_restarts", world.restarts, "restarts of the node"),
        ("node_heap_records", rows, "records booked"),
    ]  # fmt: skip


def sampling(told: Told, seconds: int = 120, hours: float = 6.0) -> list[Row]:
    """Measure how even the sampling is while the link fails: in real time, and hours of it with slow flash."""
    told(f"{seconds} s in real time")
    errors_us = sorted(asyncio.run(_even(seconds))["errors_us"])
    p99_ms = errors_us[len(errors_us) * 99 // 100] / 1000
    with tempfile.TemporaryDirectory(prefix="wheelpit-bench-") as name:
        world = FailingDay(Path(name), 0, heap="1m", stalls_ms=(400, 80))
        world.broker.manners.silent.add("CONNACK")  # it accepts and says nothing: nothing is ever receipted
        try:
            for hour in range(int(hours)):
                world.run(BEGIN_MS + (hour + 1) * HOUR_MS)
                told(f"{hour + 1} of {hours:g} hours with slow flash")
            world.run(BEGIN_MS + int(hours * HOUR_MS) + 60_000)
        finally:
            world.close()
    late = {int(ms): count for ms, count in world.hours[-1]["errors_ms"].items()}
    count = sum(late.values())
    return [
        ("node_sampling_p99_ms", p99_ms, f"ms, {len(errors_us)} periods in real time, the link failing"),
        (
            "node_sampling_max_ms",
            errors_us[-1] / 1000,
            "ms, the same; an erasure holds up 80 ms, the first 400",
        ),
        ("node_sampling_over_50ms", sum(1 for us in errors_us if us > 50_000), "periods, the same"),
        ("node_sampling_virtual_max_ms", max(late), f"ms of {count} periods in {hours:g} h of virtual time"),
        ("node_sampling_virtual_over_50ms", sum(n for ms, n in late.items() if ms > 50), "periods, the same"),
        ("node_sampling_virtual_p99_ms", _quantile(late, 0.99), "ms, the same"),
        ("node_sampling_virtual_erases", world.hours[-1]["erases"], "erasures, the same"),
    ]


def _quantile(counts: dict[int, int], share: float) -> int:
    left = share * sum(counts.values())
    for ms in sorted(counts):
        left -= counts[ms]
        if left <= 0:
            return ms
    return max(counts)


async def _even(seconds: int, stall_ms: int = 80) -> Any:
    """Let the node run in real time against what is no broker: it hangs up, is silent, or talks nonsense."""
    conversations = 0

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal conversations
        conversations += 1
        with contextlib.suppress(ConnectionError):
            if conversations % 3 == 0:
                writer.write(b"\x20\x02\x00\x00nonsense")
                await writer.drain()
            if conversations % 3 != 1:
                await reader.read()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    with socket.socket() as absent:
        absent.bind(("127.0.0.1", 0))  # and never listens
        words, environment = command(
            "micropython",
            ON_BOARD / "even.py",
            str(server.sockets[0].getsockname()[1]),
            str(absent.getsockname()[1]),
            str(seconds),
            str(stall_ms),
            heap="1m",
        )
        node = await asyncio.create_subprocess_exec(
            *words, env=environment, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
        )
        try:
            out, _ = await asyncio.wait_for(node.communicate(), seconds + 60)
        finally:
            if node.returncode is None:
                node.kill()
            server.close()
    if node.returncode:
        raise SystemExit(out.decode())
    return json.loads(out.splitlines()[-1])


def accuracy(told: Told, seconds: int = 7200) -> list[Row]:
    """Compare energy and speed with plants whose truth is known."""
    with tempfile.TemporaryDirectory(prefix="wheelpit-bench-") as name:
        folder = Path(name)
        told("energy, load steps, failed reads, starts anew")
        frames = seconds * 20
        starts = [frames * share // 100 for share in (7, 31, 32, 58, 90)]
        energy = measure(folder, scripted(10.4, 4, seconds, 5, starts=starts), 4, starts)
        told("energy at 5 W")
        few = measure(folder, scripted(8.0, 3, seconds // 4, 6, watts=5.0), 3, [frames // 8], 5.0)
        told("the twin")
        moments = of_the_twin(seconds // 6, 3)
        mean_w = sum(moment.joules for moment in moments) / (seconds // 6)
        twin = measure(folder, moments, 4, [frames // 12], mean_w)
        speeds = []
        for rpm in _SPEEDS_RPM:
            for magnets in range(1, 9):
                told(f"speed: {rpm:g} rpm, {magnets} magnets")
                speeds.append(measure(folder, scripted(rpm, magnets, 150, 10 + magnets), magnets))
    return [
        ("node_energy_error_pct", energy.energy_error_pct, f"% of {energy.given_j / 3.6e6:.3f} kWh in {seconds} s"),
        ("node_energy_starts", energy.starts, "starts in it"),
        ("node_energy_unmeasured_ms", energy.unmeasured_ms, "ms in it in which the bus did not answer"),
        ("node_energy_5w_error_pct", few.energy_error_pct, "% at a steady 5 W, two starts"),
        ("node_energy_twin_error_pct", twin.energy_error_pct, f"% against the twin, {seconds // 6} s, load and gate changing"),
        ("node_speed_error_pct", max(run.speed_error_pct for run in speeds), "%, worst of 5, 10, 23, 60 rpm x 1..8 magnets"),
        ("node_speed_twin_error_pct", twin.speed_error_pct, "% against the twin, means"),
    ]  # fmt: skip


def record_bytes(channels: tuple[str, ...]) -> float:
    """Return how many bytes of flash a record takes, head and key records included, at the grain where most."""
    most = 0.0
    for span_ms in _SPANS_MS:
        plant = Plant(channels, span_ms=span_ms)
        for _ in range(3000):  # a boot that has run for a while: totals are large
            plant.record()
        shape = flash_pack.shape_of(plant.layout.channel_mask, plant.layout.total_mask)
        segment = flash_segment.Segment()
        segment.start(b"8 bytes.", 1, 0, 0)
        while segment.add(plant.record(), shape):
            pass
        most = max(most, segment.used / segment.count)
    return most


def offline(told: Told, days: float = 30.0) -> list[Row]:
    """Live for a month without a host on half the file system of a Pico W, then have the host book what is left."""
    begun = time.monotonic()
    month = live(
        days, PICO_KIB, PICO_BLOCKS, 4, lambda progress: told(f"{progress}, {time.monotonic() - begun:.0f} s")
    )
    if not month.report["complete"]:
        sys.exit("the run was too short for its damaged byte and its power cut in a fold: give it more days")
    longest = max(month.longest_ms)
    whole = sum(ms * count for ms, count in month.longest_ms.items())
    words, environment = command("micropython", ON_BOARD / "flash_heap.py", str(PICO_KIB), heap="64m")
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=True)
    taken = json.loads(done.stdout.splitlines()[-1])
    wrong = sum(1 for name in month.truth if month.truth[name] != month.booked[name])
    return [
        (
            "node_offline_30d_error_mwh",
            month.error_mwh,
            f"mWh of {month.truth['charge_mwh']} in {days:g} days",
        ),
        ("node_offline_30d_totals_wrong", wrong, f"of {len(month.truth)} totals"),
        ("node_offline_30d_records", month.report["held"], "records"),
        ("node_offline_30d_lost", month.report["lost"], "records"),
        ("node_offline_30d_longest_min", longest / 60_000, "min, the coarsest record"),
        (
            "node_offline_30d_at_longest_pct",
            100 * longest * month.longest_ms[longest] / whole,
            "% of the time",
        ),
        ("node_offline_30d_boots", month.report["boots"], "boots"),
        ("node_offline_30d_gap_numbers", month.gaps, "record numbers"),
        ("flash_hottest_block_erases", month.report["hottest"], "erases"),
        ("flash_erases", month.report["erases"], "erases"),
        ("flash_least_free_blocks", month.report["least_free"], "blocks"),
        ("record_bytes_4ch", record_bytes(FOUR), "bytes"),
        ("record_bytes_12ch", record_bytes(TWELVE), "bytes"),
        ("flash_heap_bytes", taken["after"], "bytes"),
        ("flash_code_heap_bytes", taken["code"], "bytes"),
        ("flash_boot_scan_ms", taken["scan_ms"], f"ms here, {taken['segments']} segments"),
    ]


PARTS: Final[dict[str, Callable[..., list[Row]]]] = {
    "size": size,
    "heap": heap,
    "sampling": sampling,
    "accuracy": accuracy,
    "offline": offline,
}
