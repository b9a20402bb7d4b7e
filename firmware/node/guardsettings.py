"""The guard's settings: which limits it watches, and the outputs with which it speaks and acts at the wheel.

A limit is watched where its section is there; it needs the channel that it judges. An output that acts on the
machine needs the button that resets it: it stays as it is until somebody at the wheel has looked.
"""

from node.fields import Part

# What the guard can find, worst first; the host's contract says what each means.
CONDITIONS = ("rectified_over", "battery_over", "overspeed", "stall", "rectified_high", "blind")
ACTING = CONDITIONS[:3]  # what may act on the machine
_PINS = ("lamp_pin", "buzzer_pin", "act_pin", "reset_pin")


class RectifiedSettings:
    """From warning_mv on the lamp blinks; from limit_mv on, for on_ms, the guard acts. Runaway takes 0.3 to 3 s."""

    __slots__ = ("limit_mv", "on_ms", "warning_mv")

    def __init__(self, part: Part) -> None:
        self.limit_mv = part.whole("limit_mv", 5000, 1_000_000)
        self.warning_mv = part.whole("warning_mv", 5000, 1_000_000, self.limit_mv)
        self.on_ms = part.whole("on_ms", 200, 500, 300)
        part.end()
        if self.warning_mv > self.limit_mv:
            part.wrong("warning_mv", self.warning_mv, "must be at most limit_mv")


class BatterySettings:
    """The voltage at 25 degrees that the battery must not pass, for on_ms.

    mv_per_degc: how it changes with each degree (negative). coldest_degc: taken while the temperature is not known.
    """

    __slots__ = ("coldest_degc", "limit_mv", "mv_per_degc", "on_ms")

    def __init__(self, part: Part) -> None:
        self.limit_mv = part.whole("limit_mv", 5000, 100_000)
        self.mv_per_degc = part.whole("mv_per_degc", -1000, 0, 0)
        self.coldest_degc = part.whole("coldest_degc", -40, 25, 25)
        self.on_ms = part.whole("on_ms", 500, 2000, 1500)
        part.end()


class GuardSettings:
    """All of it. A pin that is None is not fitted.

    act_level: the level of act_pin when the guard has acted; 0 suits a relay that is held in while all is well, and
    so drops when the node loses its power. act_on: what acts, out of ACTING. overspeed_mrpm, stall_ms: limits, None
    where they are not watched; a stall is told two expected gaps between magnets and stall_ms after the last magnet.
    """

    __slots__ = (
        "act_level", "act_on", "act_pin", "battery", "buzzer_pin", "lamp_pin", "overspeed_mrpm", "overspeed_on_ms",
        "rectified", "reset_pin", "stall_ms",
    )  # fmt: skip

    def __init__(self, part: Part) -> None:
        pins = [part.whole(name, 0, 48) if part.has(name) else None for name in _PINS]
        self.lamp_pin, self.buzzer_pin, self.act_pin, self.reset_pin = pins
        self.act_level = part.whole("act_level", 0, 1, 1)
        self.act_on = part.some_of("act_on", ACTING, ACTING[:1])
        self.rectified = RectifiedSettings(part.part("rectified")) if part.has("rectified") else None
        self.battery = BatterySettings(part.part("battery")) if part.has("battery") else None
        self.overspeed_mrpm: int | None = None
        self.overspeed_on_ms = 1000
        if part.has("overspeed"):
            inner = part.part("overspeed")
            self.overspeed_mrpm = inner.whole("limit_mrpm", 1000, 250_000)
            self.overspeed_on_ms = inner.whole("on_ms", 200, 10_000, 1000)
            inner.end()
        self.stall_ms: int | None = None
        if part.has("stall"):
            inner = part.part("stall")
            self.stall_ms = inner.whole("after_ms", 1000, 120_000, 10_000)
            inner.end()
        part.end()
        if self.act_pin is not None and self.reset_pin is None:
            part.wrong(
                "act_pin",
                self.act_pin,
                "needs reset_pin, a button at the wheel: what has acted stays until it is reset by hand",
            )

    def pins(self) -> "list[tuple[str, int]]":
        """Return the pins in use, each with its field."""
        found: list[tuple[str, int]] = []
        for name in _PINS:
            pin = getattr(self, name)
            if pin is not None:
                found.append(("guard." + name, pin))
        return found

    def check(self, part: Part, channels: "tuple[str, ...]") -> None:
        """Note the limits whose channel the node does not measure."""
        for field, there, channel in (
            ("guard.rectified", self.rectified, "rectified_v"),
            ("guard.battery", self.battery, "battery_v"),
            ("guard.overspeed", self.overspeed_mrpm, "wheel_rpm"),
            ("guard.stall", self.stall_ms, "wheel_rpm"),
        ):
            if there is not None and channel not in channels:
                part.wrong(field, "needs " + channel, "measure that channel, or remove this limit")
