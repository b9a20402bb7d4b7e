"""The settings of each measured channel, by the chip that reads it; what is wrong is noted by field.

`detail` names the fields that a node tells the host about a channel.
"""

from node.fields import Part

# The converters of the monitor chips end at these drops across the shunt.
SHUNT_FULL_NV = {"ina226": 81_920_000, "ina228": 163_840_000}
# Full scale of the ADS1115 in mV, to the bits of its amplifier.
RANGES = {6144: 0, 4096: 1, 2048: 2, 1024: 3, 512: 4, 256: 5}
_ROM_BYTES = 8
_FAMILY = 0x28  # of the DS18B20, the first byte of its number
_CRC = 0x8C  # x^8 + x^5 + x^4 + 1, lowest bit first
_CODE_MOST = (1 << 23) - 1


class I2cChannel:
    """What the channels of a chip on the I2C bus have in common."""

    __slots__ = ("address", "channel", "chip")
    address: int
    channel: str
    chip: str


class MonitorSettings(I2cChannel):
    """A channel read by an INA226 or INA228 monitor chip at `address`.

    reads: "bus" (the voltage at its VBUS pin) or "current" (the drop across a shunt of shunt_uohm).
    invert: the shunt is wired the other way round. zero_ua: what the channel shows with the circuit open, in
    millionths of an ampere after `invert`; it is taken off. range_ma: the largest current of the shunt;
    readings more than a tenth beyond it are refused.
    """

    __slots__ = ("detail", "invert", "range_ma", "reads", "shunt_uohm", "zero_ua")

    def __init__(self, channel: str, part: Part, chip: str = "ina226") -> None:
        self.channel = channel
        self.chip = chip
        self.address = part.whole("address", 64, 79)
        amps = channel.endswith("_a")
        self.reads = part.one_of("reads", ("bus", "current"), "current" if amps else "bus")
        self.shunt_uohm = 0
        self.range_ma = 0
        self.invert = False
        self.zero_ua = 0
        self.detail: tuple[str, ...] = ("address", "reads")
        if self.reads == "current":
            self.shunt_uohm = part.whole("shunt_uohm", 10, 10_000_000)
            self.range_ma = part.whole("range_ma", 10, 500_000)
            self.invert = part.flag("invert", default=False)
            self.zero_ua = part.whole("zero_ua", -10_000_000, 10_000_000, 0)
            self.detail += ("shunt_uohm", "range_ma", "invert", "zero_ua")
            full_nv = SHUNT_FULL_NV[chip]
            if self.shunt_uohm * self.range_ma > full_nv:
                part.wrong(
                    "range_ma",
                    self.range_ma,
                    "needs more than the %d.%02d mV that the chip can read across this shunt_uohm; "
                    "lower it or fit a smaller shunt" % (full_nv // 1_000_000, full_nv // 10_000 % 100),
                )
        part.end()
        if amps != (self.reads == "current") or not channel.endswith(("_a", "_v")):
            part.wrong(
                "reads", self.reads, f"an {chip} reads the current of ..._a and the bus of ..._v channels"
            )


class AdcSettings:
    """A channel read by the board's own converter behind a divider or a sensor with a straight line.

    The pin's voltage is `raw / 65535 * full_mv`; the channel's value in steps is
    `(pin_mv - zero_mv) * gain_ppm / 1 000 000 - offset`, so gain_ppm is millionths of a step per millivolt at
    the pin. A divider of 100 kohm over 3.3 kohm in front of a voltage (step 1 mV): 31 303 030. A sensor of 10 mV
    per degree (step 0.01 degrees): 10 000 000. offset: what the channel shows at zero, in steps; it is taken off.
    """

    __slots__ = ("channel", "full_mv", "gain_ppm", "offset", "pin", "zero_mv")
    chip = "adc"
    detail = ("pin", "full_mv", "gain_ppm", "zero_mv", "offset")
    gain_ppm: int
    zero_mv: int
    offset: int

    def __init__(self, channel: str, part: Part) -> None:
        self.channel = channel
        self.pin = part.whole("pin", 0, 48)
        self.full_mv = part.whole("full_mv", 500, 6000, 3300)
        _line(self, channel, part)


class ConverterSettings(I2cChannel):
    """A channel read by an ADS1115 converter; `input` 0 to 3 against ground.

    As with the board's own converter, with the chip's full scale full_mv: 256, 512, 1024, 2048, 4096 or 6144. The
    pin must never pass the chip's supply, whatever the full scale.
    """

    __slots__ = ("full_mv", "gain_ppm", "input", "offset", "zero_mv")
    detail = ("address", "input", "full_mv", "gain_ppm", "zero_mv", "offset")
    gain_ppm: int
    zero_mv: int
    offset: int

    def __init__(self, channel: str, part: Part) -> None:
        self.channel = channel
        self.chip = "ads1115"
        self.address = part.whole("address", 72, 75)
        self.input = part.whole("input", 0, 3)
        self.full_mv = part.whole("full_mv", 256, 6144, 4096)
        if self.full_mv not in RANGES:
            part.wrong("full_mv", self.full_mv, "use one of: " + ", ".join(str(mv) for mv in sorted(RANGES)))
        _line(self, channel, part)


class ThermometerSettings:
    """A temperature read by a DS18B20 on the wire at wire_pin.

    rom: the chip's number, 16 hexadecimal digits as it is read, family first; it may be left out where the chip is
    alone on its wire.
    """

    __slots__ = ("channel", "rom", "wire_pin")
    chip = "ds18b20"
    detail = ("wire_pin",)

    def __init__(self, channel: str, part: Part) -> None:
        self.channel = channel
        self.wire_pin = part.whole("wire_pin", 0, 48)
        self.rom = part.text_or_none("rom", 16)
        part.end()
        if not channel.endswith("_degc"):
            part.wrong("chip", self.chip, "reads the ..._degc channels")
        if self.rom is not None and not _is_rom(self.rom):
            part.wrong(
                "rom",
                self.rom,
                "must be 16 hexadecimal digits that begin with 28 and end in their check byte",
            )


class LoadCellSettings:
    """The torque read by an HX711 with a load cell at the torque arm.

    The torque in hundredths of a newton metre is `(code - zero_code) * step_ppm / 1 000 000`, so step_ppm is
    millionths of 0.01 N m per code of 24 bits; negative where the cell pulls the other way.
    """

    __slots__ = ("channel", "clock_pin", "data_pin", "step_ppm", "zero_code")
    chip = "hx711"
    detail = ("data_pin", "clock_pin", "zero_code", "step_ppm")

    def __init__(self, channel: str, part: Part) -> None:
        self.channel = channel
        self.data_pin = part.whole("data_pin", 0, 48)
        self.clock_pin = part.whole("clock_pin", 0, 48)
        self.zero_code = part.whole("zero_code", -_CODE_MOST, _CODE_MOST, 0)
        self.step_ppm = part.whole("step_ppm", -100_000_000, 100_000_000)
        part.end()
        if channel != "shaft_nm":
            part.wrong("chip", self.chip, "reads shaft_nm")
        if self.step_ppm == 0:
            part.wrong("step_ppm", 0, "must not be zero")


TYPE_CHECKING = False
if TYPE_CHECKING:
    ChannelSettings = (
        MonitorSettings | AdcSettings | ConverterSettings | ThermometerSettings | LoadCellSettings
    )
else:
    ChannelSettings = None


def _line(made: "AdcSettings | ConverterSettings", channel: str, part: Part) -> None:
    """Take the fields of a straight line."""
    made.gain_ppm = part.whole("gain_ppm", -2_000_000_000, 2_000_000_000)
    made.zero_mv = part.whole("zero_mv", 0, 6000, 0)
    made.offset = part.whole("offset", -1_000_000, 1_000_000, 0)
    part.end()
    if channel.endswith("_degc") and abs(made.gain_ppm) * made.full_mv < 20 * 100 * 1_000_000:
        part.wrong(
            "gain_ppm",
            made.gain_ppm,
            "leaves less than 20 degrees to the whole scale; it counts millionths of 0.01 degrees per mV",
        )
    elif made.gain_ppm == 0:
        part.wrong("gain_ppm", 0, "must not be zero")


def crc8(data: "bytes | bytearray") -> int:
    """Return the check byte that one-wire chips put behind their data; over data and check byte it is zero."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ _CRC if crc & 1 else crc >> 1
    return crc


def _is_rom(rom: str) -> bool:
    try:
        number = bytes.fromhex(rom)
    except ValueError:
        return False
    return len(number) == _ROM_BYTES and number[0] == _FAMILY and crc8(number) == 0


_CHIPS = ("ina226", "ina228", "adc", "ads1115", "ds18b20", "hx711")


def channels_of(part: Part, measured: "tuple[str, ...]") -> "list[ChannelSettings]":
    """Take every channel there is, in the order of `measured`."""
    found: list[ChannelSettings] = []
    for channel in measured:
        if not part.has(channel):
            continue
        inner = part.part(channel)
        chip = inner.one_of("chip", _CHIPS)
        if chip in SHUNT_FULL_NV:
            found.append(MonitorSettings(channel, inner, chip))
        elif chip == "adc":
            found.append(AdcSettings(channel, inner))
        elif chip == "ads1115":
            found.append(ConverterSettings(channel, inner))
        elif chip == "ds18b20":
            found.append(ThermometerSettings(channel, inner))
        elif chip == "hx711":
            found.append(LoadCellSettings(channel, inner))
    part.end("is not a channel that this firmware can measure; choose from " + ", ".join(measured))
    return found


def pins_of(channel: "ChannelSettings") -> "list[tuple[str, int]]":
    """Return the pins of the board that a channel needs, each with its field."""
    return [
        (name, getattr(channel, name))
        for name in ("pin", "wire_pin", "data_pin", "clock_pin")
        if hasattr(channel, name)
    ]


def shunts_of(channels: "list[ChannelSettings]", top: Part) -> None:
    """Note the chips and inputs that two channels claim, and an address at which two kinds of chip are said to be."""
    kinds: dict[int, str] = {}
    used: dict[object, str] = {}
    for channel in channels:
        field = "channels." + channel.channel
        if isinstance(channel, I2cChannel):
            chip = kinds.setdefault(channel.address, channel.chip)
            if chip != channel.chip:
                top.wrong(field + ".chip", channel.chip, "at this address there is already an " + chip)
        if isinstance(channel, MonitorSettings) and channel.reads == "current":
            key: object = (channel.address, "current")
            what = ".address"
            value: object = channel.address
            said = "its shunt is already read by "
        elif isinstance(channel, ConverterSettings):
            key = (channel.address, channel.input)
            what = ".input"
            value = channel.input
            said = "it is already read by "
        elif isinstance(channel, ThermometerSettings):
            key = (channel.wire_pin, channel.rom)
            what = ".rom"
            value = channel.rom
            said = "two on one wire need a number each; the same one has "
        else:
            continue
        if key in used:
            top.wrong(field + what, value, said + used[key])
        used[key] = field
