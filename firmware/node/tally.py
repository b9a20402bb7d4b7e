"""Exact totals since boot: energy, charge, turns, and time in each state. They only ever rise.

A total is kept in limbs, so that no sum or product in the sampler passes 2^30, the reach of a small integer
on the boards. The bound holds for steps of at most STEP_MAX_MS and as long as volts and amperes together stay
below 1074; beyond, the results are still exact, only slower. What is left over below one unit of a total is
carried, never cut off: 5 W for 10 s is 13.889 mWh, and a third of a turn is no whole number of thousandths.
"""

from micropython import const

from node import names

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.pulses import Wheel
    from node.settings import Settings

# A reading speaks for at most this long; what a longer pause of the sampler leaves over was not measured.
STEP_MAX_MS = const(1000)
_LIMB = const(1 << 28)
_MJ_PER_MWH = const(3600)


class Counter:
    """A whole number that only rises: milliseconds, events."""

    __slots__ = ("_high", "_low")

    def __init__(self) -> None:
        self._high = 0
        self._low = 0

    def add(self, amount: int) -> None:
        """Count `amount` more (0 .. 2^28)."""
        low = self._low + amount
        if low >= _LIMB:
            low -= _LIMB
            self._high += 1
        self._low = low

    def value(self) -> int:
        """Return the total."""
        return self._high * _LIMB + self._low


