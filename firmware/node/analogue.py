"""A channel at one of the board's own analogue inputs: a divider, or a sensor with a straight line."""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from hal import AdcPin

    from node.chipsettings import AdcSettings, ConverterSettings

# Readings summed to one sample. The converters of these boards show noise of a code or more, so the mean of 16 is
# finer than one code; what they are wrong by (several codes at some places of the scale) no mean removes.
READINGS = const(16)
_FULL = const(0xFFF0)  # the top code of a 12-bit converter, as `read_u16` stretches it
_EMPTY = const(0x000F)
_LEAST_BIT = const(1 << 18)  # the factor has 19 bits: it is good to 4 parts in a million
_MOST_SHIFT = const(38)


class Line:
    """The straight line from a sum of codes to a channel's steps, by integers that stay below 2^30.

    over: the sum of codes (20 bits) that stands for the settings' full_mv. It is split at its tenth bit; each half
    times the 19-bit factor fits.
    """

    __slots__ = ("_base", "_factor", "_half", "_negative", "_shift")

    def __init__(self, settings: "AdcSettings | ConverterSettings", over: int) -> None:
        gain_ppm = abs(settings.gain_ppm)
        self._negative = settings.gain_ppm < 0
        over *= 1_000_000
        shift = 12
        while (settings.full_mv * gain_ppm << shift) // over < _LEAST_BIT and shift < _MOST_SHIFT:
            shift += 1
        self._factor = ((settings.full_mv * gain_ppm << shift) + over // 2) // over
        self._shift = shift - 10
        self._half = 1 << (shift - 11)
        self._base = -((settings.zero_mv * settings.gain_ppm + 500_000) // 1_000_000) - settings.offset

    def value(self, total: int) -> int:
        """Return the value at a sum of codes."""
        factor = self._factor
        steps = ((total >> 10) * factor + ((total & 0x3FF) * factor >> 10) + self._half) >> self._shift
        return self._base - steps if self._negative else self._base + steps


class AnalogueReader:
    """A channel's value in steps.

    fault says why `read()` gave None: "railed" when the input stands at an end of its range, the lower end
    counting only where the sensor's zero lies above it.
    """

    __slots__ = ("_adc", "_lifted", "_line", "fault")

    def __init__(self, adc: "AdcPin", settings: "AdcSettings") -> None:
        self._adc = adc
        self._lifted = settings.zero_mv > 0
        self._line = Line(settings, 0xFFFF * READINGS)
        self.fault: str | None = None

    def read(self) -> "int | None":
        """Take the readings and return the value."""
        total = 0
        highest = 0
        for _ in range(READINGS):
            raw = self._adc.read_u16()
            total += raw
            highest = max(highest, raw)
        if highest >= _FULL or (self._lifted and highest <= _EMPTY):
            self.fault = "railed"
            return None
        self.fault = None
        return self._line.value(total)
