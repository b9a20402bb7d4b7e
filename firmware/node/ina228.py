"""The INA228 current and voltage monitor, for up to 85 V: registers as in its data sheet (SLYS021).

Like its smaller relative it averages by itself without a pause: 64 pairs of a 540 us look at the bus and a 1052 us
look at the shunt make a window of 101.9 ms. Steps are finer: 195.3 uV at the bus, 312.5 nV or 78.1 nV at the shunt.

The chip also sums charge and energy over its own windows. Those sums miss nothing while the board is busy, but they
run by the chip's clock, good to about 1 %, so they are not booked: they check ours. Once a minute both sums are laid
side by side; where they differ by more than that clock and a window's worth explain, one of the two is wrong, and
the chip is set up anew. With the calibration at 4096 the chip's current step is the shunt's step over its resistance,
so that no rounding comes in.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from hal import I2cBus

    from node.chipsettings import MonitorSettings

_CONFIG = const(0x00)
_ADC_CONFIG = const(0x01)
_SHUNT_CAL = const(0x02)
_VSHUNT = const(0x04)  # 24 bits, of which the upper 20 count, two's complement
_VBUS = const(0x05)
_ENERGY = const(0x09)  # 40 bits
_CHARGE = const(0x0A)  # 40 bits, two's complement
_MANUFACTURER = const(0x3E)
_DEVICE = const(0x3F)

_TEXAS = const(0x5449)
_INA228 = const(0x228)  # in the upper twelve bits; the lower four are the revision
NARROW = const(0x0010)  # of CONFIG: the shunt's range is 40.96 mV and not 163.84 mV
_CLEAR = const(0x4000)  # of CONFIG: both sums begin at zero
# both, continuously | bus 540 us | shunt 1052 us | temperature not measured | average of 64
ADC_CONFIG = const(0xB943)
WINDOW_US = const(101_888)
SHUNT_CAL = const(4096)

NARROW_NV = const(40_960_000)  # full scale of the shunt in each range, in nV
WIDE_NV = const(163_840_000)
_FULL = const(0x7FFFF)
_BUS_MAX = const(435_200)  # 85 V, the chip's rating
_FAILURES = const(3)
_REST = const(10)
_RECOVER = const(10)
_CHECK = const(10)
_SETTLE = const(1)
_AUDIT_MS = const(60_000)
# The sums may differ by this many parts in a thousand (the chip's clock), by what flows in some windows (where a
# minute begins and ends, and where one window was read twice), and by a step in every window.
_APART = const(30)
_WINDOWS = const(3)
_STEPS = const(300)
_TICKS_MASK = const(0x3FFFFFFF)


class Ina228:
    """One chip. `update()` reads it once per sample; then `bus` and `shunt` are its registers, or `fault` says why not.

    shunt_uohm, range_ma: of the shunt, 0 where only the bus is used. narrow: whether the shunt is read in the finer
    range. fault: as of the INA226. disagreed: how often the chip's own sums contradicted ours since boot.
    """

    __slots__ = (
        "_address", "_at_ms", "_attempts", "_audit_ms", "_audited", "_check", "_failures", "_five", "_flow", "_i2c",
        "_met", "_peak_flow", "_peak_work", "_ready", "_rest", "_rest_flow", "_settle", "_three", "_ticks_ms",
        "_turnover", "_two", "_work", "bus", "disagreed", "fault", "narrow", "shunt",
    )  # fmt: skip

    def __init__(
        self, i2c: "I2cBus", address: int, shunt_uohm: int, range_ma: int, ticks_ms: "Callable[[], int]"
    ) -> None:
        self._i2c = i2c
        self._address = address
        self._audited = shunt_uohm > 0
        self._ticks_ms = ticks_ms
        self.narrow = shunt_uohm * range_ma <= NARROW_NV
        self._two = bytearray(2)
        self._three = bytearray(3)
        self._five = bytearray(5)
        self._ready = False
        self._met = False  # whether it answered since boot
        self._failures = 0
        self._attempts = 0
        self._rest = 0
        self._settle = 0
        self._check = 0
        self._at_ms = -1  # of the newest reading that was summed, -1 before the first
        self._audit_ms = 0
        self._rest_flow = self._flow = self._turnover = self._work = 0
        self._peak_flow = self._peak_work = 0
        self.bus = 0
        self.shunt = 0
        self.disagreed = 0
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

    def steps(self) -> int:
        """Return the shunt's drop in steps of 78.125 nV, the narrow range's."""
        return self.shunt if self.narrow else 4 * self.shunt

    def _read(self) -> None:
        self._check += 1
        if self._check == _CHECK:
            self._check = 0
            # The power-on value of the calibration is ours; that of the converter's configuration is not.
            if self._get(_ADC_CONFIG) != ADC_CONFIG or self._get(_CONFIG) & NARROW != self._range():
                self._ready = False
                self.fault = "config"
                return
        shunt = self._long(_VSHUNT) >> 4
        self.shunt = shunt - 0x100000 if shunt & 0x80000 else shunt
        self.bus = self._long(_VBUS) >> 4
        self._failures = 0
        if self._settle:
            self._settle -= 1
            return
        self.fault = None
        if self._audited:
            self._audit()

    def _audit(self) -> None:
        """Sum what the readings say, and compare with what the chip has summed."""
        now_ms = self._ticks_ms()
        if self._at_ms < 0:
            self._at_ms = now_ms
            self._clear()
            return
        ms = (now_ms - self._at_ms) & _TICKS_MASK
        self._at_ms = now_ms
        # In units of 1024 narrow steps x ms (80 mA s per micro-ohm), and of 64 mJ per micro-ohm.
        rest = self.steps() * ms + self._rest_flow
        flow = rest >> 10
        self._rest_flow = rest & 1023
        work = (abs(flow) * (self.bus >> 4)) >> 8
        self._flow += flow
        self._turnover += abs(flow)
        self._work += work
        self._peak_flow = max(self._peak_flow, abs(flow))
        self._peak_work = max(self._peak_work, work)
        self._audit_ms += ms
        if self._audit_ms < _AUDIT_MS:
            return
        charge = self._five_bytes(_CHARGE)
        if charge >> 39:
            charge -= 1 << 40
        energy = self._five_bytes(_ENERGY)
        if not self.narrow:
            charge *= 4
            energy *= 4
        # A narrow step of charge is 78.125 of those 80, one of energy 4000 of those 64.
        if _alike(charge * 78_125 // 80_000, self._flow, self._turnover, self._peak_flow) and _alike(
            energy * 125 // 2, self._work, self._work, self._peak_work
        ):
            self._clear()
        else:
            self.disagreed += 1
            self._ready = False
            self.fault = "config"

    def _clear(self) -> None:
        self._put(_CONFIG, self._range() | _CLEAR)
        self._audit_ms = self._rest_flow = self._flow = self._turnover = self._work = 0
        self._peak_flow = self._peak_work = 0

    def _range(self) -> int:
        return NARROW if self.narrow else 0

    def _set_up(self) -> None:
        self._attempts += 1
        if self._attempts % _RECOVER == 0:
            self._i2c.recover()
        known = self._get(_MANUFACTURER) == _TEXAS and self._get(_DEVICE) >> 4 == _INA228
        self._met = True
        self.fault = "config"
        if not known:
            self._rest = _REST
            return
        self._put(_CONFIG, self._range())
        self._put(_ADC_CONFIG, ADC_CONFIG)
        # Four times as much in the narrow range, says the data sheet, for a step that is a quarter: the same.
        self._put(_SHUNT_CAL, SHUNT_CAL)
        self._ready = True
        self._failures = 0
        self._attempts = 0
        self._check = 0
        self._at_ms = -1
        self._settle = _SETTLE

    def _failed(self) -> None:
        self._failures += 1
        self._at_ms = -1
        self.fault = "bus" if self._met else "absent"
        if not self._ready:
            self._rest = _REST
        elif self._failures >= _FAILURES:
            self._ready = False
            self._i2c.recover()

    def _readinto(self, register: int, buffer: bytearray) -> None:
        self._i2c.readfrom_mem_into(self._address, register, buffer)

    def _get(self, register: int) -> int:
        self._readinto(register, self._two)
        return self._two[0] << 8 | self._two[1]

    def _five_bytes(self, register: int) -> int:
        self._readinto(register, self._five)
        return int.from_bytes(self._five, "big")

    def _long(self, register: int) -> int:
        self._readinto(register, self._three)
        return self._three[0] << 16 | self._three[1] << 8 | self._three[2]

    def _put(self, register: int, value: int) -> None:
        self._two[0] = value >> 8
        self._two[1] = value & 0xFF
        self._i2c.writeto_mem(self._address, register, self._two)


def _alike(theirs: int, ours: int, turnover: int, peak: int) -> bool:
    return abs(theirs - ours) <= _APART * turnover // 1000 + _WINDOWS * peak + _STEPS


class FineBusReader:
    """A voltage at a chip's VBUS pin, in mV. `fault` says why `read()` gave None."""

    __slots__ = ("_carry", "_chip", "fault")

    def __init__(self, chip: Ina228) -> None:
        self._chip = chip
        self._carry = 0  # 256ths of a millivolt
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
        parts = chip.bus * 50 + self._carry  # 0.1953125 mV = 50 / 256 mV
        self._carry = parts & 0xFF
        return parts >> 8


class FineCurrentReader:
    """A current through a chip's shunt, in mA. `fault` says why `read()` gave None."""

    __slots__ = ("_carry", "_chip", "_most_ma", "_sign", "_unit_uohm", "_zero", "fault")

    def __init__(self, chip: Ina228, settings: "MonitorSettings") -> None:
        self._chip = chip
        # 78.125 nV / uohm = 625 / (8 uohm) mA a step of the narrow range
        self._unit_uohm = 8 * settings.shunt_uohm
        self._sign = -1 if settings.invert else 1
        self._zero = settings.zero_ua * self._unit_uohm // 1000
        self._most_ma = settings.range_ma + settings.range_ma // 10
        self._carry = 0
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
        rest = self._sign * chip.steps() * 625 - self._zero + self._carry
        ma = rest // self._unit_uohm
        if abs(ma) > self._most_ma:
            self.fault = "range"
            return None
        self._carry = rest - ma * self._unit_uohm
        return ma
