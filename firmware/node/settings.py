"""The node's settings: what is wired to which pin, read from `settings.json` and `secrets.json` and checked.

Everything wrong is collected and told at once, one line each: the field, its value, what to do. A field that
is not known is an error too: a misspelt field would otherwise be ignored in silence. Inputs never get a
pull-down, so none is offered: the pickups are open-collector, with a pull-up.
"""

import json
import os

from node import names
from node.fields import Part, SettingsError
from node.pattern import MAGNETS_MAX

# A node measures these; the wheel's speed comes from the section `wheel`.
_MEASURED = tuple(name for name in names.CHANNELS if name not in ("wheel_rpm", "alternator_rpm"))
# The monitor chip's converter ends at 81.92 mV across the shunt.
_SHUNT_FULL_NV = 81_920_000


class WheelSettings:
    """The pickup at the wheel. Speeds in thousandths of a turn a minute.

    slow_mrpm: below it a turning wheel counts as slow; cutin_mrpm: at it a slow one counts as turning, and
    charging can start; cutout_mrpm: below it charging cannot hold.
    """

    __slots__ = ("cutin_mrpm", "cutout_mrpm", "fastest_rpm", "magnets", "pin", "slow_mrpm")

    def __init__(self, part: Part) -> None:
        self.pin = part.whole("pin", 0, 48)
        self.magnets = part.whole("magnets", 1, MAGNETS_MAX)
        self.fastest_rpm = part.whole("fastest_rpm", 10, 250, 120)
        self.cutin_mrpm = part.whole("cutin_mrpm", 100, 250_000)
        self.slow_mrpm = part.whole("slow_mrpm", 100, 250_000, self.cutin_mrpm)
        self.cutout_mrpm = part.whole("cutout_mrpm", 100, 250_000, self.slow_mrpm)
        part.end()
        if not self.cutout_mrpm <= self.slow_mrpm <= self.cutin_mrpm < self.fastest_rpm * 1000:
            part.wrong(
                "slow_mrpm",
                self.slow_mrpm,
                "must be at least cutout_mrpm and at most cutin_mrpm, and all below fastest_rpm",
            )


class I2cSettings:
    """The bus of the monitor chips."""

    __slots__ = ("bus", "freq_hz", "scl", "sda")

    def __init__(self, part: Part) -> None:
        self.bus = part.whole("bus", 0, 3, 0)
        self.sda = part.whole("sda", 0, 48)
        self.scl = part.whole("scl", 0, 48)
        self.freq_hz = part.whole("freq_hz", 10_000, 400_000, 400_000)
        part.end()