class Charge(Counter):
    """Milliampere seconds from milliamperes and milliseconds."""

    __slots__ = ("_rest",)

    def __init__(self) -> None:
        super().__init__()
        self._rest = 0  # thousandths of 1 mA s

    def flow(self, ma: int, ms: int) -> None:
        """Add a current (mA, not negative) that flowed for `ms`."""
        rest = self._rest + ma * ms
        self._rest = rest % 1000
        self.add(rest // 1000)


class Energy(Counter):
    """Milliwatt hours from millivolts, milliamperes and milliseconds."""

    __slots__ = ("_mj", "_nj", "_uj")

    def __init__(self) -> None:
        super().__init__()
        self._mj = 0
        self._uj = 0
        self._nj = 0

    def flow(self, mv: int, ma: int, ms: int) -> None:
        """Add a power of `mv` times `ma` (neither negative) that flowed for `ms`."""
        # mV x mA x ms is nJ. Volts and amperes are split at the thousand, so that each partial product stays
        # small: 998 001 nJ/ms from the thousandths, 999 x (V + A) uJ/ms across, V x A mJ/ms from the wholes.
        v = mv // 1000
        mv %= 1000
        a = ma // 1000
        ma %= 1000
        rest = self._nj + mv * ma * ms
        self._nj = rest % 1000
        rest = self._uj + rest // 1000 + (v * ma + a * mv) * ms
        self._uj = rest % 1000
        rest = self._mj + rest // 1000 + v * a * ms
        self._mj = rest % _MJ_PER_MWH
        self.add(rest // _MJ_PER_MWH)


class Pair:
    """Voltage and current of one node of the circuit: their energy each way, and the time both were read."""

    __slots__ = ("_amps", "_back", "_forth", "_valid", "_volts")

    def __init__(self, volts: int, amps: int, forth: Energy, back: "Energy | None", valid: Counter) -> None:
        self._volts = volts
        self._amps = amps
        self._forth = forth
        self._back = back
        self._valid = valid

    def add(self, values: "list[int | None]", ms: int) -> None:
        """Count one sample; a negative product goes into the total for it, or nowhere if there is none."""
        mv = values[self._volts]
        ma = values[self._amps]
        if mv is None or ma is None:
            return
        self._valid.add(ms)
        if (mv < 0) == (ma < 0):
            self._forth.flow(abs(mv), abs(ma), ms)
        elif self._back is not None:
            self._back.flow(abs(mv), abs(ma), ms)


# Where the energy of a pair goes that flows the positive and, if that is counted, the negative way.
_WAYS = {"charge": ("charge_mwh", "charge_back_mwh"), "battery": ("battery_in_mwh", "battery_out_mwh")}


class Tally:
    """All totals of one boot, in the order of the layout.

    The totals of magnets and turns are in the pickup; `wheel` is None on a node without one.
    """

    __slots__ = (
        "_above", "_battery", "_battery_in", "_battery_out", "_charge", "_charging", "_charging_ma",
        "_charging_time", "_counters", "_cutin_mrpm", "_cutout_mrpm", "_flips", "_into", "_layout", "_pairs",
        "_parked", "_rpm", "_stopped", "_turning", "_valid", "_wheel",
    )  # fmt: skip

    def __init__(self, settings: "Settings", wheel: "Wheel | None") -> None:
        layout = settings.layout
        self._layout = layout
        self._wheel = wheel
        self._rpm = layout.index("wheel_rpm")
        self._charge = layout.index("charge_a")
        self._battery = layout.index("battery_a")
        self._charging_ma = settings.charging_ma
        self._cutin_mrpm = settings.wheel.cutin_mrpm if settings.wheel is not None else 0
        self._cutout_mrpm = settings.wheel.cutout_mrpm if settings.wheel is not None else 0
        self._charging = False
        self._valid = Counter()
        self._turning = Counter()
        self._stopped = Counter()
        self._parked = Counter()
        self._above = Counter()
        self._charging_time = Counter()
        self._flips = Counter()
        self._into = Charge()
        self._battery_in = Charge()
        self._battery_out = Charge()
        self._counters: dict[str, Counter] = {
            "wheel_valid_ms": self._valid,
            "turning_ms": self._turning,
            "stopped_ms": self._stopped,
            "parked_ms": self._parked,
            "above_cutin_ms": self._above,
            "charging_ms": self._charging_time,
            "charge_flips": self._flips,
            "charge_mas": self._into,
            "battery_in_mas": self._battery_in,
            "battery_out_mas": self._battery_out,
        }
        self._pairs = [self._pair(*pair) for pair in names.PAIRS if pair[0] + "_valid_ms" in layout.totals]

    def _pair(self, pair: str, volts: str, amps: str) -> Pair:
        ways = _WAYS.get(pair, (pair + "_mwh",))
        flows = [Energy() for _ in ways]
        for i, way in enumerate(ways):
            self._counters[way] = flows[i]
        valid = self._counters[pair + "_valid_ms"] = Counter()
        index = self._layout.index
        return Pair(index(volts), index(amps), flows[0], flows[1] if len(flows) > 1 else None, valid)

    def add(self, values: "list[int | None]", state: str, ms: int) -> None:
        """Count one sample, whose readings stand for the last `ms` (at most STEP_MAX_MS)."""
        for pair in self._pairs:
            pair.add(values, ms)
        mrpm = values[self._rpm] if self._rpm >= 0 else None
        if self._rpm >= 0:
            self._add_time(mrpm, state, ms)
        ma = values[self._battery] if self._battery >= 0 else None
        if ma is not None:
            if ma > 0:
                self._battery_in.flow(ma, ms)
            else:
                self._battery_out.flow(-ma, ms)
        ma = values[self._charge] if self._charge >= 0 else None
        if ma is not None:
            if ma > 0:
                self._into.flow(ma, ms)
            self._add_charging(ma, mrpm, state, ms)

    def totals(self) -> list[int]:
        """Return all totals since boot, in the order of the layout."""
        return [self._total(name) for name in self._layout.totals]

    def _total(self, name: str) -> int:
        if name in self._counters:
            return self._counters[name].value()
        wheel = self._wheel
        if wheel is None:
            return 0
        if name == "wheel_edges":
            return wheel.edges
        if name == "wheel_rejected":
            return wheel.rejected
        return wheel.mrev()

    def _add_time(self, mrpm: "int | None", state: str, ms: int) -> None:
        if mrpm is not None:
            self._valid.add(ms)
        if state == "parked":
            self._parked.add(ms)
        elif state == "stopped":
            self._stopped.add(ms)
        elif state != "unknown":
            self._turning.add(ms)
            if mrpm is not None and mrpm >= self._cutin_mrpm:
                self._above.add(ms)

    def _add_charging(self, ma: int, mrpm: "int | None", state: str, ms: int) -> None:
        """Count charging from `charging_ma` on until below half of it, and the falls that the wheel did not cause."""
        if ma >= self._charging_ma:
            self._charging = True
        elif 2 * ma < self._charging_ma:
            if self._charging and state != "parked" and mrpm is not None and mrpm >= self._cutout_mrpm:
                self._flips.add(1)
            self._charging = False
        if self._charging:
            self._charging_time.add(ms)
