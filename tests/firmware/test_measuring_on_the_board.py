"""The measuring side under the interpreter of the boards: same records, small heap, no allocation in the interrupt."""

from __future__ import annotations

import json
import subprocess
from typing import TYPE_CHECKING, Any

import pytest
from compiled import NODE, compile_modules, compiled_command
from interpreters import FIRMWARE, ON_BOARD, command
from test_settings import GOOD

if TYPE_CHECKING:
    from pathlib import Path

WRAP = 1 << 30
# In the order in which they need each other.
MEASURING = [
    "names",
    "fields",
    "clock",
    "records",
    "pattern",
    "chipsettings",
    "settings",
    "pulses",
    "pins",
    "wifi",
    "tally",
    "readers",
    "recorder",
    "sampler",
    "analogue",
    "ina226",
]
# Imported only where the settings ask for them.
FITTED = ["counted", "shaft", "ina228", "ads1115", "ds18b20", "hx711"]
HEAP_KIB = 128


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the modules as they lie on a board."""
    folder = tmp_path_factory.mktemp("board")
    compile_modules(folder, NODE.glob("*.py"))
    return folder


def imported(board: Path, *modules: str) -> dict[str, int]:
    """Import modules one after the other and return the heap in use after each."""
    words, environment = compiled_command(board, "imports.py", *modules, heap=f"{HEAP_KIB}k")
    done = subprocess.run(
        words, cwd=board, env=environment, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    used: dict[str, int] = json.loads(done.stdout)
    return used


def run(
    interpreter: str, script: str, *arguments: str, search: tuple[Path, ...] = (), heap: str = "128k"
) -> list[Any]:
    """Run a script and return the JSON of its lines."""
    words, environment = command(interpreter, ON_BOARD / script, *arguments, search=search, heap=heap)
    done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def measured(interpreter: str, folder: Path, **changes: Any) -> list[Any]:
    """Measure as told and return the records."""
    found = {
        "settings": GOOD,
        "from_us": 0,
        "spacing_deg": [80, 100, 90, 90],
        "rpm": 10.4,
        "bus_v": 13.5,
        "amps": 5.4,
        "raw": 13_196,
        "seconds": 60,
        "anchor_ms": 1_790_000_003_300,
    }
    path = folder / "told.json"  # MicroPython takes no argument above 255 bytes
    path.write_text(json.dumps({**found, **changes}))
    # The simulated chips take their part of the heap; they are not on a board.
    return run(interpreter, "measuring.py", str(path), search=(FIRMWARE / "sim",), heap="256k")


@pytest.mark.parametrize("from_us", [0, WRAP - 30_000_000])
def test_both_interpreters_make_the_same_records(tmp_path: Path, from_us: int) -> None:
    on_board = measured("micropython", tmp_path, from_us=from_us)
    on_cpython = measured("cpython", tmp_path, from_us=from_us)
    assert on_board == on_cpython
    assert len(on_board) >= 6
    last = on_board[-1]
    assert last["end_ms"] % 10_000 == 0
    assert last["span_ms"] == last["dur_ms"] == 10_000
    rpm, rectified, volts, amps, _degc = last["mean"]
    assert rpm == pytest.approx(10_400, rel=1e-3)
    assert rectified == pytest.approx(20_800, abs=3)
    assert (volts, amps) == (13_500, 5_400)
    assert last["boot"] == 3
    assert last["state"] == "turning"


def test_five_watts_on_the_board(tmp_path: Path) -> None:
    records = measured("micropython", tmp_path, bus_v=12.5, amps=0.4, seconds=125)
    first, last = records[0], records[-1]
    mwh = last["total"][10] - first["total"][10]
    ms = last["total"][13] - first["total"][13]
    assert mwh == pytest.approx(5000 * ms / 3_600_000, abs=1)
    assert ms >= 100_000


def test_f22_the_interrupt_allocates_nothing() -> None:
    assert run("micropython", "isr.py") == [{"ring": True, "careless": False, "taken": 64, "lost": 136}]


def test_f32_the_measuring_side_fits_into_a_small_heap(board: Path) -> None:
    used = imported(board, *MEASURING)
    assert set(used) == set(MEASURING)
    # Here a word has 64 bits, so this is nearly twice what a board needs. A quarter stays for what the code makes.
    assert max(used.values()) < HEAP_KIB * 1024 * 3 // 4


def test_f15_a_sample_takes_nothing_from_the_heap_and_a_record_little() -> None:
    (found,) = run("micropython", "garbage.py", heap="500k")
    assert found["standing"] == {"mean": 0, "most": 0, "records": 0}
    assert (found["full"]["mean"], found["full"]["most"]) == (0, 0)
    # What a record is made of: it lives until it is in the journal. A board needs half of this a word.
    assert found["records"]["records"] == 5
    assert found["records"]["most"] < 3_000
    assert found["records"]["mean"] < 60


def test_a_driver_that_nobody_asks_for_is_not_loaded(board: Path) -> None:
    used = imported(board, *MEASURING, *FITTED)
    assert used["hx711"] - used["ina226"] > 5_000  # what the boards without them save


@pytest.mark.parametrize("module", [*MEASURING, *FITTED])
def test_each_module_can_be_imported_alone(module: str, board: Path) -> None:
    assert set(imported(board, module)) == {module}


def test_every_chip_and_the_alternator_on_the_board(tmp_path: Path) -> None:
    settings = {
        **GOOD,
        "alternator": {"pin": 16, "pulses_per_turn": 8},
        "channels": {
            "battery_v": {"chip": "ina228", "address": 64, "reads": "bus"},
            "charge_a": {
                "chip": "ina228", "address": 64, "reads": "current", "shunt_uohm": 1500, "range_ma": 27_000
            },
            "rectified_v": {"chip": "ads1115", "address": 72, "input": 1, "gain_ppm": 31_303_030},
            "stage_m": {"chip": "ads1115", "address": 72, "input": 2, "gain_ppm": 2_083_333, "zero_mv": 600},
            "battery_degc": {"chip": "ds18b20", "wire_pin": 22},
            "shaft_nm": {"chip": "hx711", "data_pin": 10, "clock_pin": 11, "step_ppm": 2500},
        },
    }  # fmt: skip
    told = {"settings": settings, "seconds": 80}
    on_board = measured("micropython", tmp_path, **told)
    assert on_board == measured("cpython", tmp_path, **told)
    last = on_board[-1]
    assert last["faults"] == [None] * 8
    rpm, alternator, rectified, volts, stage, amps, degc, torque = last["mean"]
    assert rpm == pytest.approx(10_400, rel=1e-3)
    assert alternator == pytest.approx(187_200, rel=1e-3)  # 18 times as fast
    assert (rectified, stage) == (pytest.approx(20_800, abs=4), pytest.approx(1230, abs=1))
    assert (volts, amps) == (13_500, 5_400)
    assert degc == 2150
    assert torque == 1000
