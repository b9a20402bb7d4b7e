"""The guard: local limits that drive a lamp, a buzzer and one output that may act, without any network.

It is an aid and never the protection. `tick` runs with every sample and allocates nothing; what it found is told and
kept by `keep`, a moment later. The lamp follows what is wrong, with hysteresis. The acting output latches: it stays
as it is, also over a restart, until the button at the wheel is pressed after the cause has gone. Nobody can reset or
silence it over the network.
"""

from micropython import const

from node.guardsettings import CONDITIONS

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from hal import Board

    from node.kept import Kept
    from node.pulses import Wheel
    from node.settings import Settings

FILE = "guard"
_OFF_MS = const(2000)  # below the limit for so long until a condition is over
_BAND_PERMILLE = const(20)  # and below it by so much
_BLIND_MS = const(10_000)
_PRESS_MS = const(1000)
_LONG_MS = const(3_600_000)  # counted time stops here
_BLINK_MS = const(500)
_FLASH_MS = const(200)
_CYCLE_MS = const(4000)
_RECTIFIED_OVER = const(0)
_BATTERY_OVER = const(1)
_OVERSPEED = const(2)
_STALL = const(3)
_RECTIFIED_HIGH = const(4)
_BLIND = const(5)
_ROOM_DEGC = const(2500)  # 25 degrees in steps


class Limit:
    """A limit with an on-delay and hysteresis: one spike is nothing, and what flickers at the limit stays raised."""

    __slots__ = ("_below_ms", "_on_ms", "_over_ms", "active", "limit")

    def __init__(self, limit: int, on_ms: int) -> None:
        self.limit = limit
        self.active = False
        self._on_ms = on_ms
        self._over_ms = -1  # since when it has been passed, -1: it is not
        self._below_ms = 0

    def take(self, value: "int | None", ms: int) -> None:
        """Judge a reading that came `ms` after the one before; without a reading nothing changes."""
        if value is None:
            self._over_ms = -1
            self._below_ms = 0
        elif value >= self.limit:
            self._below_ms = 0
            self._over_ms = 0 if self._over_ms < 0 else min(self._over_ms + ms, _LONG_MS)
            if self._over_ms >= self._on_ms:
                self.active = True
        else:
            self._over_ms = -1
            if not self.active:
                return
            if value > self.limit - self.limit // 1000 * _BAND_PERMILLE:
                self._below_ms = 0
                return
            self._below_ms += ms
            if self._below_ms >= _OFF_MS:
                self._below_ms = 0
                self.active = False

    def clear(self) -> None:
        """Begin again."""
        self.active = False
        self._over_ms = -1


