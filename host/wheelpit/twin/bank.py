"""The battery, the diversion controller at it, and the loads.

The bank is a source of rest voltage with its ohmic resistance, a polarisation (a capacitance beside a resistance
that grows as the plates fill), and gassing by Tafel's law at the voltage behind the ohmic resistance. So charge
efficiency is not a number put in: what the plates no longer take, gasses, and an unlimited charging current
pushes the voltage up within minutes. All stores are functions of the state; energy and charge are exact.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.twin.assumptions import REST_VOLTAGE
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

_REFERENCE_DEGC: Final = 25.0
_HELD_V: Final = 0.05  # so near to its limit the controller counts the time as absorption
_LN10: Final = math.log(10)


def rest_voltage(state_of_charge: float) -> float:
    """Return the rest voltage of a 12 V bank [V]; outside 0 to 1 the line goes on."""
    return _rest(state_of_charge)[0]


def rest_volts_charge(state_of_charge: float) -> float:
    """Return the integral of the rest voltage of a 12 V bank from empty [V times the share of capacity]."""
    return _rest(state_of_charge)[1]


def _rest(state_of_charge: float) -> tuple[float, float]:
    below = 0.0
    last = len(REST_VOLTAGE) - 2
    for number in range(last + 1):
        (left, left_v), (right, right_v) = REST_VOLTAGE[number], REST_VOLTAGE[number + 1]
        if state_of_charge <= right or number == last:
            volts = left_v + (right_v - left_v) * (state_of_charge - left) / (right - left)
            return volts, below + 0.5 * (left_v + volts) * (state_of_charge - left)
        below += 0.5 * (left_v + right_v) * (right - left)
    raise AssertionError  # pragma: no cover - the table has two rows or more


class BankModel:
    """State and step of the battery node: voltages [V], currents [A], charge [C], temperature [°C].

    Signs: `charge_a` into the node, `battery_a` into the battery, `load_a` and `dump_a` out of the node;
    `charge_a = battery_a + load_a + dump_a` in every step.

    Args:
        plant: The plant: a lead-acid bank with a diversion load at it, or without a controller.
        assumptions: The twin's own figures.
        state_of_charge: Where it starts, 0 to 1.

    Raises:
        UnmodelledError: The chemistry or the controller is of another kind.
    """

    def __init__(self, plant: Plant, assumptions: Assumptions, state_of_charge: float) -> None:
        controller, battery = plant.controller, plant.battery
        problems = []
        if controller.topology not in ("diversion-at-battery", "none"):
            problems.append(
                f'controller.topology = "{controller.topology}": the twin models "diversion-at-battery" and "none" '
                "only; use one of them to try the rest"
            )
        if battery.chemistry == "lfp":
            problems.append(
                'battery.chemistry = "lfp": the twin models lead-acid only; use it to try the rest'
            )
        if problems:
            raise UnmodelledError(problems)
        scale = battery.nominal_v / 12
        nominal_ah = battery.capacity_ah
        self._cells = scale
        self._absorption_v = controller.absorption_v
        self._float_v = controller.float_v
        self._v_per_degc = controller.v_per_degc
        self._dump_ohm = controller.absorption_v**2 / controller.dump_w if controller.dump_w else math.inf
        self._ohm = battery.resistance_ohm
        self._capacity_c = nominal_ah * assumptions.true_capacity * 3600
        self._mid_ohm = assumptions.mid_resistance_ohm_ah / nominal_ah * scale
        self._acceptance_s = assumptions.acceptance_s_per_ah * nominal_ah / scale
        self._acceptance_power = assumptions.acceptance_power
        self._polarisation_f = assumptions.polarisation_f_per_ah * nominal_ah / scale
        self._gassing_a = assumptions.gassing_a_per_ah * nominal_ah
        self._gassing_v = assumptions.gassing_v * scale
        self._gassing_v_per_degc = assumptions.gassing_v_per_degc * scale
        self._gassing_per_v = _LN10 / (assumptions.gassing_v_per_decade * scale)
        self._thermoneutral_v = assumptions.thermoneutral_v * scale
        self._heat_j_per_k = assumptions.heat_j_per_k_ah * nominal_ah * scale
        self._cooling_w_per_k = assumptions.cooling_w_per_k
        self._room_degc = assumptions.room_degc
        self._absorption_s = assumptions.absorption_s
        self._rebulk_v = assumptions.rebulk_v * scale
        self._loads_off_v = assumptions.loads_off_v * scale
        self._loads_on_v = assumptions.loads_on_v * scale
        self._absorbed_s = 0.0
        self._heated_j = 0.0
        self.stored_c = state_of_charge * self._capacity_c
        self.polarisation_v = 0.0
        self.temperature_degc = assumptions.room_degc
        self.limiter_failed = controller.topology == "none"
        self.floats = False
        self.loads_on = True
        self.charge_a = self.battery_a = self.dump_a = self.load_a = self.gassing_a = 0.0
        self.charge_j = self.in_j = self.out_j = self.dump_j = self.load_j = 0.0
        self.charge_c = self.in_c = self.out_c = 0.0
        self.ohmic_j = self.polarisation_j = self.gassing_j = self.gassing_heat_j = 0.0
        self.limit_v = 0.0
        self._rest_v = 0.0
        self._accept_s = 0.0
        self.tend(0.0)
        self.battery_v = self._rest_v

    @property
    def state_of_charge(self) -> float:
        """Share of the bank's real capacity that is in it."""
        return self.stored_c / self._capacity_c

    @property
    def chemical_j(self) -> float:
        """Energy in the plates, from empty [J]."""
        return rest_volts_charge(self.state_of_charge) * self._cells * self._capacity_c

    @property
    def polarised_j(self) -> float:
        """Energy in the polarisation [J]."""
        return 0.5 * self._polarisation_f * self.polarisation_v**2

    def hold_limit(self) -> None:
        """Put the polarisation where it is after the bank has been held at its limit for long."""
        self.polarisation_v = self.limit_v - self._rest_v
        self.battery_v = self.limit_v

    def tend(self, seconds: float) -> None:
        """Follow what changes slowly, after so many seconds: charge, temperature, controller, loads."""
        share = self.state_of_charge
        self._rest_v = rest_voltage(share) * self._cells
        room = max(1 - share, 0.0) ** self._acceptance_power
        self._accept_s = room / (self._mid_ohm * room + 1 / self._acceptance_s)
        heated = self.ohmic_j + self.polarisation_j + self.gassing_heat_j
        lost_w = self._cooling_w_per_k * (self.temperature_degc - self._room_degc)
        self.temperature_degc += (heated - self._heated_j - lost_w * seconds) / self._heat_j_per_k
        self._heated_j = heated
        set_v = self._float_v if self.floats else self._absorption_v
        self.limit_v = set_v + self._v_per_degc * (self.temperature_degc - _REFERENCE_DEGC)
        if seconds == 0:
            return
        if self.floats:
            if self.battery_v < self._rebulk_v:
                self.floats = False
                self._absorbed_s = 0.0
        elif self.battery_v > self.limit_v - _HELD_V:
            self._absorbed_s += seconds
            self.floats = self._absorbed_s >= self._absorption_s
        if self.battery_v < self._loads_off_v:
            self.loads_on = False
        elif self.battery_v > self._loads_on_v:
            self.loads_on = True

    def advance(self, dt: float, charge_w: float, load_w: float) -> None:
        """Go one step.

        Args:
            dt: Length of the step [s], short against a second.
            charge_w: Power from the converter into the battery node [W].
            load_w: Power that inverter and loads want [W].
        """
        ohm, polarisation_v = self._ohm, self.polarisation_v
        if not self.loads_on:
            load_w = 0.0
        inner_v = self._rest_v + polarisation_v
        net_w = charge_w - load_w
        # v (v - inner_v) / ohm = net_w: constant powers at the node.
        under_root = 0.25 * inner_v * inner_v + ohm * net_w
        if under_root < 0:
            # More than the bank can give at any voltage: the inverter trips.
            self.loads_on = False
            load_w, net_w = 0.0, charge_w
            under_root = 0.25 * inner_v * inner_v + ohm * net_w
        volts = 0.5 * inner_v + math.sqrt(under_root)
        dump_a = 0.0
        if volts > self.limit_v and not self.limiter_failed:
            volts = self.limit_v
            dump_a = net_w / volts - (volts - inner_v) / ohm
            if dump_a > volts / self._dump_ohm:
                # The dump is wholly on and not enough.
                siemens = 1 / ohm + 1 / self._dump_ohm
                half = 0.5 * inner_v / ohm
                volts = (half + math.sqrt(half * half + siemens * net_w)) / siemens
                dump_a = volts / self._dump_ohm
        battery_a = (volts - inner_v) / ohm

        gassing_v = self._gassing_v + self._gassing_v_per_degc * (self.temperature_degc - _REFERENCE_DEGC)
        gassing_a = self._gassing_a * math.exp((inner_v - gassing_v) * self._gassing_per_v)
        through_a = battery_a - gassing_a
        leak_a = polarisation_v * (self._accept_s if polarisation_v > 0 else 1 / self._mid_ohm)
        after_v = polarisation_v + (through_a - leak_a) * dt / self._polarisation_f

        self.charge_a = charge_w / volts
        self.load_a = load_w / volts
        self.dump_a = dump_a
        self.battery_a = battery_a
        self.battery_v = volts
        self.gassing_a = gassing_a
        self.polarisation_v = after_v
        self.stored_c += through_a * dt
        self.charge_j += charge_w * dt
        self.charge_c += self.charge_a * dt
        self.load_j += load_w * dt
        self.dump_j += volts * dump_a * dt
        if battery_a > 0:
            self.in_j += volts * battery_a * dt
            self.in_c += battery_a * dt
        else:
            self.out_j -= volts * battery_a * dt
            self.out_c -= battery_a * dt
        self.ohmic_j += battery_a * battery_a * ohm * dt
        self.gassing_j += inner_v * gassing_a * dt
        self.gassing_heat_j += (inner_v - self._thermoneutral_v) * gassing_a * dt
        self.polarisation_j += leak_a * 0.5 * (polarisation_v + after_v) * dt
