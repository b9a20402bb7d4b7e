"""The energies of one plant's stages over gathered time: measured where a sensor is fitted, else modelled upward.

From what flows behind the bridge the alternator's losses follow by `plant.toml`: 2 V_f I in the diodes, 2 R I2 in the
copper, T_iron w in the iron; the overlap costs voltage and torque alike and is no loss. From the alternator's shaft the
wheel's follows by the belt: P1 = (P2 + a w2) / ((1 - b)(1 - s)), with w2 from counted turns. How far descriptions lie
from the truth is taken as `_MODEL` says: label, tape and usual values, common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.books import BATTERY_ONLY, DIVERTED_BEFORE, OTHER_SOURCES
from wheelpit.accounts.uncertainty import Uncertain
from wheelpit.accounts.water import flow_of_stage
from wheelpit.plant.chain import local_water, ratio_of
from wheelpit.plant.description import LinearSensor, NoConverter
from wheelpit.plant.precision import precision_of
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from wheelpit.accounts.figure import Origin
    from wheelpit.accounts.periods import Gathered

_J_PER_WH: Final = 3600.0
_TURN: Final = 2 * math.pi
# Standard uncertainties of described values, as shares of each.
_MODEL: Final = {
    "head": 0.015,
    "diodes": 0.10,
    "copper": 0.15,  # a hot winding has a tenth more
    "iron": 0.20,
    "belt torque": 0.20,
    "belt share": 0.20,
    "belt creep": 0.30,
    "converter": 0.012,
}
_GUESSED: Final = 0.05
STREAM: Final = "the stream's water, of which spill and compensation water never reach the wheel"
NO_DEMAND: Final = "what the load demands at the shaft, by the description of belt and alternator"
NEEDS_WATER: Final = "stage_m in the headrace, with a [weir] table"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reckoned:
    """A stage's energy [Wh], where it comes from, and what sensor would give or better it."""

    energy: Uncertain | None
    origin: Origin = "measured"
    note: str = ""
    needs: str = ""


def stages_of(part: Gathered) -> dict[str, Reckoned]:
    """Return the energies of the stages and uses of one plant, by name."""
    side = _battery_side(part)
    bridge = _behind_bridge(part, side)
    alternator = _alternator_shaft(part, bridge)
    return {
        "water": _water(part),
        "wheel shaft": _wheel_shaft(part, alternator),
        "alternator shaft": alternator,
        "behind the bridge": bridge,
        "battery side": side,
        **_uses(part, side),
    }


def _pair(part: Gathered, pair: str, total: str, volts: str) -> Uncertain | None:
    """Return a measured energy, or None where the plant has no sensors for it or nothing was measured."""
    if not part.trust.knows(pair) or not part.hours or f"{pair}_valid_ms" not in part.totals:
        return None
    mean_v = part.mean(volts) or part.trust.plant.battery.nominal_v
    return part.trust.energy(pair, part.totals[total] / 1000, hours=part.hours, mean_v=mean_v)


def _battery_side(part: Gathered) -> Reckoned:
    plant = part.trust.plant
    needs = "charge_a: a shunt between the charge controller and the battery node"
    charge = _pair(part, "charge", "charge_mwh", "battery_v")
    if charge is not None:
        if plant.controller.topology == "diversion-in-controller":
            return Reckoned(energy=charge, origin="lower-bound", note=DIVERTED_BEFORE)
        return Reckoned(energy=charge)
    if plant.other_sources:
        return Reckoned(energy=None, note=OTHER_SOURCES, needs=needs)
    into = _pair(part, "battery", "battery_in_mwh", "battery_v")
    if into is not None:
        return Reckoned(energy=into, origin="lower-bound", note=BATTERY_ONLY, needs=needs)
    return Reckoned(energy=None, needs=needs)


