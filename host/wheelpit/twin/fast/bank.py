"""The battery node over whole stretches: the dynamic twin's bank, stepped once a record instead of every 5 ms.

What hurries, the polarisation, takes one implicit step a record; charge, acid, temperature, controller and loads
follow every minute or two, by the bank's own rules. What flows is then worked out for all records at once from that state,
so that power and charge balance in every one of them. Whatever swings within a record is a mean, as in `bank`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.plant.description import FoldBackConverter, NoConverter
from wheelpit.twin.bank import BankModel
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.fast.columns import Floats

_SLOW_S: Final = 60.0  # so often, or after so many steps, what is slow follows
_SLOW_STEPS: Final = 12


@dataclass(frozen=True, slots=True)
class BankColumns:
    """What happened at the battery node, a value a step: volts, amperes, watts, share of charge, °C.

    `refused_w` could have come, but a series controller did not let it in.
    """

    battery_v: Floats
    charge_a: Floats
    battery_a: Floats
    load_a: Floats
    dump_a: Floats
    ohmic_w: Floats
    polarisation_w: Floats
    gassing_w: Floats
    dump_w: Floats
    refused_w: Floats
    load_w: Floats
    state_of_charge: Floats
    battery_degc: Floats


def check_modelled(plant: Plant) -> None:
    """Raise `UnmodelledError` where a full battery unloads the wheel in a way that has no steady state by share."""
    problems = []
    if plant.controller.topology == "series" and not isinstance(plant.converter, FoldBackConverter):
        problems.append(
            f'controller.topology = "series" with converter.kind = "{plant.converter.kind}": a full battery makes it hunt'
        )
    if not isinstance(plant.converter, NoConverter) and plant.converter.output_limit_v is not None:
        limit_v = plant.converter.output_limit_v
        problems.append(f"converter.output_limit_v = {limit_v:g}: a full battery unloads the wheel")
    if problems:
        raise UnmodelledError([f"{problem}; run this plant on the dynamic twin" for problem in problems])


class FastBank(BankModel):
    """The bank of `wheelpit.twin.bank`, run over whole stretches.

    Args:
        plant: The plant; with a controller in series its converter is of the fold-back kind.
        assumptions: The twin's own figures.
        state_of_charge: Where it starts, 0 to 1.
        step_s: Length of a step, a divisor of a minute [s].

    Raises:
        UnmodelledError: A full battery would unload the wheel in a way that this cannot do.
    """

    def __init__(
        self, plant: Plant, assumptions: Assumptions, state_of_charge: float, *, step_s: float = 10.0
    ) -> None:
        check_modelled(plant)
        super().__init__(plant, assumptions, state_of_charge)
        self._step_s = step_s
        self._steps = max(round(_SLOW_S / step_s), _SLOW_STEPS)

    def stretch(self, given_w: Floats, load_w: Floats, room_degc: float) -> BankColumns:
        """Go on by as many steps as there are powers, all under one condition.

        Args:
            given_w: Power that arrives from the converter, a value a step [W].
            load_w: Power that the loads want [W].
            room_degc: Temperature of the room where the bank stands [°C].
        """
        self.room_degc = room_degc
        controller, could_w = self.controller, given_w
        if controller.series and controller.fails_open:
            given_w = np.zeros(given_w.size)
        begun_c, begun_v = self.stored_c, self.polarisation_v
        wanted_w = load_w + self._ohm * self._ripple * (load_w / self.battery_v) ** 2
        polarisation_v, slow = self._follow(given_w - wanted_w, given_w)

        count = given_w.size
        rest_v, diffusion_v, limit_v, accept_s, give_s, gassing_v, on, degc, lost_c = (
            np.repeat(row, self._steps)[:count] for row in np.array(slow).T
        )
        inner_v = rest_v + diffusion_v + polarisation_v
        wanted_w = wanted_w * on
        battery_v, over_a, chopped = self._nodes(inner_v, given_w - wanted_w, limit_v)
        # What a controller beside the battery diverts, one before it does not let in.
        dump_a = np.zeros(count) if controller.series else over_a
        refused_w = could_w - given_w
        if controller.series:
            refused_w = refused_w + battery_v * over_a
            # Above its limit, as when float begins, it lets in nothing; it takes nothing out.
            shut = refused_w > could_w
            if shut.any():
                refused_w = np.minimum(refused_w, could_w)
                shut_v = np.full(int(shut.sum()), math.inf)
                battery_v[shut] = self._nodes(inner_v[shut], -wanted_w[shut], shut_v)[0]
        battery_a = (battery_v - inner_v) / self._ohm
        load_a = wanted_w / battery_v
        swing = self._ripple * load_a * load_a
        cells = self._cells
        gassing_a = cells.gassing_a * self._worn_gassing * np.exp((inner_v - gassing_v) * cells.gassing_per_v)
        # What the plates gained, from the currents themselves: the state above lags by as little as it may.
        through_c = np.cumsum(battery_a - gassing_a) * self._step_s
        lost_c = np.cumsum(np.where(np.arange(count) % self._steps == 0, lost_c, 0.0))
        stored_c = begun_c + through_c - lost_c
        self.stored_c = float(stored_c[-1])
        leak_s = np.where(polarisation_v > 0, accept_s, give_s)
        moved_v = np.diff(polarisation_v, prepend=begun_v)
        damped_w = 0.5 * cells.polarisation_f / self._step_s * moved_v * moved_v
        return BankColumns(
            battery_v=battery_v,
            charge_a=battery_a + load_a + (0.0 if controller.inside else dump_a),
            battery_a=battery_a,
            load_a=load_a,
            dump_a=dump_a,
            ohmic_w=(battery_a * battery_a + swing + chopped) * self._ohm,
            polarisation_w=leak_s * polarisation_v * polarisation_v
            + damped_w
            + diffusion_v * diffusion_v / (cells.diffusion_ohm * self._worn_ohm),
            gassing_w=inner_v * gassing_a,
            dump_w=battery_v * dump_a - self._ohm * chopped,
            refused_w=refused_w,
            load_w=battery_v * load_a - self._ohm * swing,
            state_of_charge=stored_c / self._capacity_c,
            battery_degc=degc,
        )

    def _nodes(self, inner_v: Floats, net_w: Floats, limit_v: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the node's voltage [V], the current that is over there [A] and the variance of its chopping [A²]."""
        controller = self.controller
        siemens, held_s = 1 / self._ohm, controller.held_s
        half_a = 0.5 * inner_v * siemens
        volts = (half_a + np.sqrt(np.maximum(half_a * half_a + (siemens + held_s) * net_w, 0.0))) / (
            siemens + held_s
        )
        limited = volts > limit_v
        volts = np.where(limited, limit_v, volts)
        dump_a = np.where(limited, net_w / volts - (volts - inner_v) * siemens, volts * held_s)
        if controller.series:
            return volts, dump_a, np.zeros(volts.size)
        most_a = volts * controller.dump_s
        over = limited & (dump_a > most_a)
        if over.any():
            # The diversion load is wholly on and not enough.
            all_s = siemens + controller.dump_s
            alone = (half_a + np.sqrt(half_a * half_a + all_s * net_w)) / all_s
            volts = np.where(over, alone, volts)
            dump_a = np.where(over, alone * controller.dump_s, dump_a)
        chopped = np.zeros(volts.size)
        if controller.chopped:
            chopped = np.where(limited & ~over, (dump_a - volts * held_s) * (most_a - dump_a), 0.0)
        return volts, dump_a, chopped

    # One loop on local names: calls inside it would double the time of a year.
    def _follow(  # noqa: PLR0915 - see above
        self, net_w: Floats, alone_w: Floats
    ) -> tuple[Floats, list[tuple[float, ...]]]:
        """Step polarisation and charge, and what changes slowly.

        Args:
            net_w: Power into battery and diversion with the loads on [W].
            alone_w: The same with the loads off [W].

        Returns:
            The polarisation at the end of each step [V], and a row of what is slow for every few steps, as `stretch` takes it apart.
        """
        cells, controller = self._cells, self.controller
        step_s, steps = self._step_s, self._steps
        ohm, siemens = self._ohm, 1 / self._ohm
        # A series controller need not put anywhere what it does not let in.
        series = controller.series
        held_s, dump_s = controller.held_s, math.inf if series else controller.dump_s
        per_step = cells.polarisation_f / step_s
        gassing_a, per_v = cells.gassing_a * self._worn_gassing, cells.gassing_per_v
        exp = math.exp
        on, off = net_w.tolist(), alone_w.tolist()
        drawn = (alone_w - net_w).tolist()
        stored_c, after_v, volts = self.stored_c, self.polarisation_v, self.battery_v
        found: list[float] = []
        add = found.append
        slow: list[tuple[float, ...]] = []
        lost_c = 0.0
        for begin in range(0, len(on), steps):
            powers = (on if self.loads_on else off)[begin : begin + steps]
            base_v = self._rest_v + self.diffusion_v
            if 0.25 * (base_v + after_v) ** 2 + ohm * min(powers) < 0:
                self.loads_on = False  # more than the bank can give at any voltage: the inverter trips
                powers = off[begin : begin + steps]
            limit_v = controller.limit_v if controller.diverts or controller.tapers else math.inf
            accept_s, give_s, gassing_v = self._accept_s, self._give_s, self._gassing_v
            slow.append(
                (
                    self._rest_v, self.diffusion_v, limit_v, accept_s, give_s, gassing_v, float(self.loads_on),
                    self.temperature_degc, lost_c,
                )
            )  # fmt: skip
            minute_c = stored_c
            gas_a = battery_a = 0.0
            for power in powers:
                inner_v = base_v + after_v
                before_volts = volts
                battery_a = power / volts - held_s * volts
                volts = inner_v + ohm * battery_a
                gas_a = gassing_a * exp((inner_v - gassing_v) * per_v)
                steep_s = gas_a * per_v
                before_v = after_v
                # Which way it leaks is decided by where the step ends.
                kept_a = before_v * (per_step + steep_s) - gas_a
                pushed_a = kept_a + battery_a
                after_v = pushed_a / (per_step + steep_s + (accept_s if pushed_a > 0.0 else give_s))
                if base_v + after_v + ohm * battery_a > limit_v:
                    # The controller holds the limit: the diversion takes what the bank does not, from no less than
                    # where it takes nothing.
                    volts = limit_v
                    room_a = (limit_v - base_v) * siemens
                    after_v = max(
                        (kept_a + room_a) / (per_step + steep_s + accept_s + siemens),
                        limit_v - base_v - ohm * (power / limit_v - held_s * limit_v),
                    )
                    battery_a = room_a - after_v * siemens
                    least_a = -drawn[len(found)] / limit_v if self.loads_on else 0.0
                    short = power / limit_v - battery_a > limit_v * dump_s
                    if short or (series and battery_a < least_a):
                        # It is wholly on and not enough; or in series, shut and the voltage still above.
                        battery_a = power / before_volts - dump_s * before_volts if short else least_a
                        pushed_a = kept_a + battery_a
                        after_v = pushed_a / (per_step + steep_s + (accept_s if pushed_a > 0.0 else give_s))
                        volts = base_v + after_v + ohm * battery_a
                stored_c += (battery_a - gas_a - steep_s * (after_v - before_v)) * step_s
                add(after_v)
            passed_s = len(powers) * step_s
            evened_a = self.diffusion_v / (cells.diffusion_ohm * self._worn_ohm)
            self.diffusion_v += (stored_c - minute_c - evened_a * passed_s) / cells.diffusion_f
            self.gassing_heat_j += passed_s * (
                battery_a * battery_a * ohm
                + after_v * (battery_a - gas_a)
                + (base_v + after_v - cells.thermoneutral_v) * gas_a
            )
            self.stored_c, self.battery_v = stored_c, volts
            self.tend(passed_s)
            lost_c = stored_c - self.stored_c
            stored_c = self.stored_c
        self.polarisation_v = after_v
        return np.array(found), slow