class Guard:
    """Make one per boot where the settings have a guard. reminder: set by whoever knows of something forgotten.

    bits: what is wrong now, bit i for CONDITIONS[i]. latched: bits of what has acted and was not reset.
    """

    def __init__(self, settings: "Settings", board: "Board", kept: "Kept") -> None:
        told = settings.guard
        if told is None:
            raise ValueError("no guard in the settings")
        self._told = told
        self._kept = kept
        index = settings.layout.index
        self._rectified = index("rectified_v")
        self._battery = index("battery_v")
        self._degc = index("battery_degc")
        self._amps = max(index("charge_a"), index("rectified_a"))
        self._charging_ma = settings.charging_ma
        self._fast_mrpm = settings.wheel.cutout_mrpm if settings.wheel is not None else 0
        rectified = told.rectified
        self._over = Limit(rectified.limit_mv, rectified.on_ms) if rectified is not None else None
        self._high = Limit(rectified.warning_mv, rectified.on_ms) if rectified is not None else None
        battery = told.battery
        self._full = Limit(battery.limit_mv, battery.on_ms) if battery is not None else None
        fastest = told.overspeed_mrpm
        self._speed = Limit(fastest, told.overspeed_on_ms) if fastest is not None else None
        self._acting = 0
        for name in told.act_on:
            self._acting |= 1 << CONDITIONS.index(name)
        self._missing = [0, 0, 0]  # ms without rectified_v, battery_v, wheel_rpm
        self._last_mv = 0
        self._edges = -1
        self._was_fast = False
        self._wait_ms = 0
        self._still_ms = 0
        self._pickup_dead = False
        self._pressed_ms = -1  # -1: not seen open yet since boot; a stuck button resets nothing
        self._phase_ms = 0
        self._level = -1
        self._horn = -1
        self._quiet_ms = 0
        self._quiet_bits = 0
        self._told_bits = 0
        self._told_latch = 0
        self._raised = 0  # since `keep` last came by: also what was over again before that
        self._refused_reset = False
        self._saved = True
        self.reminder = False
        self.bits = 0
        self.latched = self._read() if told.act_pin is not None else 0
        self._told_latch = self.latched
        self._lamp = board.output(told.lamp_pin) if told.lamp_pin is not None else None
        self._buzzer = board.output(told.buzzer_pin) if told.buzzer_pin is not None else None
        self._act = board.output(told.act_pin) if told.act_pin is not None else None
        self._button = board.switch(told.reset_pin) if told.reset_pin is not None else None
        self._set_act()

    def tick(
        self,
        values: "list[int | None]",
        faults: "list[str | None]",
        wheel: "Wheel | None",
        parked: bool,  # noqa: FBT001 - by place: a keyword would cost memory at every sample
        ms: int,
    ) -> None:
        """Judge a sample that came `ms` after the one before, and drive the outputs."""
        bits = self._volts(values, faults, ms) | self._turning(values, wheel, parked, ms)
        fresh = bits & ~self.bits
        self.bits = bits
        self._raised |= fresh
        act = bits & self._acting if self._act is not None else 0
        if act & ~self.latched:
            self.latched |= act
            self._saved = False
            self._set_act()
        self._look_at_button(ms)
        if self._quiet_ms:
            self._quiet_ms = max(0, self._quiet_ms - ms)
            if bits & ~self._quiet_bits:
                self._quiet_ms = 0  # something else is wrong now: that must be heard
        self._show(ms)

    def _volts(self, values: "list[int | None]", faults: "list[str | None]", ms: int) -> int:
        bits = 0
        over = self._over
        high = self._high
        told = self._told
        if over is not None and high is not None and told.rectified is not None:
            mv = values[self._rectified]
            if mv is not None:
                self._last_mv = mv
            elif faults[self._rectified] == "railed" and self._last_mv >= told.rectified.warning_mv:
                mv = over.limit  # it has risen beyond what the input can show
            self._miss(0, mv, ms)
            over.take(mv, ms)
            high.take(mv, ms)
            if over.active:
                bits |= 1 << _RECTIFIED_OVER
            elif high.active:
                bits |= 1 << _RECTIFIED_HIGH
        full = self._full
        battery = told.battery
        if full is not None and battery is not None:
            mv = values[self._battery]
            degc = values[self._degc] if self._degc >= 0 else None
            if degc is None:
                degc = battery.coldest_degc * 100
            degc = max(degc, battery.coldest_degc * 100)
            full.limit = battery.limit_mv + battery.mv_per_degc * (degc - _ROOM_DEGC) // 100
            self._miss(1, mv, ms)
            full.take(mv, ms)
            if full.active:
                bits |= 1 << _BATTERY_OVER
        return bits

    def _turning(self, values: "list[int | None]", wheel: "Wheel | None", parked: bool, ms: int) -> int:  # noqa: FBT001 - as above
        speed = self._speed
        if parked:
            # Somebody works here and knows that the wheel stands. Over-voltage is told all the same.
            if speed is not None:
                speed.clear()
            self._was_fast = False
            self._pickup_dead = False
            return 0
        bits = 0
        stall_ms = self._told.stall_ms
        if wheel is not None and (speed is not None or stall_ms is not None):
            self._miss(2, None if wheel.blind else 0, ms)
            if speed is not None:
                speed.take(wheel.mrpm, ms)
                if speed.active:
                    bits |= 1 << _OVERSPEED
            if stall_ms is not None and self._stalled(values, wheel, stall_ms, ms):
                bits |= 1 << _STALL
        if self._pickup_dead or max(self._missing) >= _BLIND_MS:
            bits |= 1 << _BLIND
        return bits

    def _stalled(self, values: "list[int | None]", wheel: "Wheel", stall_ms: int, ms: int) -> bool:
        """Say whether the wheel stopped from above cut-out speed. One that ran down has run out of water."""
        mrpm = wheel.mrpm
        if wheel.edges != self._edges:
            self._edges = wheel.edges
            self._still_ms = 0
            self._pickup_dead = False
            if mrpm is not None and mrpm >= self._fast_mrpm:
                self._was_fast = True
                gap_ms = wheel.edge_gap_ms
                # Wheels lope: a fifth more than the longest gap of the last turn, twice.
                self._wait_ms = 0 if gap_ms is None else gap_ms * 12 // 5
                return False
            if self.bits >> _STALL & 1 == 0:
                self._was_fast = (
                    False  # it runs down; while a stall stands, a wheel that only rocks changes nothing
                )
        else:
            self._still_ms = min(self._still_ms + ms, _LONG_MS)
        if not self._was_fast:
            return False
        if self.bits >> _STALL & 1:
            return True
        if self._still_ms < self._wait_ms + stall_ms:
            return False
        ma = values[self._amps] if self._amps >= 0 else None
        if ma is not None and ma >= self._charging_ma:
            # No magnet passes and current flows: the pickup is dead, not the wheel.
            self._pickup_dead = True
            return False
        return True

    def _miss(self, i: int, value: "int | None", ms: int) -> None:
        self._missing[i] = 0 if value is not None else min(self._missing[i] + ms, _LONG_MS)

    def _look_at_button(self, ms: int) -> None:
        if self._button is None:
            return
        if not self._button():
            self._pressed_ms = 0
        elif 0 <= self._pressed_ms < _PRESS_MS:
            self._pressed_ms += ms
            if self._pressed_ms >= _PRESS_MS:
                self._reset()

    def _reset(self) -> None:
        self._was_fast = False
        self.bits &= ~(1 << _STALL)
        if self.latched & self.bits:
            self._refused_reset = True  # the cause is still there
        elif self.latched:
            self.latched = 0
            self._saved = False
            self._set_act()

    def _set_act(self) -> None:
        if self._act is not None:
            level = self._told.act_level
            self._act(level if self.latched else 1 - level)

    def _show(self, ms: int) -> None:
        self._phase_ms = (self._phase_ms + ms) % _CYCLE_MS
        bits = self.bits
        if self.latched or bits & (1 << _RECTIFIED_OVER | 1 << _BATTERY_OVER):
            level = 1
        elif bits & (1 << _OVERSPEED | 1 << _STALL | 1 << _RECTIFIED_HIGH):
            level = 1 if self._phase_ms % _BLINK_MS < _BLINK_MS // 2 else 0
        elif bits or self.reminder:
            level = 1 if self._phase_ms < _FLASH_MS else 0
        else:
            level = 0
        horn = level
        if self._quiet_ms:
            horn = 0
            if bits or self.latched or self.reminder:
                level = 1 if self._phase_ms < _FLASH_MS else 0  # never quite dark while something is wrong
        if level != self._level and self._lamp is not None:
            self._lamp(level)
        self._level = level
        if horn != self._horn and self._buzzer is not None:
            self._buzzer(horn)
        self._horn = horn

    def quiet(self, ms: int) -> None:
        """Silence the buzzer, and let the lamp only flash, about what is wrong now; the guard itself goes on."""
        self._quiet_ms = ms
        self._quiet_bits = self.bits

    def report(self) -> "dict[str, object]":
        """Return what the host is told once a second."""
        channels = ("rectified_v", "battery_v", "wheel_rpm")
        blind = [channels[i] for i in range(3) if self._missing[i] >= _BLIND_MS]
        if self._pickup_dead and "wheel_rpm" not in blind:
            blind.append("wheel_rpm")
        return {
            "alarms": _names(self.bits),
            "latched": _names(self.latched),
            "blind": blind,
            "quiet_ms": self._quiet_ms,
        }

    def keep(self, say: "Callable[[str], None]") -> None:
        """Write down a latch that has changed, and tell what has changed. Raises OSError when the flash refuses."""
        raised = self._raised
        self._raised = 0
        if raised:
            say("guard: " + ", ".join(_names(raised)))
        over = self._told_bits & ~self.bits
        if over:
            say("guard: no longer " + ", ".join(_names(over)))
        self._told_bits = self.bits
        latched = self.latched
        if latched != self._told_latch:
            self._told_latch = latched
            say("guard: acted, until it is reset at the wheel" if latched else "guard: reset at the wheel")
        if self._refused_reset:
            self._refused_reset = False
            say("guard: not reset, the cause is still there")
        if not self._saved:
            self._kept.write(FILE, {"latched": _names(latched)})
            self._saved = latched == self.latched

    def _read(self) -> int:
        told = self._kept.read(FILE)
        named = told.get("latched")
        if not isinstance(named, list):
            # What is there and cannot be read may have been a latch: the safe reading is that it was.
            return self._acting if self._kept.there(FILE) else 0
        bits = 0
        for name in named:
            if name in CONDITIONS:
                bits |= 1 << CONDITIONS.index(name)
        return bits


def _names(bits: int) -> "list[str]":
    return [CONDITIONS[i] for i in range(len(CONDITIONS)) if bits >> i & 1]
