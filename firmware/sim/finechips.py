"""Finer chips beside the board, as their data sheets describe them: the INA228 monitor and the ADS1115 converter."""

_CONFIG = 0x00
_ADC_CONFIG = 0x01
_SHUNT_CAL = 0x02
_VSHUNT = 0x04
_VBUS = 0x05
_CURRENT = 0x07
_POWER = 0x08
_ENERGY = 0x09
_CHARGE = 0x0A
_TIMES_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
_NARROW = 0x0010
_SHUNT_STEP_V = 312.5e-9
_BUS_STEP_V = 195.3125e-6
_TOP = 0x7FFFF
_CONTINUOUS = 8  # modes from here on begin anew by themselves
_AGAINST_GROUND = 4  # inputs from here on; below, differences
_SOON_US = 1e-6


class Ina228Chip:
    """An INA228: 20 bits, and sums of charge and energy over its own windows, whose length `clock` may be off by.

    Supply and shunt are fed by `feed`, in the order of time. Registers of 24 bits carry their value in the upper 20;
    `read` returns a register in its own width.
    """

    def __init__(self, clock: float = 1.0) -> None:
        self.clock = clock
        self.power_on()

    def power_on(self) -> None:
        """Lose everything, as after a dip of the supply."""
        self.registers = {
            _CONFIG: 0,
            _ADC_CONFIG: 0xFB68,
            _SHUNT_CAL: 0x1000,
            0x03: 0,
            _VSHUNT: 0,
            _VBUS: 0,
            0x06: 0,
            _CURRENT: 0,
            _POWER: 0,
            _ENERGY: 0,
            _CHARGE: 0,
            0x0B: 0x0001,
            0x0C: 0x7FFF,
            0x0D: 0x8000,
            0x0E: 0x7FFF,
            0x0F: 0,
            0x10: 0x7FFF,
            0x11: 0xFFFF,
            0x3E: 0x5449,
            0x3F: 0x2281,
        }
        self._charge = 0.0  # in steps of the registers
        self._energy = 0.0
        self._restart()

    def _restart(self) -> None:
        self._left_us = self.window_us()
        self._sum_us = 0.0
        self._bus_sum = 0.0
        self._shunt_sum = 0.0

    def window_us(self) -> float:
        """Return how long one average takes, 0 while the chip is asleep or does nothing by itself."""
        told = self.registers[_ADC_CONFIG]
        mode = told >> 12
        if mode < _CONTINUOUS:
            return 0.0
        each_us = 0
        for bit, place in ((1, 9), (2, 6), (4, 3)):
            if mode & bit:
                each_us += _TIMES_US[told >> place & 7]
        return each_us * _AVERAGES[told & 7] / self.clock

    def read(self, register: int) -> int:
        """Return a register."""
        return self.registers.get(register, 0)

    def write(self, register: int, value: int) -> None:
        """Write a register of 16 bits; the ones that only the chip writes keep their value."""
        if register == _CONFIG:
            if value & 0x8000:
                self.power_on()
                return
            if value & 0x4000:
                self._charge = self._energy = 0.0
                self.registers[_CHARGE] = self.registers[_ENERGY] = 0
            self.registers[_CONFIG] = value & 0x3FF0
            return
        if register == _ADC_CONFIG:
            self.registers[_ADC_CONFIG] = value
            self._restart()
        elif register == _SHUNT_CAL:
            self.registers[_SHUNT_CAL] = value & 0x7FFF

    def feed(self, duration_us: float, bus_v: float, shunt_v: float) -> None:
        """Let time pass with a voltage at the bus pin and a drop across the shunt."""
        while duration_us > 0 and self.window_us():
            part_us = min(duration_us, self._left_us)
            self._bus_sum += bus_v * part_us
            self._shunt_sum += shunt_v * part_us
            self._sum_us += part_us
            self._left_us -= part_us
            duration_us -= part_us
            if self._left_us <= _SOON_US:
                self._finish()

    def _finish(self) -> None:
        narrow = bool(self.registers[_CONFIG] & _NARROW)
        step_v = _SHUNT_STEP_V / 4 if narrow else _SHUNT_STEP_V
        shunt = _steps(self._shunt_sum / self._sum_us / step_v, -_TOP - 1, _TOP)
        bus = _steps(self._bus_sum / self._sum_us / _BUS_STEP_V, 0, _TOP)
        # SHUNT_CAL = 13107.2e6 x current step x ohm (x 4 if narrow) is 4096 for a current step of a shunt step per ohm.
        calibration = self.registers[_SHUNT_CAL]
        current = int(shunt * 4096 / calibration) if calibration else 0
        # The power step is 3.2 current steps x 1 V.
        power = int(abs(current) * bus * _BUS_STEP_V / 3.2)
        seconds = self.window_us() * self.clock / 1e6
        self._charge += current * seconds
        self._energy += power * seconds / 16
        self.registers[_VSHUNT] = (shunt & 0xFFFFF) << 4
        self.registers[_VBUS] = bus << 4
        self.registers[_CURRENT] = (current & 0xFFFFF) << 4
        self.registers[_POWER] = power
        self.registers[_CHARGE] = int(self._charge // 1) & 0xFFFFFFFFFF
        self.registers[_ENERGY] = int(self._energy) & 0xFFFFFFFFFF
        self._restart()


class Ads1115Chip:
    """An ADS1115 with its four inputs against ground: a conversion at a time, or one after the other."""

    RANGES_MV = (6144, 4096, 2048, 1024, 512, 256, 256, 256)
    RATES = (8, 16, 32, 64, 128, 250, 475, 860)

    def __init__(self) -> None:
        self.power_on()

    def power_on(self) -> None:
        """Lose everything, as after a dip of the supply."""
        self.config = 0x8583
        self.code = 0
        self.hangs = False  # a conversion then never ends
        self._left_us = 0.0
        self._sum = 0.0
        self._us = 0.0

    def read(self, register: int) -> int:
        """Return a register of 16 bits."""
        if register == 0:
            return self.code & 0xFFFF
        if register == 1:
            return self.config & 0x7FFF | (0 if self._left_us > 0 else 0x8000)
        return (0, 0, 0x8000, 0x7FFF)[register & 3]

    def write(self, register: int, value: int) -> None:
        """Write a register; the upper bit of the configuration begins a conversion."""
        if register != 1:
            return
        self.config = value & 0x7FFF
        if value & 0x8000 or not value & 0x0100:
            self._begin()

    def _begin(self) -> None:
        self._left_us = 1e6 / self.RATES[self.config >> 5 & 7]
        self._sum = self._us = 0.0

    def feed(self, duration_us: float, millivolts: list) -> None:
        """Let time pass with voltages at the four inputs."""
        place = self.config >> 12 & 7
        if place >= _AGAINST_GROUND:
            seen_mv = millivolts[place - 4]
        else:
            plus, minus = ((0, 1), (0, 3), (1, 3), (2, 3))[place]
            seen_mv = millivolts[plus] - millivolts[minus]
        while duration_us > 0 and self._left_us > 0 and not self.hangs:
            part_us = min(duration_us, self._left_us)
            self._sum += seen_mv * part_us
            self._us += part_us
            self._left_us -= part_us
            duration_us -= part_us
            if self._left_us <= _SOON_US:
                full_mv = self.RANGES_MV[self.config >> 9 & 7]
                self.code = _steps(self._sum / self._us / full_mv * 32768, -32768, 32767)
                self._left_us = 0.0
                if not self.config & 0x0100:
                    self._begin()


def _steps(value: float, least: int, most: int) -> int:
    return min(max(round(value), least), most)
