"""The node's settings: what is wired to which pin, read from `settings.json` and `secrets.json` and checked.

Everything wrong is collected and told at once, one line each: the field, its value, what to do. A field that
is not known is an error too: a misspelt field would otherwise be ignored in silence. Inputs never get a
pull-down, so none is offered: the pickups are open-collector, with a pull-up.
"""

import json
import os

from node import names
from node.chipsettings import ChannelSettings, I2cChannel, channels_of, pins_of, shunts_of
from node.fields import Part, SettingsError
from node.netsettings import TimeSettings, TlsSettings
from node.pattern import MAGNETS_MAX

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.guardsettings import GuardSettings

# A node measures these; the wheel's speed comes from the section `wheel`.
_MEASURED = tuple(name for name in names.CHANNELS if name not in ("wheel_rpm", "alternator_rpm"))
# What the books need comes from these chips; the guard's channels stay whatever reads them.
_ESSENTIAL = ("adc", "ina226", "ina228")
_GUARDED = ("rectified_v", "battery_v")
PULSES_MAX = 60
FASTEST_HZ = 2000


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


class AlternatorSettings:
    """A second edge source at the alternator: a pickup, or one phase through an opto-coupler.

    pulses_per_turn: magnets that pass, or, for a phase, pole pairs. fastest_rpm: pulses closer together are noise.
    """

    __slots__ = ("fastest_rpm", "pin", "pulses_per_turn")

    def __init__(self, part: Part) -> None:
        self.pin = part.whole("pin", 0, 48)
        self.pulses_per_turn = part.whole("pulses_per_turn", 1, PULSES_MAX)
        self.fastest_rpm = part.whole("fastest_rpm", 100, 20_000, 3000)
        part.end()
        most_rpm = FASTEST_HZ * 60 // self.pulses_per_turn
        if self.fastest_rpm > most_rpm:
            part.wrong(
                "fastest_rpm",
                self.fastest_rpm,
                f"with these pulses_per_turn passes the {FASTEST_HZ} Hz that can be counted; at most {most_rpm}",
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


class Settings:
    """All settings of one node, checked. `layout` says which channels and totals its records carry.

    site, node: ids as they stand in the topics. revision: of the settings. broker_host, broker_port,
    keepalive_s; record_s: length of a record (5..60, a divisor of 60, so that records end on whole minutes);
    rewind_s: time without progress until records are sent again. charging_ma: from this current on the wheel
    counts as charging. wheel: WheelSettings or None. alternator: AlternatorSettings or None. i2c: I2cSettings or None. channels: a list of
    the settings of node.chipsettings in the order of `names.CHANNELS`. parked_pin: switch "working here" to
    ground, or None; parked_min: minutes after which a closed one counts as forgotten. lamp: pin of the board's own
    lamp, a number or a name such as "LED", or None. journal_kib: room for records in flash, 0 for half of it.
    guard: GuardSettings or None. time: TimeSettings or None. tls: TlsSettings or None. wifi_ssid, wifi_password, broker_user, broker_password: from the secrets, None if absent.
    """

    __slots__ = (
        "alternator",
        "broker_host",
        "broker_password",
        "broker_port",
        "broker_user",
        "channels",
        "charging_ma",
        "guard",
        "i2c",
        "journal_kib",
        "keepalive_s",
        "lamp",
        "layout",
        "node",
        "parked_min",
        "parked_pin",
        "record_s",
        "revision",
        "rewind_s",
        "site",
        "time",
        "tls",
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
        self.parked_min = top.whole("parked_min", 30, 1440, 240)
        self.lamp = top.pin_or_name("lamp") if top.has("lamp") else None
        self.journal_kib = top.whole("journal_kib", 40, 4096) if top.has("journal_kib") else 0
        self.time = TimeSettings(top.part("time")) if top.has("time") else None
        self.tls = TlsSettings(top.part("tls")) if top.has("tls") else None
        self.guard = _guard_of(top)
        self.wheel = WheelSettings(top.part("wheel")) if top.has("wheel") else None
        self.alternator = AlternatorSettings(top.part("alternator")) if top.has("alternator") else None
        self.i2c = I2cSettings(top.part("i2c")) if top.has("i2c") else None
        self.channels: list[ChannelSettings] = channels_of(top.part("channels", needed=True), _MEASURED)
        top.end()
        _check_wiring(self, top)
        wanted = [channel.channel for channel in self.channels]
        if self.wheel is not None:
            wanted.append("wheel_rpm")
        if self.alternator is not None:
            wanted.append("alternator_rpm")
        if not wanted:
            top.wrong("channels", {}, "name at least one channel, or give the section wheel")
        self.layout = names.layout_of(wanted)
        if self.guard is not None:
            self.guard.check(top, self.layout.channels)

        hidden = Part("secrets", secrets, problems, hide=True)
        self.wifi_ssid = hidden.text_or_none("wifi_ssid", 32)
        self.wifi_password = hidden.text_or_none("wifi_password", 63)
        self.broker_user = hidden.text_or_none("broker_user", 64)
        self.broker_password = hidden.text_or_none("broker_password", 128)
        hidden.end()
        if problems:
            raise SettingsError(problems)

    def leave_out(self) -> None:
        """Leave out what a node can do without: a second shaft, and chips that neither books nor guard need."""
        self.alternator = None
        self.channels = [
            channel
            for channel in self.channels
            if channel.chip in _ESSENTIAL or (self.guard is not None and channel.channel in _GUARDED)
        ]
        wanted = [channel.channel for channel in self.channels]
        if self.wheel is not None:
            wanted.append("wheel_rpm")
        self.layout = names.layout_of(wanted)


def load(folder: str) -> Settings:
    """Read `settings.json` and, if it is there, `secrets.json` from a folder.

    Raises SettingsError with everything that is wrong, also for a file that cannot be read.
    """
    return check(folder, _read(folder + "/settings.json"))


def check(folder: str, told: "dict[str, object]") -> Settings:
    """Judge settings that would lie in a folder, together with the secrets there; raise SettingsError as `load` does."""
    secrets = _read(folder + "/secrets.json") if _exists(folder + "/secrets.json") else {}
    found = Settings(told, secrets)
    if found.tls is not None:
        from node import tls  # noqa: PLC0415 - no memory for it where it is not wanted

        try:
            found.tls.context = tls.context(folder, found.tls)
        except tls.CertificateError as error:
            raise SettingsError(["tls: %s" % error.args[0]]) from error
    return found


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


def _guard_of(top: Part) -> "GuardSettings | None":
    if not top.has("guard"):
        return None
    from node import guardsettings  # noqa: PLC0415 - no memory for it where there is none

    return guardsettings.GuardSettings(top.part("guard"))


def _check_wiring(settings: Settings, top: Part) -> None:
    used: dict[int, str] = {}
    pins = _own_pins(settings)
    for channel in settings.channels:
        field = "channels." + channel.channel
        pins += [(field + "." + name, pin) for name, pin in pins_of(channel)]
        if settings.i2c is None and isinstance(channel, I2cChannel):
            top.wrong(field + ".chip", channel.chip, "needs the section i2c")
    for field, pin in pins:
        # Several thermometers may share one wire, each called by its number.
        if pin in used and not (field.endswith(".wire_pin") and used[pin].endswith(".wire_pin")):
            top.wrong(field, pin, "this pin is already used by " + used[pin])
        used[pin] = field
    shunts_of(settings.channels, top)


def _own_pins(settings: Settings) -> "list[tuple[str, int]]":
    """Return the pins that no channel of a chip needs, each with its field."""
    pins: list[tuple[str, int]] = []
    if settings.wheel is not None:
        pins.append(("wheel.pin", settings.wheel.pin))
    if settings.alternator is not None:
        pins.append(("alternator.pin", settings.alternator.pin))
    if settings.parked_pin is not None:
        pins.append(("parked_pin", settings.parked_pin))
    if settings.guard is not None:
        pins += settings.guard.pins()
    if isinstance(settings.lamp, int):
        pins.append(("lamp", settings.lamp))
    if settings.i2c is not None:
        pins += [("i2c.sda", settings.i2c.sda), ("i2c.scl", settings.i2c.scl)]
    return pins
