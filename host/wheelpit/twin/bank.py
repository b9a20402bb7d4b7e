"""The battery node: the battery, what the controller diverts there, and the loads.

The bank is a source of rest voltage with its ohmic resistance, a polarisation (a capacitance beside a resistance
that grows as the plates fill), a slower one of the acid's evening out, and gassing by Tafel's law at the voltage behind
the ohmic resistance. So charge efficiency is not a number put in: what the plates no longer take, gasses, and an
unlimited charging current pushes the voltage up within minutes. All stores are functions of the state; energy and
charge are exact.

The inverter's current swings at twice the mains frequency, and a chopped diversion load is on or off: faster than a
step, so voltages and currents are means over it, and powers means of the product, which is less (or more) than the
product of the means by the bank's resistance times the current's variance.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import NoConverter
from wheelpit.twin.cells import cells_of
from wheelpit.twin.controller import ControllerModel

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition

_REFERENCE_DEGC: Final = 25.0
# What a wholly worn bank has of its capacity, and how many times its resistances, its gassing and its self-discharge.
_WORN_CAPACITY: Final = 0.5
_WORN_OHM: Final = 3.0
_WORN_GASSING: Final = 3.0
_WORN_LEAK: Final = 5.0


class BankModel:
    """State and step of the battery node: voltages [V], currents [A], charge [C], temperature [°C].

    Signs: `charge_a` into the node, `battery_a` into the battery, `load_a` and `dump_a` out of the node;
    `charge_a = battery_a + load_a + dump_a` in every step, or without `dump_a` where the controller diverts before the
    shunt. `charge_w`, `battery_w`, `load_w` and `dump_w` are the means of the products. `cap_w` is the most that may come
    in the next step for the voltage to be held by a series controller, or by the converter's own limit.

    Args:
        plant: The plant.
        assumptions: The twin's own figures.
        state_of_charge: Where it starts, 0 to 1.
    """

    def __init__(self, plant: Plant, assumptions: Assumptions, state_of_charge: float) -> None:
        self.controller = ControllerModel(plant, assumptions)
        self._cells = cells = cells_of(plant, assumptions)
        output_limit_v = None if isinstance(plant.converter, NoConverter) else plant.converter.output_limit_v
        self._output_limit_v = math.inf if output_limit_v is None else output_limit_v
        self._ripple = 0.5 * assumptions.inverter_ripple**2  # variance over the square of the mean
        self._cooling_w_per_k = assumptions.cooling_w_per_k
        self._loads_off_v = assumptions.loads_off_v * cells.scale
        self._loads_on_v = assumptions.loads_on_v * cells.scale
        self.room_degc = assumptions.room_degc
        # As it is by now, with what is worn or shorted.
        self._capacity_c = cells.capacity_c
        self._volts_scale = cells.scale
        self._ohm = cells.ohm
        self._worn_ohm = self._worn_gassing = self._worn_leak = 1.0
        self._heated_j = 0.0
        self._load_variance = 0.0
        self.stored_c = state_of_charge * cells.capacity_c
        self.polarisation_v = self.diffusion_v = 0.0
        self.temperature_degc = assumptions.room_degc
        self.loads_on = True
        self.charge_a = self.battery_a = self.dump_a = self.load_a = self.gassing_a = 0.0
        self.charge_w = self.battery_w = self.dump_w = self.load_w = 0.0
        self.given_j = self.charge_j = self.in_j = self.out_j = self.dump_j = self.load_j = 0.0
        self.charge_c = self.in_c = self.out_c = 0.0
        self.ohmic_j = self.polarisation_j = self.gassing_j = self.gassing_heat_j = 0.0
        self.self_discharge_j = self.changed_j = 0.0
        self._rest_v = self._accept_s = self._give_s = self._gassing_v = 0.0
        self.cap_w = math.inf
        self.tend(0.0)
        self.battery_v = self._rest_v

    @property
    def state_of_charge(self) -> float:
        """Share of the bank's real capacity that is in it."""
        return self.stored_c / self._capacity_c

    @property
    def capacity_ah(self) -> float:
        """The bank's real capacity by now [Ah]."""
        return self._capacity_c / 3600

    @property
    def chemical_j(self) -> float:
        """Energy in the plates, from empty [J]."""
        return self._cells.rest.volts_charge(self.state_of_charge) * self._volts_scale * self._capacity_c

    @property
    def polarised_j(self) -> float:
        """Energy in the polarisation and in the acid's unevenness [J]."""
        cells = self._cells
        return 0.5 * (cells.polarisation_f * self.polarisation_v**2 + cells.diffusion_f * self.diffusion_v**2)

    def suffer(self, condition: Condition) -> None:
        """Take on a condition; what that adds to or takes from the plates is counted in `changed_j`."""
        cells = self._cells
        self.controller.suffer(condition)
        before_j, share, worn = self.chemical_j, self.state_of_charge, condition.aged
        self._capacity_c = cells.capacity_c * (1 - (1 - _WORN_CAPACITY) * worn)
        self.stored_c = share * self._capacity_c
        self._volts_scale = cells.scale * (1 - condition.shorted_cells / cells.series)
        self._worn_ohm = 1 + (_WORN_OHM - 1) * worn
        self._worn_gassing = 1 + (_WORN_GASSING - 1) * worn
        self._worn_leak = 1 + (_WORN_LEAK - 1) * worn
        self._ohm = cells.ohm * self._worn_ohm + condition.terminal_ohm
        self.changed_j += before_j - self.chemical_j
        self.tend(0.0)

    def hold_limit(self) -> None:
        """Put the polarisation where it is after the bank has been held at its limit for long."""
        held_v = min(self.controller.limit_v, self._output_limit_v)
        self.polarisation_v = held_v - self._rest_v - self.diffusion_v
        self.battery_v = held_v
        self._cap(self._rest_v + self.polarisation_v + self.diffusion_v, 0.0)

    def tend(self, seconds: float) -> None:
        """Follow what changes slowly, after so many seconds: charge, temperature, controller, loads."""
        cells = self._cells
        if seconds > 0:
            before_j = self.chemical_j
            lost = cells.lost_share(seconds, self.temperature_degc) * self._worn_leak
            self.stored_c -= lost * max(self.stored_c, 0.0)
            self.self_discharge_j += before_j - self.chemical_j
        share = self.state_of_charge
        self._rest_v = cells.rest.volts(share) * self._volts_scale
        self._accept_s = cells.accepting_s(share) / self._worn_ohm
        self._give_s = cells.giving_s(share) / self._worn_ohm
        # A shorted cell does not gas: the others do at so much less of the whole voltage.
        gassing_v = cells.gassing_v + cells.gassing_v_per_degc * (self.temperature_degc - _REFERENCE_DEGC)
        self._gassing_v = gassing_v * self._volts_scale / cells.scale
        heated = self.ohmic_j + self.polarisation_j + self.gassing_heat_j + self.self_discharge_j
        lost_w = self._cooling_w_per_k * (self.temperature_degc - self.room_degc)
        self.temperature_degc += (heated - self._heated_j - lost_w * seconds) / cells.heat_j_per_k
        self._heated_j = heated
        if seconds == 0:
            self.controller.tend(0.0, 0.0, self.temperature_degc)
            return
        self.controller.tend(seconds, self.battery_v, self.temperature_degc)
        if self.battery_v < self._loads_off_v:
            self.loads_on = False
        elif self.battery_v > self._loads_on_v:
            self.loads_on = True

    def _cap(self, inner_v: float, load_w: float) -> None:
        """Work out the most that may come in without passing what limits the voltage."""
        controller = self.controller
        limit_v = math.inf if controller.limiter_dead else self._output_limit_v
        if controller.tapers and controller.limit_v < limit_v:
            limit_v = controller.limit_v
        if limit_v == math.inf:
            self.cap_w = math.inf
        else:
            taken_a = (limit_v - inner_v) / self._ohm + limit_v * controller.held_s
            self.cap_w = max(limit_v * taken_a + load_w, 0.0)

    def advance(self, dt: float, given_w: float, load_w: float) -> None:
        """Go one step.

        Args:
            dt: Length of the step [s], short against a second.
            given_w: Power from the converter, or straight from the bridge; negative where it takes power back [W].
            load_w: Power that inverter and loads want [W].
        """
        cells, inside, ohm = self._cells, self.controller.inside, self._ohm
        polarisation_v, diffusion_v = self.polarisation_v, self.diffusion_v
        inner_v = self._rest_v + polarisation_v + diffusion_v
        volts, wanted_w, dump_a, chopped = self._node(inner_v, given_w, load_w)
        battery_a = (volts - inner_v) / ohm
        load_a = wanted_w / volts
        swing = self._ripple * load_a * load_a
        self._load_variance = swing

        excess_v = inner_v - self._gassing_v
        gassing_a = cells.gassing_a * self._worn_gassing * math.exp(excess_v * cells.gassing_per_v)
        through_a = battery_a - gassing_a
        leak_a = polarisation_v * (self._accept_s if polarisation_v > 0 else self._give_s)
        evened_a = diffusion_v / (cells.diffusion_ohm * self._worn_ohm)
        self.polarisation_v = polarised_v = polarisation_v + (through_a - leak_a) * dt / cells.polarisation_f
        self.diffusion_v = uneven_v = diffusion_v + (through_a - evened_a) * dt / cells.diffusion_f
        self.stored_c += through_a * dt

        self.load_w = volts * load_a - ohm * swing
        self.dump_w = volts * dump_a - ohm * chopped
        self.battery_w = volts * battery_a + ohm * (swing + chopped)
        self.charge_w = given_w - self.dump_w if inside else given_w
        self.charge_a = given_w / volts - dump_a if inside else given_w / volts
        self.load_a, self.dump_a, self.battery_a = load_a, dump_a, battery_a
        self.battery_v = volts
        self.gassing_a = gassing_a
        self.given_j += given_w * dt
        self.ohmic_j += (battery_a * battery_a + swing + chopped) * ohm * dt
        self.gassing_j += inner_v * gassing_a * dt
        self.gassing_heat_j += (inner_v - cells.thermoneutral_v) * gassing_a * dt
        self.polarisation_j += 0.5 * dt * leak_a * (polarisation_v + polarised_v)
        self.polarisation_j += 0.5 * dt * evened_a * (diffusion_v + uneven_v)
        self._count(dt)
        self._cap(self._rest_v + polarised_v + uneven_v, wanted_w)

    def _node(self, inner_v: float, given_w: float, load_w: float) -> tuple[float, float, float, float]:
        """Return the node's voltage, the power that the loads draw, the diverted current, and its variance."""
        controller = self.controller
        siemens = 1 / self._ohm
        # The swing of the inverter's current costs the bank; for its power it draws so much more on the mean.
        wanted_w = load_w + self._ohm * self._load_variance if self.loads_on else 0.0
        half_a, held_s = 0.5 * inner_v * siemens, controller.held_s
        # v (v - inner_v) / ohm + held_s v^2 = given_w - wanted_w: constant powers at the node.
        under_root = half_a * half_a + (siemens + held_s) * (given_w - wanted_w)
        if under_root < 0:
            # More than the bank can give at any voltage: the inverter trips.
            self.loads_on = False
            wanted_w = 0.0
            under_root = max(half_a * half_a + (siemens + held_s) * given_w, 0.0)
        volts = (half_a + math.sqrt(under_root)) / (siemens + held_s)
        if volts <= controller.limit_v or not controller.diverts:
            return volts, wanted_w, volts * held_s, 0.0
        net_w, volts = given_w - wanted_w, controller.limit_v
        dump_a = net_w / volts - (volts - inner_v) * siemens
        most_a = volts * controller.dump_s
        if dump_a > most_a:
            # The diversion load is wholly on and not enough.
            all_s = siemens + controller.dump_s
            volts = (half_a + math.sqrt(half_a * half_a + all_s * net_w)) / all_s
            return volts, wanted_w, volts * controller.dump_s, 0.0
        chopped = (dump_a - volts * held_s) * (most_a - dump_a) if controller.chopped else 0.0
        return volts, wanted_w, dump_a, chopped

    def _count(self, dt: float) -> None:
        self.charge_j += self.charge_w * dt
        self.charge_c += self.charge_a * dt
        self.load_j += self.load_w * dt
        self.dump_j += self.dump_w * dt
        if self.battery_w > 0:
            self.in_j += self.battery_w * dt
        else:
            self.out_j -= self.battery_w * dt
        if self.battery_a > 0:
            self.in_c += self.battery_a * dt
        else:
            self.out_c -= self.battery_a * dt
