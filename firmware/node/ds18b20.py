"""The DS18B20 thermometer on a one-wire bus; commands and scratchpad as in its data sheet.

A conversion takes up to 750 ms. Nothing waits for it: every twelfth sample reads the result of the last conversion
and starts the next, so a value stands for 1.2 s. After a loss of power the scratchpad reads 85.00 degrees until the
first conversion: that reading is refused. A winding that truly is at 85 passes by it in a moment.
"""

from micropython import const

from node.chipsettings import crc8

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Protocol

    from node.chipsettings import ThermometerSettings

    class OneWire(Protocol):
        """A one-wire bus."""

        def reset(self) -> bool:
            """Wake the bus; return whether anybody is there."""

        def writebyte(self, value: int) -> object:
            """Write a byte."""

        def readbyte(self) -> int:
            """Read a byte."""


_SKIP_ROM = const(0xCC)
_MATCH_ROM = const(0x55)
_CONVERT = const(0x44)
_READ = const(0xBE)
_SCRATCHPAD = const(9)
_FIXED = const(0x9F)  # bits of the configuration that never change ...
_FIXED_ONES = const(0x1F)  # ... and what they are
_POWER_ON = const(0x0550)  # 85.00 degrees
_LEAST = const(-880)  # -55 and +125 degrees, in sixteenths: the chip's range
_MOST = const(2000)
_PERIOD = const(12)  # samples from one conversion to the next


class Thermometer:
    """One chip's temperature in hundredths of a degree. Call `update()` once per sample. `fault` says why there is none.

    "absent": nobody has answered since boot. "bus": nobody answers any more, or the check byte is wrong. "config": not
    this chip, or it lost its power since it was last asked. "range": beyond what the chip can measure.
    """

    __slots__ = ("_bus", "_met", "_pad", "_rom", "_value", "_wait", "fault")

    def __init__(self, bus: "OneWire", settings: "ThermometerSettings") -> None:
        self._bus = bus
        self._rom = bytes.fromhex(settings.rom) if settings.rom else None
        self._pad = bytearray(_SCRATCHPAD)
        self._wait = 0
        self._met = False
        self._value: int | None = None
        self.fault: str | None = "absent"

    def update(self) -> None:
        """Read the last conversion and start the next, when it is time. Never raises."""
        if self._wait:
            self._wait -= 1
            return
        self._wait = _PERIOD - 1
        if self.fault != "absent" or self._met:
            self.fault = self._read()
        elif self._address():
            self._met = True
            self.fault = "config"  # no conversion was asked for yet
        if self.fault is not None:
            self._value = None
        if self._met and self._address():
            self._bus.writebyte(_CONVERT)

    def read(self) -> "int | None":
        """Return the temperature of the newest conversion."""
        return self._value

    def _read(self) -> "str | None":
        if not self._address():
            return "bus"
        self._bus.writebyte(_READ)
        pad = self._pad
        for i in range(_SCRATCHPAD):
            pad[i] = self._bus.readbyte()
        if crc8(pad):  # of the data and their check byte: zero
            return "bus"
        # A line that is held down reads as zeros, and zeros check out; a chip's configuration is never zero.
        if pad[4] & _FIXED != _FIXED_ONES:
            return "config" if any(pad) else "bus"
        raw = pad[1] << 8 | pad[0]
        if raw == _POWER_ON:
            return "config"
        if raw & 0x8000:
            raw -= 0x10000
        if not _LEAST <= raw <= _MOST:
            return "range"
        self._value = (raw * 25 + 2) >> 2
        return None

    def _address(self) -> bool:
        """Wake the bus and name the chip; return whether anybody is there."""
        if not self._bus.reset():
            return False
        if self._rom is None:
            self._bus.writebyte(_SKIP_ROM)
            return True
        self._bus.writebyte(_MATCH_ROM)
        for byte in self._rom:
            self._bus.writebyte(byte)
        return True
