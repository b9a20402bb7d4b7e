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
from wheelpit.twin.fastshaft import CHANNEL, FastShaft
from wheelpit.twin.faultbook import FaultBook
from wheelpit.twin.pickup import Pickup
from wheelpit.twin.sensing import SensorSet
from wheelpit.twin.surroundings import Household, River, Weir
from wheelpit.twin.trouble import TwinError, UnmodelledError
from wheelpit.twin.wheel import WheelModel

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition
    from wheelpit.twin.season import Source

STEP_US: Final = 5_000
STEPS_PER_FRAME: Final = 10
FRAME_US: Final = STEP_US * STEPS_PER_FRAME
_STEP_S: Final = STEP_US / 1e6
_FRAME_S: Final = FRAME_US / 1e6
_STEPS_PER_S: Final = 1_000_000 // STEP_US
_LONGEST_SETTLING_S: Final = 120
_SETTLED: Final = 1e-6  # change in a second, as a share
_NEARLY_FULL: Final = 0.97
_ICE_STEP: Final = 0.01

# What the twin can show to a sensor. The wheel's own speed goes out as edges.
MODELLED: Final = (
    "wheel_rpm", "alternator_rpm", "rectified_v", "rectified_a", "battery_v", "charge_a", "battery_a", "load_a",
    "dump_a", "battery_degc", "water_degc", "alternator_degc", "stage_m", "shaft_nm", "node_v",
)  # fmt: skip


class Frame(NamedTuple):
    """What happened in 50 ms.

    Args:
        t_us: Its end, since the start [us].
        edges: When the pickup at the wheel gave an edge [us].
        mean: The truth: means of the channels.
        shown: What the sensors make of it, for the boards; None where a sensor gives nothing.
        watt: Means of the products of voltage and current, by pair [W]: not the products of the means, where a current
            is chopped or swings.
        alternator_edges: When the alternator's shaft gave a pulse, where something looks at it [us].
    """

    t_us: int
    edges: tuple[int, ...]
    mean: dict[str, float]
    shown: Mapping[str, float | None]
    watt: dict[str, float]
    alternator_edges: tuple[int, ...] = ()


