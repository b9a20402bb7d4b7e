"""The chips beside the board, as their data sheets describe them: the INA226 monitor, and the I2C bus they hang on.

Floating point is at home here: this is the analogue world that the firmware measures.
"""

_CONFIGURATION = 0x00
_SHUNT = 0x01
_BUS = 0x02
_POWER = 0x03
_CURRENT = 0x04
_CALIBRATION = 0x05
_MASK = 0x06
_LIMIT = 0x07
_MANUFACTURER = 0xFE
_DIE = 0xFF

_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
_TIMES_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
_RESET = 0x8000
_DEFAULT = 0x4127
_READY = 0x0008  # conversion ready flag
_OVERFLOW = 0x0004  # math overflow flag
_TRIGGERED = 4  # modes below make one average each time they are written
_MOST = 0x7FFF
_MOST_POWER = 0xFFFF
_SHUNT_STEP_V = 2.5e-6
_BUS_STEP_V = 1.25e-3


class Ina226Chip:
    """An INA226: power-on defaults, averaging over its conversion times, current and power as it computes them.

    Supply and shunt are fed by `feed`, in the order of time; the registers change when a whole average is done.
    """

    def __init__(self) -> None:
        self.power_on()

    def power_on(self) -> None:
        """Lose everything, as after a dip of the supply."""
        self.registers = {
            _CONFIGURATION: _DEFAULT,
            _SHUNT: 0,
            _BUS: 0,
            _POWER: 0,
            _CURRENT: 0,
            _CALIBRATION: 0,
            _MASK: 0,
            _LIMIT: 0,
            _MANUFACTURER: 0x5449,
            _DIE: 0x2260,
        }
        self._restart()

    def _restart(self) -> None:
        self._left_us = self.window_us()
        self._sum_us = 0.0
        self._bus_sum = 0.0
        self._shunt_sum = 0.0

    def window_us(self) -> int:
        """Return how long one average takes, 0 while the chip is asleep."""
        told = self.registers[_CONFIGURATION]
        mode = told & 7
        each_us = 0
        if mode & 1:
            each_us += _TIMES_US[told >> 3 & 7]
        if mode & 2:
            each_us += _TIMES_US[told >> 6 & 7]
        return each_us * _AVERAGES[told >> 9 & 7]

    def read(self, register: int) -> int:
        """Return a register; reading the mask register clears its ready flag."""
        if register not in self.registers:
            return 0
        value = self.registers[register]
        if register == _MASK:
            self.registers[_MASK] = value & ~_READY
        return value

    def write(self, register: int, value: int) -> None:
        """Write a register; the ones that only the chip writes keep their value."""
        if register == _CONFIGURATION:
            if value & _RESET:
                self.power_on()
            else:
                self.registers[_CONFIGURATION] = value & 0x7FFF
                self._restart()
        elif register == _CALIBRATION:
            self.registers[_CALIBRATION] = value & 0x7FFF
        elif register in (_MASK, _LIMIT):
            self.registers[register] = value & 0xFFFF

    def feed(self, duration_us: float, bus_v: float, shunt_v: float) -> None:
        """Let time pass with a voltage at the bus pin and a drop across the shunt."""
        while duration_us > 0 and self.window_us():
            part_us = min(duration_us, self._left_us)
            self._bus_sum += bus_v * part_us
            self._shunt_sum += shunt_v * part_us
            self._sum_us += part_us
            self._left_us -= part_us
            duration_us -= part_us
            if self._left_us <= 0:
                self._finish()
                # Of the whole windows of one steady input, only the last can be seen.
                window_us = self.window_us()
                if window_us and duration_us > window_us:
                    duration_us = window_us + duration_us % window_us

    def _finish(self) -> None:
        mode = self.registers[_CONFIGURATION] & 7
        shunt = _signed(self.registers[_SHUNT])
        if mode & 1:
            shunt = _steps(self._shunt_sum / self._sum_us / _SHUNT_STEP_V, -0x8000, 0x7FFF)
        if mode & 2:
            self.registers[_BUS] = _steps(self._bus_sum / self._sum_us / _BUS_STEP_V, 0, 0x7FFF)
        current = _toward_zero(shunt * self.registers[_CALIBRATION], 2048)
        power = abs(current) * self.registers[_BUS] // 20000
        flags = self.registers[_MASK] & ~_OVERFLOW | _READY
        if abs(current) > _MOST or power > _MOST_POWER:
            flags |= _OVERFLOW
        self.registers[_SHUNT] = shunt & 0xFFFF
        self.registers[_CURRENT] = current & 0xFFFF
        self.registers[_POWER] = power & 0xFFFF
        self.registers[_MASK] = flags
        self._restart()
        if mode < _TRIGGERED:
            self.registers[_CONFIGURATION] &= ~7


