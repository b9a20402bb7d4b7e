"""The whole simulated plant: steps of 5 ms, frames of 50 ms, exact edges, cumulative energies."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.plant.chain import RPM, chain_of
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.balance import Balance
from wheelpit.twin.bank import BankModel
from wheelpit.twin.bus import BusModel
from wheelpit.twin.pickup import Pickup
from wheelpit.twin.surroundings import Household, River
from wheelpit.twin.trouble import TwinError, UnmodelledError
from wheelpit.twin.wheel import WheelModel

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

STEP_US: Final = 5_000
STEPS_PER_FRAME: Final = 10
FRAME_US: Final = STEP_US * STEPS_PER_FRAME
_STEP_S: Final = STEP_US / 1e6
_FRAME_S: Final = FRAME_US / 1e6
_STEPS_PER_S: Final = 1_000_000 // STEP_US
_LONGEST_SETTLING_S: Final = 120
_SETTLED: Final = 1e-6  # change in a second, as a share
_NEARLY_FULL: Final = 0.97

# What the twin can show to a sensor. The wheel's own speed goes out as edges.
MODELLED: Final = (
    "wheel_rpm", "alternator_rpm", "rectified_v", "rectified_a", "battery_v", "charge_a", "battery_a", "load_a",
    "dump_a", "battery_degc", "water_degc", "shaft_nm", "node_v",
)  # fmt: skip


class Frame(NamedTuple):
    """What happened in 50 ms: its end and the edges at the wheel [us since start], means of the channels."""

    t_us: int
    edges: tuple[int, ...]
    mean: dict[str, float]


class Totals(NamedTuple):
    """What has been counted since the start: joules, coulombs, turns of the wheel."""

    water_j: float
    shaft_j: float
    rectified_j: float
    charge_j: float
    charge_c: float
    battery_in_j: float
    battery_out_j: float
    battery_in_c: float
    battery_out_c: float
    load_j: float
    dump_j: float
    revolutions: float


class TwinPlant:
    """A simulated plant, in steady running when it is made.

    Args:
        plant: The plant to simulate.
        seed: Seed of all that is random: the flow's wander, the lamp, the magnets' places.
        flow_l_s: Mean flow to begin with [L/s].
        state_of_charge: The bank's to begin with, 0 to 1; from 0.97 on it is held at its limit.
        assumptions: What the plant's description does not tell.

    `mean` holds the means of the channels in the newest frame, `t_us` the time since the start.

    Raises:
        UnmodelledError: The plant has parts of which the twin has no model.
        TwinError: A value is out of range.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        seed: int = 1,
        flow_l_s: float = 10.0,
        state_of_charge: float = 0.98,
        assumptions: Assumptions = USUAL,
    ) -> None:
        if not 0 <= state_of_charge <= 1:
            msg = f"state of charge {state_of_charge:g}: give 0 to 1"
            raise TwinError(msg)
        unseen = [
            f"sensor {sensor.channel}: the twin does not simulate it as {sensor.kind}; leave it out"
            for sensor in plant.sensors
            if sensor.channel not in MODELLED or (sensor.kind == "pickup") != (sensor.channel == "wheel_rpm")
        ]
        if unseen:
            raise UnmodelledError(unseen)
        self.plant = plant
        self.river = River(assumptions, seed, flow_l_s)
        self.household = Household(assumptions, seed, plant.inverter.idle_w)
        chain = chain_of(plant)
        self.wheel = WheelModel(plant, chain, assumptions.missed_per_overspeed)
        self.bus = BusModel(plant, chain.alternator, assumptions)
        self.bank = BankModel(plant, assumptions, state_of_charge)
        self.link_cut = False
        self.t_us = 0
        self._pickup = Pickup(plant, assumptions, random.Random(f"magnets {seed}"))  # noqa: S311 - no secret
        self._change_rad_s = 0.0
        self.mean: dict[str, float] = {}
        self._settle(held=state_of_charge >= _NEARLY_FULL)
        self._begun = self._tally()
        self._begun_totals = self._counted()

    def _settle(self, *, held: bool) -> None:
        """Bring wheel, bridge and bank to steady running before the run begins."""
        wheel, bus, bank = self.wheel, self.bus, self.bank
        if held:
            bank.hold_limit()
        for _ in range(_LONGEST_SETTLING_S):
            before = wheel.speed_rad_s, wheel.water_kg, bus.rectified_v
            for _ in range(_STEPS_PER_S):
                torque_nm = bus.advance(_STEP_S, wheel.speed_rad_s * wheel.gear, bank.battery_v)
                wheel.advance(_STEP_S, self.river.flow_l_s / 1000, torque_nm)
            after = wheel.speed_rad_s, wheel.water_kg, bus.rectified_v
            if all(abs(b - a) <= _SETTLED * a for a, b in zip(before, after, strict=True)):
                break
        bank.advance(_STEP_S, bus.charge_w, self.household.load_w)
        self.frame()
        self.t_us = 0
        self._pickup.begin(wheel.angle_rad)

    def frame(self) -> Frame:
        """Go on by one frame of 50 ms and return it."""
        river, wheel, bus, bank = self.river, self.wheel, self.bus, self.bank
        self.household.tend(_FRAME_S)
        river.tend(_FRAME_S)
        bank.tend(_FRAME_S)
        flow_m3_s, load_w, gear = river.flow_l_s / 1000, self.household.load_w, wheel.gear
        angle_before = wheel.angle_rad
        change = self._change_rad_s
        rectified_v = rectified_a = battery_v = charge_a = battery_a = load_a = dump_a = drum_nm = 0.0
        edges: list[int] = []
        for number in range(STEPS_PER_FRAME):
            angle, speed = wheel.angle_rad, wheel.speed_rad_s
            # The speed half-way through the step, from how it changed in the last one.
            torque_nm = bus.advance(_STEP_S, max(speed + 0.5 * change, 0.0) * gear, bank.battery_v)
            wheel.advance(_STEP_S, flow_m3_s, torque_nm)
            bank.advance(_STEP_S, bus.charge_w, load_w)
            change = wheel.speed_rad_s - speed
            if wheel.angle_rad >= self._pickup.next_rad:
                begin_us = self.t_us + number * STEP_US
                passed = self._pickup.passed(angle, speed, wheel.speed_rad_s, _STEP_S)
                edges.extend(begin_us + round(after_s * 1e6) for after_s in passed)
            rectified_v += bus.shown_v
            rectified_a += bus.rectified_a
            battery_v += bank.battery_v
            charge_a += bank.charge_a
            battery_a += bank.battery_a
            load_a += bank.load_a
            dump_a += bank.dump_a
            drum_nm += wheel.drum_nm
        self._change_rad_s = change
        self.t_us += FRAME_US
        wheel_rpm = (wheel.angle_rad - angle_before) / _FRAME_S / RPM
        part = 1 / STEPS_PER_FRAME
        self.mean = {
            "wheel_rpm": wheel_rpm,
            "alternator_rpm": wheel_rpm * gear,
            "rectified_v": rectified_v * part,
            "rectified_a": rectified_a * part,
            "battery_v": battery_v * part,
            "charge_a": charge_a * part,
            "battery_a": battery_a * part,
            "load_a": load_a * part,
            "dump_a": dump_a * part,
            "battery_degc": bank.temperature_degc,
            "water_degc": self.plant.water.temperature_degc,
            "shaft_nm": drum_nm * part,
            "node_v": battery_v * part,
        }
        return Frame(self.t_us, tuple(edges), self.mean)

    def run(self, seconds: float) -> Balance:
        """Go on by so many seconds, in whole frames, as fast as the machine can.

        Args:
            seconds: How long, rounded to a frame of 50 ms [s].

        Returns:
            The balance of this stretch.
        """
        begun = self._tally()
        for _ in range(round(seconds / _FRAME_S)):
            self.frame()
        return self._tally().since(begun)

    def skip(self, frames: int) -> None:
        """Let time go on by so many frames while the plant stands still, as it does while its process slept."""
        self.t_us += frames * FRAME_US

    def balance(self) -> Balance:
        """Return the balance since the start."""
        return self._tally().since(self._begun)

    def totals(self) -> Totals:
        """Return what has been counted since the start."""
        return Totals(*(now - begun for now, begun in zip(self._counted(), self._begun_totals, strict=True)))

    def _counted(self) -> Totals:
        wheel, bus, bank = self.wheel, self.bus, self.bank
        return Totals(
            wheel.water_j,
            wheel.shaft_j,
            bus.rectified_j,
            bank.charge_j,
            bank.charge_c,
            bank.in_j,
            bank.out_j,
            bank.in_c,
            bank.out_c,
            bank.load_j,
            bank.dump_j,
            wheel.angle_rad / (2 * math.pi),
        )

    def _tally(self) -> Balance:
        wheel, bus, bank = self.wheel, self.bus, self.bank
        return Balance(
            water_j=wheel.water_j,
            missed_j=wheel.missed_j,
            entry_j=wheel.entry_j,
            exit_j=wheel.exit_j,
            bearing_j=wheel.bearing_j,
            jam_j=wheel.jam_j,
            belt_j=wheel.belt_j,
            iron_j=wheel.iron_j,
            copper_j=bus.copper_j,
            diode_j=bus.diode_j,
            bleed_j=bus.bleed_j,
            clamp_j=bus.clamp_j,
            converter_j=bus.converter_j,
            ohmic_j=bank.ohmic_j,
            polarisation_j=bank.polarisation_j,
            gassing_j=bank.gassing_j,
            dump_j=bank.dump_j,
            load_j=bank.load_j,
            raised_gain_j=wheel.raised_j,
            moving_gain_j=wheel.moving_j,
            capacitor_gain_j=bus.capacitor_j,
            polarised_gain_j=bank.polarised_j,
            chemical_gain_j=bank.chemical_j,
        )
