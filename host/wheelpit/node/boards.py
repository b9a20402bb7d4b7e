"""Which pins of a board may be what, and whether a node's settings fit them.

Sources: RP2040 data sheet 2.19.2 and RP2350 data sheet 9.4 (functions of the pins), Pico W and Pico 2 W data sheets
(pins that are led out; GP23, 24, 25 and 29 belong to the radio), ESP32 data sheet 2.2 to 2.4 (input-only pins,
strapping pins, pins of the flash), ESP-IDF ADC notes (the second converter cannot be read while Wi-Fi runs).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Iterator

_RP2_PINS: Final = (*range(23), 26, 27, 28)
_RP2_ADC: Final = (26, 27, 28)
# An input of ours always has the board's pull-up on. Left out: 0 (the button that stops the node at start), 1 and 3
# (console), 2 and 12 (a pull-up there stops the board from starting or from being written), 6 to 11 (flash), and
# 34 to 39, which have no pull-up.
_ESP32_PULLED_UP: Final = (4, 5, 13, 14, 15, 16, 17, 18, 19, 21, 22, 23, 25, 26, 27, 32, 33)
_DIGITAL: Final = ("wire_pin", "data_pin", "clock_pin")  # of chips that have wires of their own
_ESP32_ADC: Final = (32, 33, 34, 35, 36, 37, 38, 39)


class BoardError(WheelpitError):
    """Settings that a board cannot serve: one line for each pin."""


@dataclass(frozen=True, slots=True)
class BoardKind:
    """One kind of board.

    name: as it is given on the command line. port: MicroPython's name for the chip's family, and our folder in
    `firmware/boards`. machine: what the board's own description contains. pulse: pins for a pickup or a switch,
    with a pull-up. analogue: pins with a converter. i2c: pairs of tuples, the pins for data and clock of each bus.
    preset: the usual wiring. notes: one sentence each. lamp: the board's own lamp, None where boards of this kind differ.
    """

    name: str
    title: str
    port: str
    machine: str
    pulse: tuple[int, ...]
    analogue: tuple[int, ...]
    i2c: tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]
    preset: dict[str, int | tuple[int, ...]]
    notes: tuple[str, ...]
    lamp: str | None = None


def _rp2_i2c(bus: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return data and clock pins of a bus: the function repeats every four pins."""
    return tuple(p for p in _RP2_PINS if p % 4 == 2 * bus), tuple(
        p for p in _RP2_PINS if p % 4 == 2 * bus + 1
    )


_RP2: Final[dict[str, Any]] = {
    "port": "rp2",
    "pulse": _RP2_PINS,
    "lamp": "LED",
    "analogue": _RP2_ADC,
    "i2c": (_rp2_i2c(0), _rp2_i2c(1)),
    "preset": {"pickup": 15, "switch": 14, "i2c_bus": 0, "i2c_sda": 4, "i2c_scl": 5, "analogue": _RP2_ADC},
}
BOARDS: Final[dict[str, BoardKind]] = {
    "pico-w": BoardKind(
        name="pico-w",
        title="Pico W",
        machine="Pico W",
        notes=(
            "Give every pickup and switch a pull-up of 4.7 to 10 kohm to 3.3 V of its own; the one in the chip is weak.",
        ),
        **_RP2,
    ),
    "pico-2-w": BoardKind(
        name="pico-2-w",
        title="Pico 2 W",
        machine="Pico 2 W",
        notes=(
            (
                "No pull-downs: early chips of this kind hold a pulled-down or floating input at about 2.2 V "
                "(erratum RP2350-E9). Give every pickup and switch a pull-up of 4.7 to 10 kohm to 3.3 V."
            ),
            "Keep what feeds an analogue pin below 8 kohm, for the same reason.",
        ),
        **_RP2,
    ),
    "esp32": BoardKind(
        name="esp32",
        title="ESP32",
        port="esp32",
        machine="ESP32",
        pulse=_ESP32_PULLED_UP,
        analogue=_ESP32_ADC,
        i2c=((_ESP32_PULLED_UP, _ESP32_PULLED_UP), (_ESP32_PULLED_UP, _ESP32_PULLED_UP)),
        preset={
            "pickup": 27,
            "switch": 26,
            "i2c_bus": 0,
            "i2c_sda": 21,
            "i2c_scl": 22,
            "analogue": (32, 33, 34, 35),
        },
        notes=(
            "Only the first converter (pins 32 to 39) can be read while Wi-Fi runs.",
            "Pins 16 and 17 belong to the extra memory on boards that have it.",
            "An analogue pin reads true only from about 0.15 V to 2.4 V: size dividers for that.",
        ),
    ),
}


