"""The truth of a stretch of time, as columns: water, powers, losses, battery, faults, at every step.

Each state of the machine follows from the flow of its moment, by `steady`; only the battery, the capacitor and the
wander of the stream remember what was before. Steps are 10 s for years of records, 1 s where every live message counts.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.plant.chain import RPM
from wheelpit.plant.description import DividerSensor
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.balance import Balance
from wheelpit.twin.fast.around import Levels, Surroundings
from wheelpit.twin.fast.bank import FastBank
from wheelpit.twin.fast.columns import held_while_idle
from wheelpit.twin.fast.orders import NONE, Plan
from wheelpit.twin.fast.steady import COLUMNS, POWERS, SOUND, Ailment, eased_chain, steady_chain
from wheelpit.twin.season import Season

if TYPE_CHECKING:
    import datetime as dt

    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition
    from wheelpit.twin.fast.around import Around
    from wheelpit.twin.fast.columns import Flags, Floats
    from wheelpit.twin.fast.household import Habits
    from wheelpit.twin.fast.orders import Orders, Stretch
    from wheelpit.twin.season import Source

_STANDS_RPM: Final = 0.5  # no magnet passes for half a minute: a node calls that standing
_ROOMS_DEGC: Final = (
    0.0,
    20.0,
)  # the air at which tables of a sound plant are built; others lie between and beyond
_NEAR_DEGC: Final = 10.0  # a plant that is not sound is built at the nearest multiple of this
_ICE_STEPS: Final = 4
_ROOM_S: Final = 4 * 3600.0  # the battery's room is taken as even for so long
_NO_LOAD_A: Final = 1e-3
_NO_LOAD_W: Final = 1e-6

BANK_POWERS: Final = ("ohmic_w", "polarisation_w", "gassing_w", "dump_w", "load_w")
TRUTH: Final = ("stream_l_s", "flow_l_s", "air_degc", *POWERS, *BANK_POWERS, "charge_w", "state_of_charge")
CHANNELS: Final = (
    "wheel_rpm", "alternator_rpm", "rectified_v", "rectified_a", "battery_v", "charge_a", "battery_a", "load_a", "dump_a",
    "battery_degc", "water_degc", "shaft_nm", "node_v", "stage_m",
)  # fmt: skip
_OF_BANK: Final = ("battery_v", "charge_a", "battery_a", "load_a", "dump_a", "battery_degc")


@dataclass(frozen=True, slots=True)
class Course:
    """What truly happened over some time, a value a step.

    Args:
        from_s: Where it begins, in the twin's time [s].
        step_s: Length of a step [s].
        truth: By name of `TRUTH`: flows, powers, losses, state of charge.
        channels: By name of `CHANNELS`: what sensors without error would show.
        stands: Whether the wheel stands.
        stretches: What was out of order, and how gate, loads and switch were, in order of time.
    """

    from_s: float
    step_s: float
    truth: dict[str, Floats]
    channels: dict[str, Floats]
    stands: Flags
    stretches: list[Stretch]

    @property
    def size(self) -> int:
        """How many steps there are."""
        return self.stands.size

    def part(self, stretch: Stretch) -> slice:
        """Return the steps of one of the stretches."""
        return slice(self.place(stretch.from_s), self.place(stretch.to_s))

    def place(self, t_s: float) -> int:
        """Return the step that begins nearest to a time, within the course."""
        return min(max(round((t_s - self.from_s) / self.step_s), 0), self.size)


class FastTwin:
    """A simulated plant that goes by whole stretches of time.

    Args:
        plant: The plant; it has a converter, of the fold-back kind where its controller is in series.
        seed: Seed of all that is random.
        first_day: The day at whose midnight (UTC) it starts.
        orders: Faults, and what is done at the gate and in the house.
        source: Where the water comes from; without one a season of that seed.
        habits: The household; None for one that takes only its inverter's idle and what is ordered.
        assumptions: The twin's own figures.
        state_of_charge: The bank's to begin with, 0 to 1.
        step_s: Length of a step, a divisor of a minute [s].
        ask_s: How often the source is asked; between, lines are straight [s].

    `t_s` is how far it has gone [s].

    Raises:
        UnmodelledError: The plant, or a fault, is of a kind that only the dynamic twin can do.
        FaultError: A fault is not known, or the plant cannot have it.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        first_day: dt.date,
        seed: int = 1,
        orders: Orders = NONE,
        source: Source | None = None,
        habits: Habits | None = None,
        assumptions: Assumptions = USUAL,
        state_of_charge: float = 0.8,
        step_s: float = 10.0,
        ask_s: float = 3600.0,
    ) -> None:
        # Tables are kept, and their room is told apart from the one where the run begins.
        self._of_chain = replace(assumptions, room_degc=_ROOMS_DEGC[0])
        steady_chain(plant, self._of_chain, SOUND, _ROOMS_DEGC[0])  # refuses what has no steady states
        self.plant = plant
        self.step_s = step_s
        self.t_s = 0.0
        self._plan = Plan(plant, orders)
        self._around = Surroundings(
            Season(seed, first_day) if source is None else source,
            habits,
            plant.inverter.idle_w,
            assumptions,
            seed=seed,
            first_day=first_day,
            step_s=step_s,
            ask_s=ask_s,
        )
        self._levels = Levels(plant, assumptions) if plant.sensor("stage_m") is not None else None
        self._bank = FastBank(plant, assumptions, state_of_charge, step_s=step_s)
        self._suffered: Condition | None = None
        divider = plant.sensor("rectified_v")
        bleed_ohm = assumptions.bleed_ohm
        if isinstance(divider, DividerSensor):
            bleed_ohm = divider.upper_ohm + divider.lower_ohm
        self._holds_s = assumptions.capacitor_f * bleed_ohm
        self._held_v = 0.0
        self._sums = dict.fromkeys((*POWERS, *BANK_POWERS), 0.0)
        self._stored_begun = self._stored = dict.fromkeys(("moving_j", "raised_j", "capacitor_j"), 0.0)
        self._bank_begun = {"polarised_j": self._bank.polarised_j, "chemical_j": self._bank.chemical_j}

    def run(self, seconds: float) -> Course:
        """Go on by so many seconds, in whole steps, and return what happened."""
        count = round(seconds / self.step_s)
        from_s, to_s = self.t_s, self.t_s + count * self.step_s
        around = self._around.weather(from_s, count)
        stretches = list(self._plan.stretches(from_s, to_s))
        zero = np.zeros(count)
        course = Course(
            from_s,
            self.step_s,
            {"stream_l_s": around.stream_l_s, "flow_l_s": zero.copy(), "air_degc": around.air_degc},
            {"water_degc": around.water_degc},
            zero.astype(bool),
            stretches,
        )
        machine = {name: np.empty(count) for name in COLUMNS}
        for stretch in stretches:
            self._machine(course, stretch, around, machine)
        taken = self._run_bank(course, machine["given_w"], around.room_degc)
        if self._bank.controller.series:
            for stretch in stretches:
                self._machine(course, stretch, around, machine, taken)
        self._show_machine(course, machine)
        self.t_s = to_s
        self._count(course, machine)
        return course

    def _machine(
        self,
        course: Course,
        stretch: Stretch,
        around: Around,
        machine: dict[str, Floats],
        taken: Floats | None = None,
    ) -> None:
        """Fill in wheel, drive and bridge of one stretch; `taken` is the share of what they could give that is taken."""
        part, condition = course.part(stretch), stretch.condition
        most_l_s = 0.0 if stretch.parked else min(stretch.most_l_s, self.plant.water.highest_flow_l_s)
        passes = condition.flow_share * (1 - around.leaves[part])
        flow_l_s = np.minimum(around.stream_l_s[part], most_l_s) * passes
        course.truth["flow_l_s"][part] = flow_l_s
        ice = np.round(around.ice[part] * _ICE_STEPS) / _ICE_STEPS
        for begin, end in _even(ice):
            ailment = Ailment.of(condition, float(ice[begin]))
            here = slice(part.start + begin, part.start + end)
            share = None if taken is None else taken[here]
            if share is not None and (share == 1).all():
                continue  # it is there already
            found = self._look_up(ailment, flow_l_s[begin:end], around.air_degc[here], share)
            for name, column in found.items():
                machine[name][here] = column

    def _look_up(
        self, ailment: Ailment, flow_l_s: Floats, air_degc: Floats, taken: Floats | None
    ) -> dict[str, Floats]:
        if ailment != SOUND:
            near = round(float(air_degc.mean()) / _NEAR_DEGC) * _NEAR_DEGC
            return self._settled(ailment, near, flow_l_s, taken)
        cold_degc, warm_degc = _ROOMS_DEGC
        cold = self._settled(SOUND, cold_degc, flow_l_s, taken)
        warm = self._settled(SOUND, warm_degc, flow_l_s, taken)
        share = (air_degc - cold_degc) / (warm_degc - cold_degc)
        return {name: column + share * (warm[name] - column) for name, column in cold.items()}

    def _settled(
        self, ailment: Ailment, room_degc: float, flow_l_s: Floats, taken: Floats | None
    ) -> dict[str, Floats]:
        if taken is None:
            return steady_chain(self.plant, self._of_chain, ailment, room_degc).look_up(flow_l_s)
        return eased_chain(self.plant, self._of_chain, ailment, room_degc).look_up(flow_l_s, taken)

    def _show_machine(self, course: Course, machine: dict[str, Floats]) -> None:
        wheel_rpm = machine["wheel_rad_s"] / RPM
        np.less(wheel_rpm, _STANDS_RPM, out=course.stands)
        rectified_v = held_while_idle(
            machine["rectified_v"],
            machine["rectified_a"] > _NO_LOAD_A,
            step_s=self.step_s,
            time_s=self._holds_s,
            before=self._held_v,
        )
        self._held_v = float(rectified_v[-1])
        channels = course.channels
        channels["wheel_rpm"] = np.where(course.stands, 0.0, wheel_rpm)
        channels["alternator_rpm"] = machine["alternator_rad_s"] / RPM
        channels["rectified_v"] = rectified_v
        channels["rectified_a"] = machine["rectified_a"]
        channels["shaft_nm"] = machine["drum_nm"]
        truth = course.truth
        for name in POWERS:
            truth[name] = machine[name]
        inside = self._bank.controller.inside
        truth["charge_w"] = truth["given_w"] - truth["dump_w"] if inside else truth["given_w"]
        if self._levels is not None:
            stage_m = self._levels.stage_m(course.truth["stream_l_s"], course.truth["flow_l_s"])
            for stretch in course.stretches:
                stage_m[course.part(stretch)] += stretch.condition.weir_debris_m
            channels["stage_m"] = stage_m

    def _run_bank(self, course: Course, given_w: Floats, room_degc: Floats) -> Floats:
        """Step the battery through every stretch, in parts with one room temperature.

        Returns:
            The share of what the converter could give [W] that was let in, step by step.
        """
        bank, truth, channels = self._bank, course.truth, course.channels
        loads_w = self._around.loads_w(course.from_s, course.size)
        for name in (*BANK_POWERS, "state_of_charge"):
            truth[name] = np.empty(course.size)
        for name in _OF_BANK:
            channels[name] = np.empty(course.size)
        taken = np.ones(course.size)
        longest = round(_ROOM_S / self.step_s)
        for stretch in course.stretches:
            if stretch.condition is not self._suffered:
                bank.suffer(stretch.condition)
                self._suffered = stretch.condition
            part = course.part(stretch)
            for begin in range(part.start, part.stop, longest):
                here = slice(begin, min(begin + longest, part.stop))
                wanted_w = self._around.thrifty_w(loads_w[here], bank.state_of_charge) + stretch.extra_w
                found = bank.stretch(given_w[here], wanted_w, float(room_degc[here].mean()))
                taken[here] -= found.refused_w / np.maximum(given_w[here], _NO_LOAD_W)
                for name in (*BANK_POWERS, "state_of_charge"):
                    truth[name][here] = getattr(found, name)
                for name in _OF_BANK:
                    channels[name][here] = getattr(found, name)
        channels["node_v"] = channels["battery_v"]
        return taken

    def _count(self, course: Course, machine: dict[str, Floats]) -> None:
        if course.from_s == 0:
            self._stored_begun = {name: float(machine[name][0]) for name in self._stored}
        self._stored = {name: float(machine[name][-1]) for name in self._stored}
        for name in self._sums:
            self._sums[name] += float(course.truth[name].sum()) * self.step_s

    @property
    def given_j(self) -> float:
        """Energy that the converter gave since the start [J]."""
        return self._sums["given_w"]

    def balance(self) -> Balance:
        """Return the energies since the start."""
        bank = self._bank
        found = {name.replace("_w", "_j"): value for name, value in self._sums.items()}
        found["self_discharge_j"], found["changed_j"] = bank.self_discharge_j, bank.changed_j
        for name, begun in self._stored_begun.items():
            found[name.replace("_j", "_gain_j")] = self._stored[name] - begun
        for name, begun in self._bank_begun.items():
            found[name.replace("_j", "_gain_j")] = getattr(bank, name) - begun
        return Balance(**{field.name: found[field.name] for field in fields(Balance)})


def _even(values: Floats) -> list[tuple[int, int]]:
    """Return where values are the same: begin and end of each run of them."""
    cuts = (np.flatnonzero(np.diff(values)) + 1).tolist()
    return list(zip([0, *cuts], [*cuts, values.size], strict=True)) if values.size else []