def _behind_bridge(part: Gathered, side: Reckoned) -> Reckoned:
    measured = _pair(part, "rectified", "rectified_mwh", "rectified_v")
    if measured is not None:
        return Reckoned(energy=measured)
    needs = "rectified_v and rectified_a: a divider and a shunt at the bridge"
    if side.energy is None or side.origin != "measured":
        return Reckoned(energy=None, needs=needs)
    converter = part.trust.plant.converter
    efficiency = 1.0 if isinstance(converter, NoConverter) else converter.efficiency
    energy = side.energy.times(1 / efficiency)
    energy = energy.plus("converter, by model", _MODEL["converter"] * energy.value)
    return Reckoned(
        energy=energy, origin="modelled", note="by the converter's described efficiency", needs=needs
    )


def _alternator_shaft(part: Gathered, bridge: Reckoned) -> Reckoned:
    needs = "shaft_nm: a torque arm"
    if bridge.energy is None or part.totals.get("wheel_valid_ms", 0) == 0:
        return Reckoned(energy=None, needs=needs)
    told = part.trust.plant.alternator
    amp_hours = part.channel_hours.get("rectified_a")
    square_ah = part.square_ah
    if amp_hours is None:
        # Without a current at the bridge: its power over its usual voltage under load.
        volts = max(_loaded_volts(part), 1.0)
        amp_hours = bridge.energy.value / volts
        square_ah = amp_hours * amp_hours / part.loaded_hours
    diodes = 2 * told.diode_v * amp_hours
    copper = 2 * told.resistance_ohm * square_ah
    iron = told.iron_nm * _alternator_turns(part) * _TURN / _J_PER_WH
    energy = Uncertain(bridge.energy.value + diodes + copper + iron, bridge.energy.parts, bridge.energy.noise)
    for name, loss in (("diodes", diodes), ("copper", copper), ("iron", iron)):
        energy = energy.plus(f"{name}, by model", _MODEL[name] * loss)
    return Reckoned(energy=energy, origin="modelled", note=NO_DEMAND, needs=needs)


def _loaded_volts(part: Gathered) -> float:
    """Return the usual voltage behind the bridge while current flows [V]."""
    converter = part.trust.plant.converter
    least = part.trust.plant.battery.nominal_v if isinstance(converter, NoConverter) else converter.start_v
    return max(part.mean("rectified_v") or least, least)


def _alternator_turns(part: Gathered) -> float:
    """Return the alternator's turns, from the wheel's by ratio and creep."""
    belt = part.trust.plant.belt
    return part.totals.get("wheel_mrev", 0) / 1000 * ratio_of(part.trust.plant) * (1 - belt.creep)


def _wheel_shaft(part: Gathered, alternator: Reckoned) -> Reckoned:
    torque, rpm, hours = (part.column(name) for name in ("shaft_nm", "wheel_rpm", "hours"))
    if "shaft_nm" in part.trust.plant.channels and torque.size:
        watts = np.nan_to_num(torque * rpm * _TURN / 60)
        sensor = part.trust.plant.sensor("shaft_nm")
        wh = float((watts * hours).sum())
        found = Uncertain(wh)
        if sensor is not None:
            told = precision_of(sensor)
            turned = float((np.nan_to_num(rpm) * hours).sum()) * 60 * _TURN / _J_PER_WH
            found = found.plus(part.trust.gain("shaft_nm"), told.gain_u * wh)
            found = found.plus(part.trust.offset("shaft_nm"), told.offset_u * turned)
        return Reckoned(energy=found)
    needs = "shaft_nm: a torque arm at the wheel's shaft"
    if alternator.energy is None:
        return Reckoned(energy=None, needs=needs)
    belt = part.trust.plant.belt
    held_wh = belt.loss_nm * _alternator_turns(part) * _TURN / _J_PER_WH
    passed = (1 - belt.loss_per_nm) * (1 - belt.creep)
    energy = Uncertain(
        (alternator.energy.value + held_wh) / passed,
        {source: contribution / passed for source, contribution in alternator.energy.parts.items()},
        alternator.energy.noise / passed,
    )
    energy = energy.plus("belt torque, by model", _MODEL["belt torque"] * held_wh / passed)
    energy = energy.plus("belt share, by model", _MODEL["belt share"] * belt.loss_per_nm * energy.value)
    energy = energy.plus("belt creep, by model", _MODEL["belt creep"] * belt.creep * energy.value)
    return Reckoned(energy=energy, origin="modelled", note=NO_DEMAND, needs=needs)


