"""Where the chain from water to battery settles at a flow, as a table that whole arrays are looked up in.

The dynamic twin's own wheel, drive and bridge are run at one flow after the other until nothing changes, and what they
lost and gave in a while is written down. So both twins share one machine, in every condition; what the fast one leaves
out is how it gets from one steady state to the next, a matter of seconds. Where nothing settles (a converter that
hunts) the table holds the mean. Where a series controller takes less than the machine could give, there is a table for
each of some shares of it, and what lies between them is read off straight lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from wheelpit.plant.chain import chain_of, charging_v
from wheelpit.plant.description import FoldBackConverter, NoConverter
from wheelpit.twin.bus import BusModel
from wheelpit.twin.condition import Condition
from wheelpit.twin.trouble import UnmodelledError
from wheelpit.twin.wheel import WheelModel

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.fast.columns import Floats

_NODES: Final = 64
_BEND: Final = 1.5  # nodes lie closer at low flows, where charging begins
_STEP_S: Final = 0.08
_HUNTING_STEP_S: Final = 0.02
_LOOK_S: Final = 2.0
_LOOKS: Final = 20
_SETTLED: Final = 5e-5  # what the stores still gain, over what the water brings ...
_LEAST_W: Final = 4.0  # ... and over no less
_NO_LOAD_A: Final = 1e-2
_LESS: Final = 0.97
_CALM_LOOKS: Final = 4
_MEAN_LOOKS: Final = 10  # of what does not settle
# Of what the machine could give: closer where little is held back, since a wheel races off at the first of it.
_SHARES: Final = (0.0, 0.4, 0.75, 0.92, 1.0)
_ROUNDED: Final = 50  # conditions are told apart to a fiftieth

# Energies that are counted [J], in the order of the way from water to battery.
_OF_WHEEL: Final = ("water_j", "missed_j", "entry_j", "exit_j", "bearing_j", "jam_j", "wade_j")
_OF_DRIVE: Final = ("belt_j", "iron_j", "shaft_j")
_OF_BUS: Final = ("copper_j", "diode_j", "bleed_j", "clamp_j", "rectified_j", "converter_j")
# States.
_LEVELS: Final = (
    "wheel_rad_s", "alternator_rad_s", "rectified_v", "rectified_a", "drum_nm", "moving_j", "raised_j", "capacitor_j",
)  # fmt: skip
POWERS: Final = (*(name.replace("_j", "_w") for name in (*_OF_WHEEL, *_OF_DRIVE, *_OF_BUS)), "given_w")
COLUMNS: Final = (*POWERS, *_LEVELS)
_RECTIFIED: Final = COLUMNS.index("rectified_w")
_LOST: Final = (COLUMNS.index("copper_w"), COLUMNS.index("iron_w"))


class Ailment(NamedTuple):
    """What of a `Condition` changes the chain from water to battery, told apart to a fiftieth."""

    ice: float = 0.0
    tailwater: float = 0.0
    jam: float = 0.0
    bearing_factor: float = 1.0
    belt_tension: float = 1.0
    magnets_share: float = 1.0
    pulses: float = 1.0
    forced: float = 0.0
    back_feed_a: float = 0.0
    open: bool = False
    leads_open: bool = False

    @classmethod
    def of(cls, condition: Condition, ice: float = 0.0) -> Ailment:
        """Return the ailment of a condition, and of ice that the weather makes."""

        def near(value: float) -> float:
            return round(value * _ROUNDED) / _ROUNDED

        return cls(
            ice=near(max(condition.ice, ice)),
            tailwater=near(condition.tailwater),
            jam=near(condition.jam),
            bearing_factor=near(condition.bearing_factor),
            belt_tension=near(condition.belt_tension),
            magnets_share=near(condition.magnets_share),
            pulses=near(condition.pulses),
            forced=near(condition.forced),
            back_feed_a=near(condition.back_feed_a),
            open=condition.fuse_open or condition.converter_dead,
            leads_open=condition.leads_open,
        )

    @property
    def held(self) -> bool:
        """Whether the wheel is held fast."""
        return self.jam >= 1 or self.ice >= 1

    def condition(self) -> Condition:
        """Return the condition that has just this ailment."""
        told = self._asdict()
        told["fuse_open"] = told.pop("open")
        return Condition(**told)


SOUND: Final = Ailment()


@dataclass(frozen=True, slots=True)
class SteadyChain:
    """The steady states of a chain in one state of repair.

    Args:
        flow_l_s: Flows onto the wheel, rising from 0 [L/s].
        columns: Per name of `COLUMNS` its value at each flow: powers [W], speeds [rad/s], volts, amperes, joules.
    """

    flow_l_s: Floats
    columns: dict[str, Floats]

    def look_up(self, flow_l_s: Floats, names: tuple[str, ...] = COLUMNS) -> dict[str, Floats]:
        """Return columns at each of many flows [L/s], straight between the table's.

        All are read with the same weights, so that what adds up in the table adds up everywhere.
        """
        last = self.flow_l_s.size - 2
        top = self.flow_l_s[-1]
        place = (last + 1) * (np.clip(flow_l_s, 0.0, top) / top) ** (1 / _BEND)
        row = np.minimum(place.astype(np.intp), last)
        weight = (flow_l_s - self.flow_l_s[row]) / np.diff(self.flow_l_s)[row]
        found: dict[str, Floats] = {}
        for name in names:
            column = self.columns[name]
            found[name] = column[row] + weight * np.diff(column)[row]
        return found


@lru_cache(maxsize=256)
def steady_chain(
    plant: Plant, assumptions: Assumptions, ailment: Ailment = SOUND, room_degc: float = 15.0
) -> SteadyChain:
    """Build the table of a plant's steady states.

    Args:
        plant: The plant; it must have a converter.
        assumptions: The twin's own figures.
        ailment: Its state of repair.
        room_degc: Temperature of the room where the alternator stands [°C]; its windings are as warm as they get.

    The battery is at its usual charging voltage: the converter asks for it only at its output limit.

    Raises:
        UnmodelledError: The bridge is straight on the battery, whose voltage then decides everything.
    """
    if isinstance(plant.converter, NoConverter):
        problem = 'converter.kind = "none": the battery holds the bridge\'s voltage; run this plant on the dynamic twin'
        raise UnmodelledError([problem])
    flows = plant.water.highest_flow_l_s * np.linspace(0, 1, _NODES + 1) ** _BEND
    return _settled(_Rig(plant, assumptions, ailment, room_degc), flows, np.full(flows.size, math.inf))


def _settled(rig: _Rig, flows: Floats, most_w: Floats) -> SteadyChain:
    """Return the steady states at some flows [L/s] where no more than so much is taken at each [W]."""
    rows = []
    # From the highest flow down: so a wheel that needs a push to start is met turning.
    for flow, most in zip(flows[::-1].tolist(), most_w[::-1].tolist(), strict=True):
        rig.most_w = most
        rows.append(rig.settle(flow / 1000))
    return SteadyChain(flows, dict(zip(COLUMNS, np.array(rows[::-1]).T, strict=True)))


@dataclass(frozen=True, slots=True)
class EasedChain:
    """The steady states of a chain of which a battery takes only a share: a table for each of `_SHARES`."""

    tables: tuple[SteadyChain, ...]

    def look_up(self, flow_l_s: Floats, share: Floats) -> dict[str, Floats]:
        """Return columns at each of many flows [L/s] and shares of what could be given, straight between tables."""
        shares = np.array(_SHARES)
        lower = np.clip(np.searchsorted(shares, share, "right") - 1, 0, shares.size - 2)
        weight = (np.clip(share, 0.0, 1.0) - shares[lower]) / np.diff(shares)[lower]
        found = {name: np.empty(flow_l_s.size) for name in COLUMNS}
        for number in np.unique(lower).tolist():
            at = np.flatnonzero(lower == number)
            low, high = (self.tables[place].look_up(flow_l_s[at]) for place in (number, number + 1))
            for name, column in found.items():
                column[at] = low[name] + weight[at] * (high[name] - low[name])
        return found


@lru_cache(maxsize=32)
def eased_chain(plant: Plant, assumptions: Assumptions, ailment: Ailment, room_degc: float) -> EasedChain:
    """Build the tables of a plant of which a battery takes only a share; arguments as for `steady_chain`."""
    free = steady_chain(plant, assumptions, ailment, room_degc)
    given_w = free.columns["given_w"]
    eased = [
        _settled(_Rig(plant, assumptions, ailment, room_degc), free.flow_l_s, share * given_w)
        for share in _SHARES[:-1]
    ]
    return EasedChain((*eased, free))


class _Rig:
    """Wheel, drive and bridge on the bench: water on one side, a battery that holds its voltage on the other."""

    def __init__(self, plant: Plant, assumptions: Assumptions, ailment: Ailment, room_degc: float) -> None:
        chain = chain_of(plant)
        self._wheel = WheelModel(plant, chain, assumptions)
        self._bus = BusModel(plant, chain.alternator, assumptions)
        self._battery_v = charging_v(plant)
        self._hunts = bool(ailment.forced) or not isinstance(plant.converter, FoldBackConverter)
        self._step_s = _HUNTING_STEP_S if self._hunts else _STEP_S
        self._given_j = self._change = 0.0
        self.most_w = math.inf  # that the battery takes
        # A cooling time constant of the windings' heat capacity.
        heat_j_per_k = assumptions.winding_j_per_k_w * plant.alternator.rated_w
        self._cooling_w_per_k = heat_j_per_k / assumptions.winding_cooling_s
        condition = ailment.condition()
        self._bus.room_degc = room_degc
        self._wheel.suffer(condition, 0.0)
        self._bus.suffer(condition)

    def settle(self, flow_m3_s: float) -> tuple[float, ...]:
        """Run at a flow until nothing changes, and return the means of the last look, in the order of `COLUMNS`."""
        last: list[tuple[float, ...]] = []
        for _ in range(_LOOKS):
            row, drift_w = self._look(flow_m3_s)
            last.append(row)
            if drift_w <= _SETTLED * max(row[0], _LEAST_W):
                return row if self._hunts or self._bus.rectified_a > _NO_LOAD_A else self._anew(flow_m3_s)
        part = last[-_MEAN_LOOKS:]
        return tuple(sum(values) / len(part) for values in zip(*part, strict=True))

    def _anew(self, flow_m3_s: float) -> tuple[float, ...]:
        """Let the capacitor, which holds for minutes the highest voltage that it saw, find the one of now."""
        for _ in range(_LOOKS):
            if self._look(flow_m3_s)[0][_RECTIFIED] > 0:
                break  # the bridge keeps it where it is
            self._bus.rectified_v *= _LESS
        for _ in range(_CALM_LOOKS):
            row = self._look(flow_m3_s)[0]
        return row

    def _look(self, flow_m3_s: float) -> tuple[tuple[float, ...], float]:
        wheel, bus, step_s = self._wheel, self._bus, self._step_s
        drive = wheel.drive
        begun, stored = self._counted(), self._stored()
        sums = [0.0] * 5
        steps = round(_LOOK_S / step_s)
        for _ in range(steps):
            speed = drive.speed_rad_s
            # The speed half-way through the step, from how it changed in the last one.
            electric_nm = bus.advance(
                step_s, max(speed + 0.5 * self._change, 0.0), self._battery_v, self.most_w
            )
            wheel.advance(step_s, flow_m3_s, electric_nm)
            self._change = drive.speed_rad_s - speed
            bus.turned(drive.turned_rad)
            self._given_j += bus.given_w * step_s
            now = (wheel.speed_rad_s, drive.speed_rad_s, bus.shown_v, bus.rectified_a, wheel.drum_nm)
            for number, value in enumerate(now):
                sums[number] += value
        wheel.ease(_LOOK_S)
        powers = [(now - then) / _LOOK_S for now, then in zip(self._counted(), begun, strict=True)]
        # The windings at once as warm as these losses make them.
        lost_w = sum(powers[place] for place in _LOST)
        bus.winding_degc = bus.room_degc + lost_w / self._cooling_w_per_k
        bus.tend(0.0, drive.iron_j)
        after = self._stored()
        # The capacitor's own slow fall without a load is no matter of the wheel's.
        drift_w = sum(abs(now - then) for now, then in zip(after[:2], stored[:2], strict=True)) / _LOOK_S
        return (*powers, *(value / steps for value in sums), *after), drift_w

    def _counted(self) -> list[float]:
        wheel, bus = self._wheel, self._bus
        return [
            *(getattr(wheel, name) for name in _OF_WHEEL),
            *(getattr(wheel.drive, name) for name in _OF_DRIVE),
            *(getattr(bus, name) for name in _OF_BUS),
            self._given_j,
        ]

    def _stored(self) -> tuple[float, float, float]:
        return self._wheel.moving_j, self._wheel.raised_j, self._bus.capacitor_j