def board_kind(name: str) -> BoardKind:
    """Return a kind of board by its name; raise BoardError with the names there are."""
    try:
        return BOARDS[name]
    except KeyError:
        msg = f'board "{name}": not known; use one of {", ".join(BOARDS)}'
        raise BoardError(msg) from None


def listed(pins: tuple[int, ...]) -> str:
    """Return pins as a person writes them: runs of three or more as `4 to 7`."""
    parts: list[str] = []
    runs: list[list[int]] = []
    for pin in pins:
        if runs and pin == runs[-1][-1] + 1:
            runs[-1].append(pin)
        else:
            runs.append([pin])
    for run in runs:
        parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(pin) for pin in run]  # noqa: PLR2004 - a run
    return ", ".join(parts)


def check_pins(settings: dict[str, Any], board: BoardKind) -> None:
    """Check that every pin of a node's settings can do on this board what is asked of it.

    Args:
        settings: What goes into `settings.json`.
        board: The kind of board.

    Raises:
        BoardError: Some pins cannot; one line each, with the pins that can.
    """
    problems = list(_problems(settings, board))
    if problems:
        raise BoardError("\n".join(problems))


def _problems(settings: dict[str, Any], board: BoardKind) -> Iterator[str]:
    channels = settings["channels"]
    inputs = {
        f"{name}.pin": told["pin"]
        for name, told in settings.items()
        if isinstance(told, dict) and "pin" in told
    }
    if "parked_pin" in settings:
        inputs["parked_pin"] = settings["parked_pin"]
    for channel, told in channels.items():
        inputs |= {f"{channel}.{name}": told[name] for name in _DIGITAL if name in told}
    for field, pin in inputs.items():
        if pin not in board.pulse:
            yield f"{field} = {pin}: no input with a pull-up on the {board.title}; use one of {listed(board.pulse)}"
    yield from _guard_problems(settings.get("guard", {}), board)
    for channel, told in channels.items():
        if told["chip"] == "adc" and told["pin"] not in board.analogue:
            yield (
                f"{channel}: pin {told['pin']} has no analogue converter that the {board.title} can read; "
                f"use one of {listed(board.analogue)}"
            )
    if any("address" in told for told in channels.values()):
        yield from _bus_problems(settings["i2c"], board)


def _guard_problems(guard: dict[str, Any], board: BoardKind) -> Iterator[str]:
    for name in ("lamp_pin", "buzzer_pin", "act_pin", "reset_pin"):
        if name in guard and guard[name] not in board.pulse:
            yield (
                f"guard.{name} = {guard[name]}: no pin of the {board.title} that can do this; "
                f"use one of {listed(board.pulse)}"
            )


def _bus_problems(i2c: dict[str, Any], board: BoardKind) -> Iterator[str]:
    bus = i2c["bus"]
    if not 0 <= bus < len(board.i2c):
        yield f"i2c.bus = {bus}: the {board.title} has I2C buses 0 to {len(board.i2c) - 1}"
        return
    for field, may in zip(("sda", "scl"), board.i2c[bus], strict=True):
        if i2c[field] not in may:
            what = "data" if field == "sda" else "clock"
            yield (
                f"i2c.{field} = {i2c[field]}: cannot be the {what} line of bus {bus} on the {board.title}; "
                f"use one of {listed(may)}"
            )


def as_text(board: BoardKind) -> str:
    """Return what a person needs to know to wire a board."""
    preset = board.preset
    analogue = preset["analogue"]
    assert isinstance(analogue, tuple)  # noqa: S101 - the table above says so
    usual = (
        f"pickup {preset['pickup']}, switch {preset['switch']}, I2C bus {preset['i2c_bus']} "
        f"data {preset['i2c_sda']} clock {preset['i2c_scl']}, analogue {listed(analogue)}"
    )
    lines = [
        f"{board.title}: pins by number (GP or GPIO), not by place",
        f"  usual wiring   {usual}",
        f"  pickup, switch {listed(board.pulse)}",
        f"  analogue       {listed(board.analogue)}",
    ]
    for number, (data, clock) in enumerate(board.i2c):
        lines.append(f"  I2C bus {number}      data {listed(data)}; clock {listed(clock)}")
    return "\n".join([*lines, *(f"  {note}" for note in board.notes)])