class Totals(NamedTuple):
    """What has been counted since the start: joules, coulombs, turns of the wheel.

    `given_j` is what the converter gave, `charge_j` what passed the shunt after the controller: they differ where the
    controller diverts before it.
    """

    water_j: float
    shaft_j: float
    rectified_j: float
    given_j: float
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
        plant: The plant to simulate: the true one.
        seed: Seed of all that is random: the flow's wander, the lamp, the magnets' places.
        flow_l_s: Mean flow to begin with; with a source, the most that the gate lets through [L/s].
        state_of_charge: The bank's to begin with, 0 to 1; from 0.97 on it is held at its limit.
        assumptions: What the plant's description does not tell.
        told: The plant as its owner describes it, by which boards are wired; without it, the true one.
        sensors: The sensors' errors; without them, sensors show the truth.
        source: Where the water comes from; without one it is what is ordered.

    `mean` holds the means of the channels in the newest frame, `t_us` the time since the start, `parked` whether the
    switch "working here" at the wheel is on, and `faults` what is broken.

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
        told: Plant | None = None,
        sensors: SensorSet | None = None,
        source: Source | None = None,
    ) -> None:
        if not 0 <= state_of_charge <= 1:
            msg = f"state of charge {state_of_charge:g}: give 0 to 1"
            raise TwinError(msg)
        unseen = [
            f"sensor {sensor.channel}: the twin does not simulate it as {sensor.kind}; leave it out"
            for sensor in plant.sensors
            if sensor.channel not in MODELLED
            or (sensor.kind in ("pickup", "phase")) != (sensor.channel in ("wheel_rpm", CHANNEL))
        ]
        if unseen:
            raise UnmodelledError(unseen)
        self.plant = plant
        self.told = plant if told is None else told
        self.river = River(assumptions, seed, flow_l_s, source)
        self.household = Household(assumptions, seed, plant.inverter.idle_w)
        chain = chain_of(plant)
        self.wheel = WheelModel(plant, chain, assumptions)
        self.bus = BusModel(plant, chain.alternator, assumptions)
        self.bank = BankModel(plant, assumptions, state_of_charge)
        self.faults = FaultBook(self.told)
        self.parked = False
        self.t_us = 0
        self._sensors = SensorSet(self.told, seed, worse=0.0) if sensors is None else sensors
        self._weir = Weir(plant, chain.wheel.gravity_m_s2)
        self._pole_pairs = plant.alternator.pole_pairs
        self._field_rad = 0.0
        self._pickup = Pickup(plant, assumptions, random.Random(f"magnets {seed}"))  # noqa: S311 - no secret
        self._shaft = FastShaft(self.told)
        self._ice = 0.0
        self._change_rad_s = 0.0
        self.mean: dict[str, float] = {}
        self._settle(held=state_of_charge >= _NEARLY_FULL)
        self._begun = self._tally()
        self._begun_totals = self._counted()

    @property
    def condition(self) -> Condition:
        """What is out of order, in physical terms."""
        return self.faults.condition

    def put(self, name: str, *, on: bool, severity: float = 1.0, ramp_s: float = 0.0) -> None:
        """Break something at once, or put it right; see `FaultBook.put`."""
        self.faults.put(name, on=on, severity=severity, ramp_s=ramp_s)
        self._tend_faults()

    def _tend_faults(self) -> None:
        """Let the models take on what faults and weather make of the plant by now."""
        weather = self.river.weather
        ice = 0.0 if weather is None else weather.ice
        if not self.faults.tend(self.t_us / 1e6) and abs(ice - self._ice) < _ICE_STEP:
            return
        self._ice = ice
        condition = self.faults.condition
        self.river.rack_share = condition.flow_share
        self.wheel.suffer(condition, ice)
        self.bus.suffer(condition)
        self.bank.suffer(condition)
        self._pickup.suffer(condition)

    def _settle(self, *, held: bool) -> None:
        """Bring wheel, bridge and bank to steady running before the run begins."""
        wheel, bus, bank = self.wheel, self.bus, self.bank
        if held:
            bank.hold_limit()
        for _ in range(_LONGEST_SETTLING_S):
            before = wheel.speed_rad_s, wheel.water_kg, bus.rectified_v
            for _ in range(_STEPS_PER_S):
                torque_nm = bus.advance(_STEP_S, wheel.drive.speed_rad_s, bank.battery_v, bank.cap_w)
                wheel.advance(_STEP_S, self.river.flow_l_s / 1000, torque_nm)
            after = wheel.speed_rad_s, wheel.water_kg, bus.rectified_v
            if all(abs(b - a) <= _SETTLED * a for a, b in zip(before, after, strict=True)):
                break
        bank.advance(_STEP_S, bus.given_w, self.household.load_w)
        self.frame()
        self.t_us = 0
        self._pickup.begin(wheel.angle_rad)

    def frame(self) -> Frame:
        """Go on by one frame of 50 ms and return it."""
        wheel, bus, bank = self.wheel, self.bus, self.bank
        drive = wheel.drive
        self._tend()
        flow_m3_s, load_w, opens = self.river.flow_l_s / 1000, self.household.load_w, bank.controller.opens
        angle_before, turned_rad = wheel.angle_rad, 0.0
        joules = self._pair_joules()
        change = self._change_rad_s
        rectified_v = rectified_a = battery_v = charge_a = battery_a = load_a = dump_a = drum_nm = 0.0
        edges: list[int] = []
        for number in range(STEPS_PER_FRAME):
            angle, speed, rotor = wheel.angle_rad, wheel.speed_rad_s, drive.speed_rad_s
            # The speed half-way through the step, from how it changed in the last one.
            torque_nm = bus.advance(
                _STEP_S, max(rotor + 0.5 * change, 0.0), bank.battery_v, bank.cap_w, opens=opens
            )
            wheel.advance(_STEP_S, flow_m3_s, torque_nm)
            bank.advance(_STEP_S, bus.given_w, load_w)
            change = drive.speed_rad_s - rotor
            bus.turned(drive.turned_rad)
            self._shaft.turned(drive.turned_rad, self.t_us + number * STEP_US, STEP_US)
            turned_rad += drive.turned_rad
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
        begin_us = self.t_us
        self.t_us += FRAME_US
        part = 1 / STEPS_PER_FRAME
        weather = self.river.weather
        self.mean = {
            "wheel_rpm": (wheel.angle_rad - angle_before) / _FRAME_S / RPM,
            "alternator_rpm": turned_rad / _FRAME_S / RPM,
            "rectified_v": rectified_v * part,
            "rectified_a": rectified_a * part,
            "battery_v": battery_v * part,
            "charge_a": charge_a * part,
            "battery_a": battery_a * part,
            "load_a": load_a * part,
            "dump_a": dump_a * part,
            "battery_degc": bank.temperature_degc,
            "water_degc": self.plant.water.temperature_degc if weather is None else weather.water_degc,
            "alternator_degc": bus.winding_degc,
            "stage_m": self._weir.stage_m(self.river, self.condition.weir_debris_m),
            "shaft_nm": drum_nm * part,
            "node_v": battery_v * part,
        }
        given = self._pickup.given(edges, begin_us, self.t_us, self.condition, stands=wheel.speed_rad_s == 0)
        watt = {
            name: (after - before) / _FRAME_S
            for (name, before), after in zip(joules.items(), self._pair_joules().values(), strict=True)
        }
        dead = self.condition.sensors.get(CHANNEL)
        pulses = self._shaft.take(dead=dead is not None and dead.mode == "dead")
        return Frame(self.t_us, tuple(given), self.mean, self._shown(turned_rad), watt, pulses)

    def _tend(self) -> None:
        """Let what changes slowly follow, for a frame."""
        self._tend_faults()
        self.household.tend(_FRAME_S)
        self.river.tend(_FRAME_S)
        weather = self.river.weather
        if weather is not None:
            self.bank.room_degc = weather.room_degc
            self.bus.room_degc = weather.air_degc
        self.bank.tend(_FRAME_S)
        self.bus.tend(_FRAME_S, self.wheel.drive.iron_j)
        self.wheel.ease(_FRAME_S)

    def _shown(self, turned_rad: float) -> Mapping[str, float | None]:
        """Return what the sensors show; a voltage with missing pulses is sampled somewhere in its swing."""
        self._field_rad = (self._field_rad + turned_rad * self._pole_pairs) % (2 * math.pi)
        ripple_v = self.bus.ripple_v(self.wheel.drive.speed_rad_s) * math.cos(self._field_rad)
        return self._sensors.read(self.mean, self.condition.sensors, ripple_v)

    def _pair_joules(self) -> dict[str, float]:
        """Return the energies that have passed by pairs of voltage and current [J]."""
        bank = self.bank
        return {
            "rectified": self.bus.rectified_j,
            "charge": bank.charge_j,
            "battery": bank.in_j - bank.out_j,
            "load": bank.load_j,
            "dump": bank.dump_j,
        }

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
            wheel.drive.shaft_j,
            bus.rectified_j,
            bank.given_j,
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
            wade_j=wheel.wade_j,
            belt_j=wheel.drive.belt_j,
            iron_j=wheel.drive.iron_j,
            copper_j=bus.copper_j,
            diode_j=bus.diode_j,
            bleed_j=bus.bleed_j,
            clamp_j=bus.clamp_j,
            converter_j=bus.converter_j,
            ohmic_j=bank.ohmic_j,
            polarisation_j=bank.polarisation_j,
            gassing_j=bank.gassing_j,
            self_discharge_j=bank.self_discharge_j,
            changed_j=bank.changed_j,
            dump_j=bank.dump_j,
            load_j=bank.load_j,
            raised_gain_j=wheel.raised_j,
            moving_gain_j=wheel.moving_j,
            capacitor_gain_j=bus.capacitor_j,
            polarised_gain_j=bank.polarised_j,
            chemical_gain_j=bank.chemical_j,
        )