def _water(part: Gathered) -> Reckoned:
    """Return the water's energy over the head.

    A level outside the rating's range counts too, by the rating carried on: left out, its water would be missing below
    what the wheel made of it. What that costs in certainty is in the interval, and where it is more than a twentieth
    of the energy the whole is marked as modelled.
    """
    plant = part.trust.plant
    sensor, rating = plant.sensor("stage_m"), rating_of(plant)
    stage, hours = part.column("stage_m"), part.column("hours")
    if not isinstance(sensor, LinearSensor) or rating is None or not stage.size:
        return Reckoned(energy=None, needs=NEEDS_WATER)
    density, gravity = local_water(plant)
    found = flow_of_stage(rating, stage)
    # Watt hours for each litre a second, row by row; a row without a level was not measured.
    weight = np.where(np.isfinite(found.flow_l_s), density * gravity * plant.water.head_m * hours / 1000, 0.0)
    each = np.nan_to_num(found.flow_l_s) * weight
    per_m = np.nan_to_num(found.per_m) * weight
    wh = float(each.sum())
    told = precision_of(sensor)
    energy = Uncertain(wh)
    energy = energy.plus(
        part.trust.gain("stage_m"), told.gain_u * float((np.nan_to_num(stage) * per_m).sum())
    )
    energy = energy.plus(part.trust.offset("stage_m"), told.offset_u * float(per_m.sum()))
    energy = energy.plus("flow by the level", float((each * np.nan_to_num(found.share_u)).sum()))
    energy = energy.plus("head, by tape", _MODEL["head"] * wh)
    if sensor.at != "headrace":
        return Reckoned(energy=energy, origin="modelled", note=STREAM, needs=NEEDS_WATER)
    guessed = float(each[~found.inside].sum())
    if guessed > _GUESSED * wh:
        note = f"{100 * guessed / wh:.0f} % of it by levels outside {rating.from_m:.3g} to {rating.to_m:.3g} m: a guess"
        return Reckoned(energy=energy, origin="modelled", note=note, needs="gaugings at those levels")
    return Reckoned(energy=energy)


def _uses(part: Gathered, side: Reckoned) -> dict[str, Reckoned]:
    into = _pair(part, "battery", "battery_in_mwh", "battery_v")
    out = _pair(part, "battery", "battery_out_mwh", "battery_v")
    net = None if into is None or out is None else _net(part, into.value - out.value)
    dump = _pair(part, "dump", "dump_mwh", "battery_v")
    loads = _pair(part, "load", "load_mwh", "battery_v")
    plant = part.trust.plant
    found = {
        "loads": Reckoned(energy=loads, needs="" if loads else "load_a: a shunt in the cable to the loads"),
        "battery, net": Reckoned(
            energy=net, needs="" if net else "battery_a: a shunt that is the only thing on the negative post"
        ),
        "diverted": Reckoned(
            energy=dump, needs="" if dump else "dump_a: a shunt in the diversion load's cable"
        ),
    }
    diverts_unseen = plant.controller.topology == "diversion-at-battery" and dump is None
    alone = loads is None and not plant.other_sources
    if alone and net is not None and side.energy is not None and side.origin == "measured":
        rest = side.energy - net
        if dump is not None and plant.controller.topology == "diversion-at-battery":
            rest -= dump
        note = "what is left of the battery side; the diversion load is in it" if diverts_unseen else ""
        found["loads"] = Reckoned(energy=rest, note=note)
    return found


def _net(part: Gathered, wh: float) -> Uncertain:
    """Return what the battery gained: the offset acts on the whole time, the gain on what is left over."""
    return part.trust.energy("battery", wh, hours=part.hours, mean_v=part.mean("battery_v") or 1.0)