class MonitorSettings:
    """A channel read by an INA226 monitor chip at `address`.

    reads: "bus" (the voltage at its VBUS pin) or "current" (the drop across a shunt of shunt_uohm).
    invert: the shunt is wired the other way round. zero_ua: what the channel shows with the circuit open, in
    millionths of an ampere after `invert`; it is taken off. range_ma: the largest current of the shunt;
    readings more than a tenth beyond it are refused.
    """

    __slots__ = ("address", "channel", "invert", "range_ma", "reads", "shunt_uohm", "zero_ua")
    chip = "ina226"

    def __init__(self, channel: str, part: Part) -> None:
        self.channel = channel
        self.address = part.whole("address", 64, 79)
        amps = channel.endswith("_a")
        self.reads = part.one_of("reads", ("bus", "current"), "current" if amps else "bus")
        self.shunt_uohm = 0
        self.range_ma = 0
        self.invert = False
        self.zero_ua = 0
        if self.reads == "current":
            self.shunt_uohm = part.whole("shunt_uohm", 10, 10_000_000)
            self.range_ma = part.whole("range_ma", 10, 500_000)
            self.invert = part.flag("invert", default=False)
            self.zero_ua = part.whole("zero_ua", -10_000_000, 10_000_000, 0)
            if self.shunt_uohm * self.range_ma > _SHUNT_FULL_NV:
                part.wrong(
                    "range_ma",
                    self.range_ma,
                    "needs more than the 81.92 mV that the chip can read across this shunt_uohm; "
                    "lower it or fit a smaller shunt",
                )
        part.end()
        if amps != (self.reads == "current") or not channel.endswith(("_a", "_v")):
            part.wrong(
                "reads", self.reads, "an ina226 reads the current of ..._a and the bus of ..._v channels"
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

    def __init__(self, channel: str, part: Part) -> None:
        self.channel = channel
        self.pin = part.whole("pin", 0, 48)
        self.full_mv = part.whole("full_mv", 500, 6000, 3300)
        self.gain_ppm = part.whole("gain_ppm", -2_000_000_000, 2_000_000_000)
        self.zero_mv = part.whole("zero_mv", 0, 6000, 0)
        self.offset = part.whole("offset", -1_000_000, 1_000_000, 0)
        part.end()
        if channel.endswith("_degc") and abs(self.gain_ppm) * self.full_mv < 20 * 100 * 1_000_000:
            part.wrong(
                "gain_ppm",
                self.gain_ppm,
                "leaves less than 20 degrees to the whole scale; it counts millionths of 0.01 degrees per mV",
            )
        elif self.gain_ppm == 0:
            part.wrong("gain_ppm", 0, "must not be zero")


class Settings:
    """All settings of one node, checked. `layout` says which channels and totals its records carry.

    site, node: ids as they stand in the topics. revision: of the settings. broker_host, broker_port,
    keepalive_s; record_s: length of a record (5..60, a divisor of 60, so that records end on whole minutes);
    rewind_s: time without progress until records are sent again. charging_ma: from this current on the wheel
    counts as charging. wheel: WheelSettings or None. i2c: I2cSettings or None. channels: a list of
    MonitorSettings and AdcSettings in the order of `names.CHANNELS`. parked_pin: switch "working here" to
    ground, or None. wifi_ssid, wifi_password, broker_user, broker_password: from the secrets, None if absent.
    """

    __slots__ = (
        "broker_host",
        "broker_password",
        "broker_port",
        "broker_user",
        "channels",
        "charging_ma",
        "i2c",
        "keepalive_s",
        "layout",
        "node",
        "parked_pin",
        "record_s",
        "revision",
        "rewind_s",
        "site",
        "wheel",
        "wifi_password",
        "wifi_ssid",
    )

    def __init__(self, settings: "dict[str, object]", secrets: "dict[str, object]") -> None:
        problems: list[str] = []
        top = Part("", settings, problems)
        self.site = top.an_id("site")
        self.node = top.an_id("node")
        if self.node == "host":
            top.wrong("node", self.node, "is reserved; choose another name")
        self.revision = top.whole("revision", 0, 1_000_000_000, 1)
        broker = top.part("broker", needed=True)
        self.broker_host = broker.text("host", 253)
        self.broker_port = broker.whole("port", 1, 65535, 1883)
        self.keepalive_s = broker.whole("keepalive_s", 5, 60, 30)
        broker.end()
        self.record_s = top.whole("record_s", 5, 60, 10)
        if 60 % self.record_s:
            top.wrong("record_s", self.record_s, "use 5, 6, 10, 12, 15, 20, 30 or 60, so that minutes divide")
        self.rewind_s = top.whole("rewind_s", 2, 900, 30)
        self.charging_ma = top.whole("charging_ma", 1, 100_000, 100)
        self.parked_pin = top.whole("parked_pin", 0, 48) if top.has("parked_pin") else None
        self.wheel = WheelSettings(top.part("wheel")) if top.has("wheel") else None
        self.i2c = I2cSettings(top.part("i2c")) if top.has("i2c") else None
        self.channels = _channels(top.part("channels", needed=True))
        top.end()
        _check_wiring(self, top)
        wanted = [channel.channel for channel in self.channels]
        if self.wheel is not None:
            wanted.append("wheel_rpm")
        if not wanted:
            top.wrong("channels", {}, "name at least one channel, or give the section wheel")
        self.layout = names.layout_of(wanted)

        hidden = Part("secrets", secrets, problems, hide=True)
        self.wifi_ssid = hidden.text_or_none("wifi_ssid", 32)
        self.wifi_password = hidden.text_or_none("wifi_password", 63)
        self.broker_user = hidden.text_or_none("broker_user", 64)
        self.broker_password = hidden.text_or_none("broker_password", 128)
        hidden.end()
        if problems:
            raise SettingsError(problems)


def load(folder: str) -> Settings:
    """Read `settings.json` and, if it is there, `secrets.json` from a folder.

    Raises SettingsError with everything that is wrong, also for a file that cannot be read.
    """
    settings = _read(folder + "/settings.json")
    secrets = _read(folder + "/secrets.json") if _exists(folder + "/secrets.json") else {}
    return Settings(settings, secrets)


def node_folder(argument: "str | None", environment: "str | None") -> str:
    """Return the folder of the two files: as the program was told, else by the environment, else the root."""
    return argument or environment or "/"


def _exists(path: str) -> bool:
    try:
        os.stat(path)
    except OSError:
        return False
    return True


def _read(path: str) -> "dict[str, object]":
    try:
        with open(path, encoding="utf-8") as file:
            told = json.load(file)
    except OSError as error:
        problem = f"{path}: cannot be read ({error}); put the node's settings there"
    except ValueError as error:
        problem = f"{path}: is not JSON ({error}); correct it or write it again"
    else:
        if isinstance(told, dict):
            return told
        problem = f"{path}: must hold one JSON object {{...}}"
    raise SettingsError([problem])


def _channels(part: Part) -> "list[MonitorSettings | AdcSettings]":
    found: list[MonitorSettings | AdcSettings] = []
    for channel in _MEASURED:
        if not part.has(channel):
            continue
        inner = part.part(channel)
        chip = inner.one_of("chip", ("ina226", "adc"))
        if chip == "ina226":
            found.append(MonitorSettings(channel, inner))
        elif chip == "adc":
            found.append(AdcSettings(channel, inner))
    part.end("is not a channel that this firmware can measure; choose from " + ", ".join(_MEASURED))
    return found


def _check_wiring(settings: Settings, top: Part) -> None:
    used: dict[object, str] = {}
    if settings.wheel is not None:
        used[settings.wheel.pin] = "wheel.pin"
    pins = [("parked_pin", settings.parked_pin)]
    if settings.i2c is not None:
        pins += [("i2c.sda", settings.i2c.sda), ("i2c.scl", settings.i2c.scl)]
    for channel in settings.channels:
        field = "channels." + channel.channel
        if isinstance(channel, AdcSettings):
            pins.append((field + ".pin", channel.pin))
            continue
        if settings.i2c is None:
            top.wrong(field + ".chip", "ina226", "needs the section i2c")
        key = (channel.address, channel.reads)
        if channel.reads == "current" and key in used:
            top.wrong(field + ".address", channel.address, "its shunt is already read by " + used[key])
        used[key] = field
    for field, pin in pins:
        if pin is None:
            continue
        if pin in used:
            top.wrong(field, pin, "this pin is already used by " + used[pin])
        used[pin] = field
