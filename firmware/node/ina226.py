"""The INA226 current and voltage monitor: registers as in its data sheet (SBOS547).

The chip averages by itself without a pause: 128 pairs of a 588 us look at the shunt and a 204 us look at the
bus make a window of 101.4 ms, the sample interval within the 10 % to which the chip's own clock is good. Of the
steps that come as near, this one takes the most looks, so that a chopped current (a controller's pulse width,
an inverter's ripple) beats with them only above 1.2 kHz. What the product of the two means then leaves out of the
energy of a chopped current is the product of their ripples.

The current register is the shunt register scaled and cut off by the chip; here the shunt register itself is
scaled, exactly, and what does not make a whole milliampere is carried to the next sample: nothing drifts away in
180 days. The calibration register is written all the same. It is zero after a loss of power, so together with
the configuration it tells that the chip restarted on its own.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from hal import I2cBus

    from node.chipsettings import MonitorSettings

_CONFIGURATION = const(0x00)
_SHUNT = const(0x01)  # 2.5 uV a step, two's complement
_BUS = const(0x02)  # 1.25 mV a step
_CALIBRATION = const(0x05)
_MANUFACTURER = const(0xFE)
_DIE = const(0xFF)

_TEXAS = const(0x5449)
_INA226 = const(0x226)  # in the upper twelve bits; the lower four are the revision
# 0100 | average of 128 | bus 204 us | shunt 588 us | both, continuously
CONFIGURATION = const(0x485F)
WINDOW_US = const(101_376)
# With 0.00512 / (current step x shunt) = 2048 the current register equals the shunt register.
CALIBRATION = const(2048)

_FULL = const(0x7FFF)
_BUS_MAX = const(28_800)  # 36 V, the chip's rating
_FAILURES = const(3)  # in a row, until the chip is set up anew
_REST = const(10)  # samples between attempts to set up a chip that does not answer
_RECOVER = const(10)  # and every tenth attempt frees the bus first
_CHECK = const(10)  # samples between looks at the registers that a loss of power would clear
_SETTLE = const(1)  # samples after setting up that may not hold a whole window yet


class Ina226:
    """One chip. `update()` reads it once per sample; then `bus` and `shunt` are its registers, or `fault` says why not.

    fault: None, "absent" (never answered), "bus" (does not answer any more), "config" (not an INA226, or it lost
    its configuration and is being set up).
    """

    __slots__ = (
        "_address", "_attempts", "_buffer", "_check", "_failures", "_i2c", "_met", "_ready", "_rest", "_settle",
        "bus", "fault", "shunt",
    )  # fmt: skip

    def __init__(self, i2c: "I2cBus", address: int) -> None:
        self._i2c = i2c
        self._address = address
        self._buffer = bytearray(2)
        self._ready = False
        self._met = False  # whether it answered since boot
        self._failures = 0
        self._attempts = 0
        self._rest = 0
        self._settle = 0
        self._check = 0
        self.bus = 0
        self.shunt = 0
        self.fault: str | None = "absent"

    def update(self) -> None:
        """Read both registers; set up the chip first where that is needed. Never raises."""
        if self._rest:
            self._rest -= 1
            return
        try:
            if self._ready:
                self._read()
            else:
                self._set_up()
        except OSError:
            self._failed()

    def _read(self) -> None:
        if self._lost_its_registers():
            self._ready = False
            self.fault = "config"
            return
        shunt = self._get(_SHUNT)
        self.shunt = shunt - 0x10000 if shunt & 0x8000 else shunt
        self.bus = self._get(_BUS)
        self._failures = 0
        if self._settle:
            self._settle -= 1
        else:
            self.fault = None

    def _lost_its_registers(self) -> bool:
        self._check += 1
        if self._check == _CHECK:
            return self._get(_CONFIGURATION) != CONFIGURATION
        if self._check == 2 * _CHECK:
            self._check = 0
            return self._get(_CALIBRATION) != CALIBRATION
        return False

    def _set_up(self) -> None:
        self._attempts += 1
        if self._attempts % _RECOVER == 0:
            self._i2c.recover()
        if self._get(_MANUFACTURER) != _TEXAS or self._get(_DIE) >> 4 != _INA226:
            self._met = True
            self.fault = "config"
            self._rest = _REST
            return
        self._put(_CONFIGURATION, CONFIGURATION)
        self._put(_CALIBRATION, CALIBRATION)
        self._met = True
        self._ready = True
        self._failures = 0
        self._attempts = 0
        self._check = 0
        self._settle = _SETTLE
        self.fault = "config"

    def _failed(self) -> None:
        self._failures += 1
        self.fault = "bus" if self._met else "absent"
        if not self._ready:
            self._rest = _REST
        elif self._failures >= _FAILURES:
            self._ready = False
            self._i2c.recover()

    def _get(self, register: int) -> int:
        self._i2c.readfrom_mem_into(self._address, register, self._buffer)
        return self._buffer[0] << 8 | self._buffer[1]

    def _put(self, register: int, value: int) -> None:
        self._buffer[0] = value >> 8
        self._buffer[1] = value & 0xFF
        self._i2c.writeto_mem(self._address, register, self._buffer)


class BusReader:
    """A voltage at a chip's VBUS pin, in mV. `fault` says why `read()` gave None."""

    __slots__ = ("_carry", "_chip", "fault")

    def __init__(self, chip: Ina226) -> None:
        self._chip = chip
        self._carry = 0  # quarters of a millivolt
        self.fault: str | None = None

    def read(self) -> "int | None":
        """Return the voltage of the chip's newest reading."""
        chip = self._chip
        self.fault = chip.fault
        if chip.fault is not None:
            return None
        if chip.bus >= _FULL:
            self.fault = "railed"
            return None
        if chip.bus > _BUS_MAX:
            self.fault = "range"
            return None
        quarters = chip.bus * 5 + self._carry
        self._carry = quarters & 3
        return quarters >> 2


class CurrentReader:
    """A current through a chip's shunt, in mA. `fault` says why `read()` gave None."""

    __slots__ = ("_carry", "_chip", "_most_ma", "_sign", "_uohm", "_zero_nv", "fault")

    def __init__(self, chip: Ina226, settings: "MonitorSettings") -> None:
        self._chip = chip
        self._uohm = settings.shunt_uohm
        self._sign = -1 if settings.invert else 1
        self._zero_nv = settings.zero_ua * settings.shunt_uohm // 1000
        self._most_ma = settings.range_ma + settings.range_ma // 10
        self._carry = 0  # nanovolts below a whole milliampere
        self.fault: str | None = None

    def read(self) -> "int | None":
        """Return the current of the chip's newest reading."""
        chip = self._chip
        self.fault = chip.fault
        if chip.fault is not None:
            return None
        if chip.shunt >= _FULL or chip.shunt <= -_FULL - 1:
            self.fault = "railed"
            return None
        # nV / uohm = mA; 82 million nV at most
        rest = self._sign * chip.shunt * 2500 - self._zero_nv + self._carry
        ma = rest // self._uohm
        if abs(ma) > self._most_ma:
            self.fault = "range"
            return None
        self._carry = rest - ma * self._uohm
        return ma
