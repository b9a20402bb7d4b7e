"""The ADS1115 converter: four inputs of 16 bits on the I2C bus; registers as in its data sheet (SBAS444).

It makes one conversion when told to, and shows in its configuration register when that is done. Nothing waits: each
sample looks whether the conversion is done, takes it, and starts the next one. A conversion of 16 in a second takes
62.5 ms, so it is done by the next sample; one that is not done by the second sample after its start is a fault.
With several inputs in use they take turns, and a value stands until the next of that input, half a second at most.
"""

from micropython import const

from node.analogue import Line
from node.chipsettings import RANGES

TYPE_CHECKING = False
if TYPE_CHECKING:
    from hal import I2cBus

    from node.chipsettings import ConverterSettings

_CONVERSION = const(0x00)
_CONFIG = const(0x01)
_DONE = const(0x8000)  # when read: no conversion runs; when written: begin one
_BEGIN = const(0x8000)
_SINGLE = const(0x0100)
_RATE = const(1 << 5)  # 16 conversions a second
_NO_COMPARATOR = const(0x0003)
CODES = const(32768)  # to the full scale
_FULL = const(0x7FFF)
_DEADLINE = const(2)  # samples
_FAILURES = const(3)
_REST = const(10)
_RECOVER = const(10)


class Ads1115:
    """One chip; `add` its inputs, then call `update()` once per sample.

    fault: None, "absent" (never answered), "bus" (does not answer any more), "config" (not what was written to it:
    it lost its power, or is another chip), "stuck" (a conversion does not end).
    """

    __slots__ = (
        "_address", "_attempts", "_buffer", "_config", "_failures", "_i2c", "_inputs", "_met", "_rest", "_turn",
        "_waited", "fault",
    )  # fmt: skip

    def __init__(self, i2c: "I2cBus", address: int) -> None:
        self._i2c = i2c
        self._address = address
        self._buffer = bytearray(2)
        self._inputs: list[ConverterReader] = []
        self._turn = 0
        self._config = 0  # what was written for the conversion that runs, 0 when none does
        self._waited = 0
        self._met = False
        self._failures = 0
        self._attempts = 0
        self._rest = 0
        self.fault: str | None = "absent"

    def add(self, reader: "ConverterReader") -> None:
        """Take an input into the round."""
        self._inputs.append(reader)

    def update(self) -> None:
        """Take a conversion that is done and begin the next. Never raises."""
        if self._rest:
            self._rest -= 1
            return
        try:
            self._go_on()
        except OSError:
            self._failed()

    def _go_on(self) -> None:
        if self._config:
            found = self._get(_CONFIG)
            self._met = True
            if found & ~_DONE != self._config & ~_DONE:
                self._give_up("config")
            elif not found & _DONE:
                self._waited += 1
                if self._waited < _DEADLINE:
                    return
                self._give_up("stuck")
            else:
                code = self._get(_CONVERSION)
                self._failures = 0
                self.fault = None
                self._inputs[self._turn].take(code - 0x10000 if code & 0x8000 else code)
                self._turn = (self._turn + 1) % len(self._inputs)
        self._waited = 0
        config = self._inputs[self._turn].config
        self._config = 0
        self._put(_CONFIG, config)
        self._config = config

    def _give_up(self, fault: str) -> None:
        self.fault = fault
        self._forget()

    def _forget(self) -> None:
        """Let no value of before stand."""
        for reader in self._inputs:
            reader.code = None

    def _failed(self) -> None:
        self.fault = "bus" if self._met else "absent"
        self._forget()
        self._config = 0
        self._failures += 1
        if self._failures < _FAILURES:
            return
        if self._failures == _FAILURES:
            self._i2c.recover()
        self._rest = _REST
        self._attempts += 1
        if self._attempts % _RECOVER == 0:
            self._i2c.recover()

    def _get(self, register: int) -> int:
        self._i2c.readfrom_mem_into(self._address, register, self._buffer)
        return self._buffer[0] << 8 | self._buffer[1]

    def _put(self, register: int, value: int) -> None:
        self._buffer[0] = value >> 8
        self._buffer[1] = value & 0xFF
        self._i2c.writeto_mem(self._address, register, self._buffer)


class ConverterReader:
    """One input's channel in steps, against ground. `fault` says why `read()` gave None.

    config: what starts a conversion of this input. code: of its newest conversion, None before the first.
    """

    __slots__ = ("_chip", "_lifted", "_line", "code", "config", "fault")

    def __init__(self, chip: Ads1115, settings: "ConverterSettings") -> None:
        self._chip = chip
        self._line = Line(settings, CODES << 5)
        self._lifted = settings.zero_mv > 0
        self.config = (
            _BEGIN
            | (4 + settings.input) << 12
            | RANGES[settings.full_mv] << 9
            | _SINGLE
            | _RATE
            | _NO_COMPARATOR
        )
        self.code: int | None = None
        self.fault: str | None = None
        chip.add(self)

    def take(self, code: int) -> None:
        """Keep a conversion."""
        self.code = code

    def read(self) -> "int | None":
        """Return the value of the newest conversion."""
        self.fault = self._chip.fault
        code = self.code
        if self.fault is not None or code is None:
            return None
        if code >= _FULL or (self._lifted and code <= 0):
            self.fault = "railed"
            return None
        return self._line.value(code << 5)
