"""The HX711 converter of a load cell at the torque arm; its two wires as in its data sheet.

The chip pulls its data line down when a conversion is ready, ten times a second, and gives 24 bits to 24 pulses of
its clock line; one pulse more asks for the next conversion of the same input. A pulse longer than 60 us would put
the chip to sleep, so the board makes each one with its interrupts off.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.chipsettings import LoadCellSettings
    from node.pins import ClockedIn

_PULSES = const(25)  # 24 bits, and input A with its gain of 128 for the next
_TOP = const(0x7FFFFF)
_DEADLINE = const(5)  # samples without a conversion, until that is a fault


class LoadCell:
    """A torque in hundredths of a newton metre. `fault` says why `read()` gave None.

    "absent": no conversion since boot. "stuck": none for half a second. "railed": the bridge stands at an end of the
    range, as with a broken wire.
    """

    __slots__ = ("_cell", "_factor", "_met", "_value", "_waited", "_zero", "fault")

    def __init__(self, cell: "ClockedIn", settings: "LoadCellSettings") -> None:
        self._cell = cell
        self._zero = settings.zero_code
        self._factor = settings.step_ppm
        self._met = False
        self._waited = 0
        self._value: int | None = None
        self.fault: str | None = "absent"

    def update(self) -> None:
        """Take a conversion if one is ready."""
        if not self._cell.ready():
            self._waited += 1
            if self._waited >= _DEADLINE:
                self._value = None
                self.fault = "stuck" if self._met else "absent"
            return
        self._waited = 0
        self._met = True
        code = self._cell.read(_PULSES)
        if code & 0x800000:
            code -= 0x1000000
        if code in (_TOP, -_TOP - 1):
            self._value = None
            self.fault = "railed"
            return
        self.fault = None
        self._value = ((code - self._zero) * self._factor + 500_000) // 1_000_000

    def read(self) -> "int | None":
        """Return the torque of the newest conversion."""
        return self._value
