"""The RP2's programmable input: its instructions put together after the data sheet, and run in an emulator."""

from __future__ import annotations

import importlib
import sys
import types
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pioemu import State, emulate

if TYPE_CHECKING:
    from collections.abc import Callable

RP2: Final = Path(__file__).resolve().parents[2] / "firmware" / "boards" / "rp2"
_CONDITIONS: Final = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6, "not_osre": 7}
_REGISTERS: Final = {"x": 1, "y": 2}


class Assembler:
    """The few instructions that the program uses, RP2040 data sheet, 3.4: opcode, delay and arguments of each.

    Offers the words of MicroPython's assembler: a function written for it is called once for the labels and once
    for the words.
    """

    def __init__(self) -> None:
        self.labels: dict[str, int] = {}
        self.words: list[int] = []
        self.wrap_target = 0
        self.wrap_top = 0

    def assemble(self, program: Callable[[], None]) -> None:
        offered: dict[str, Any] = {name: name for name in (*_CONDITIONS, *_REGISTERS, "noblock")}
        offered["label"] = lambda name: self.labels.__setitem__(name, len(self.words))
        offered["wrap_target"] = lambda: setattr(self, "wrap_target", len(self.words))
        offered["wrap"] = lambda: setattr(self, "wrap_top", len(self.words) - 1)
        offered["set"] = lambda to, value: self._word(0b111 << 13 | _REGISTERS[to] << 5 | value)
        offered["in_"] = lambda source, bits: self._word(0b010 << 13 | _REGISTERS[source] << 5 | bits)
        offered["push"] = lambda _noblock: self._word(0b100 << 13)
        offered["jmp"] = self._jmp
        for _ in range(2):
            self.words.clear()
            types.FunctionType(program.__code__, offered)()

    def _jmp(self, condition: str, target: str | None = None) -> Assembler:
        if target is None:
            return self._word(self.labels.get(condition, 0))
        return self._word(_CONDITIONS[condition] << 5 | self.labels.get(target, 0))

    def _word(self, word: int) -> Assembler:
        self.words.append(word)
        return self

    def __getitem__(self, delay: int) -> Assembler:
        self.words[-1] |= delay << 8
        return self


class Pin:
    """The names of a pin's settings; the line itself is `Line`."""

    IN, OUT, PULL_UP, IRQ_FALLING = range(4)

    def __init__(self, number: int, *_settings: int) -> None:
        self.number = number


@dataclass
class Line:
    """The line at the pickup: high, and low from `begin` to `end` for each pair [us], in order."""

    lows: list[tuple[int, int]] = field(default_factory=list)
    at: int = 0

    def level(self, now_us: int) -> int:
        while self.at < len(self.lows) and now_us >= self.lows[self.at][1]:
            self.at += 1
        return 0 if self.at < len(self.lows) and now_us >= self.lows[self.at][0] else 1

    def next_change_us(self, now_us: int) -> int | None:
        self.level(now_us)
        if self.at == len(self.lows):
            return None
        begin, end = self.lows[self.at]
        return begin if now_us < begin else end


class StateMachine:
    """The program in the emulator, one cycle a microsecond; `run_to` lets time pass.

    While the line holds still the program only counts down, four cycles a loop: such stretches are leapt over,
    which `leaping` can forbid. The emulator's queue takes four words, the chip's joined one eight.
    """

    def __init__(self, assembled: Assembler, line: Line, *, leaping: bool = True) -> None:
        self._program = assembled
        self._line = line
        self._leaping = leaping
        self.state = State()
        self.frequency = 0

    def active(self, _on: int) -> None:
        pass

    def rx_fifo(self) -> int:
        return len(self.state.receive_fifo)

    def get(self) -> int:
        return int(self.state.receive_fifo.popleft())

    def run_to(self, end_us: int) -> None:
        while self.state.clock < end_us:
            self._leap(end_us)
            self._cycles(min(end_us, self.state.clock + 4000))

    def _leap(self, end_us: int) -> None:
        """Skip whole loops in which nothing can happen; only from the first word of a waiting loop."""
        labels = self._program.labels
        state = self.state
        now_us = state.clock
        level = self._line.level(now_us)
        if not self._leaping or state.program_counter != labels["high" if level else "low"]:
            return
        change_us = self._line.next_change_us(now_us)
        until_us = end_us if change_us is None else min(end_us, change_us)
        loops = (until_us - now_us) // 4 - 2
        if loops > 0:
            self.state = replace(
                state, clock=now_us + 4 * loops, x_register=(state.x_register - loops) & 0xFFFFFFFF
            )

    def _cycles(self, end_us: int) -> None:
        """Emulate until the end is reached, or the program waits again and could leap."""
        waiting = {self._program.labels["high"], self._program.labels["low"]}
        began_us = self.state.clock

        def stop(_opcode: int, state: State) -> bool:
            if state.clock >= end_us:
                return True
            return self._leaping and state.program_counter in waiting and state.clock > began_us + 40

        def level(clock: int) -> int:
            return self._line.level(clock)

        level.__annotations__["clock"] = int  # by which the emulator knows what to call it with
        for _before, after in emulate(
            self._program.words,
            stop_when=stop,
            initial_state=self.state,
            input_source=level,
            shift_isr_right=False,
            jmp_pin=0,
            wrap_target=self._program.wrap_target,
            wrap_top=self._program.wrap_top,
        ):
            self.state = after


def load() -> tuple[Any, Assembler]:
    """Return the board's module and its program, put together on the way in."""
    assembled = Assembler()

    def asm_pio(**_settings: int) -> Callable[[Callable[[], None]], Assembler]:
        def take(program: Callable[[], None]) -> Assembler:
            assembled.assemble(program)
            return assembled

        return take

    rp2 = types.ModuleType("rp2")
    machine = types.ModuleType("machine")
    vars(rp2).update(asm_pio=asm_pio, PIO=types.SimpleNamespace(SHIFT_LEFT=0, JOIN_RX=2), StateMachine=None)
    vars(machine).update(Pin=Pin, disable_irq=lambda: 0, enable_irq=lambda _state: None)
    before = {name: sys.modules.get(name) for name in ("rp2", "machine")}
    sys.modules.update(rp2=rp2, machine=machine)
    sys.path.insert(0, str(RP2))
    try:
        sys.modules.pop("pio_edges", None)
        return importlib.import_module("pio_edges"), assembled
    finally:
        sys.path.remove(str(RP2))
        for name, module in before.items():
            if module is None:
                del sys.modules[name]
            else:
                sys.modules[name] = module