def _signed(value: int) -> int:
    return value - 0x10000 if value & 0x8000 else value


def _steps(value: float, least: int, most: int) -> int:
    return min(max(round(value), least), most)


def _toward_zero(product: int, divisor: int) -> int:
    return product // divisor if product >= 0 else -(-product // divisor)


class Monitor:
    """A chip with its shunt, wired into the plant as the twin said."""

    def __init__(self, chip, wiring: dict) -> None:
        self.chip = chip
        self._bus = wiring.get("bus")
        self._shunt = wiring.get("shunt")
        self._ohm = wiring.get("shunt_uohm", 0) * 1e-6
        self._sign = -1 if wiring.get("reversed") else 1
        self._zero_v = wiring.get("zero_ua", 0) * 1e-6 * self._ohm

    def frame(self, begin_us: int, end_us: int, mean: dict) -> None:
        """Live through a frame of the twin, with the mean of each channel over it."""
        bus_v = mean.get(self._bus) or 0.0
        amps = mean.get(self._shunt) or 0.0
        # What the wiring is off by is told as the channel shows it, so the sign turns with the shunt.
        self.chip.feed(end_us - begin_us, bus_v, self._sign * (amps * self._ohm + self._zero_v))


class Converter:
    """A converter with dividers at its inputs, wired into the plant as the twin said."""

    def __init__(self, chip, wiring: dict) -> None:
        self.chip = chip
        self._inputs = wiring.get("inputs", {})

    def frame(self, begin_us: int, end_us: int, mean: dict) -> None:
        """Live through a frame of the twin, with the mean of each channel over it."""
        millivolts = [0.0] * 4
        for place, wired in self._inputs.items():
            value = mean.get(wired["channel"]) or 0.0
            millivolts[int(place)] = value * wired["mv_per_unit"] + wired.get("zero_mv", 0)
        self.chip.feed(end_us - begin_us, millivolts)


def part(wiring: dict) -> "Monitor | Converter":
    """Return what hangs at an address, as the twin said."""
    kind = wiring["chip"]
    if kind == "ina226":
        return Monitor(Ina226Chip(), wiring)
    import finechips  # noqa: PLC0415 - no memory for them where none is fitted

    if kind == "ads1115":
        return Converter(finechips.Ads1115Chip(), wiring)
    return Monitor(finechips.Ina228Chip(), wiring)


class I2cBus:
    """A bus with chips on it, by address. An address without a chip does not acknowledge."""

    def __init__(self, monitors: dict, pump, powered) -> None:
        self._monitors = monitors
        self._pump = pump
        self._powered = powered
        self.recoveries = 0

    def _chip(self, address: int):
        self._pump()
        if address not in self._monitors or not self._powered():
            raise OSError(5)  # EIO, as the boards say it
        return self._monitors[address].chip

    def readfrom_mem_into(self, address: int, register: int, buffer: bytearray) -> None:
        """Read a register, its upper byte first."""
        value = self._chip(address).read(register)
        for i in range(len(buffer) - 1, -1, -1):
            buffer[i] = value & 0xFF
            value >>= 8

    def writeto_mem(self, address: int, register: int, buffer: bytearray) -> None:
        """Write a register."""
        self._chip(address).write(register, buffer[0] << 8 | buffer[1])

    def recover(self) -> None:
        """Free the bus; here there is nothing that could hold it."""
        self.recoveries += 1
