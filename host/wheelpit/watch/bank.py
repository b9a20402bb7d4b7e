"""What one live message says of the battery and its diversion load: pure judgements, as those of `conditions`.

Voltages of a bank of 12 V; those of others are in proportion. A battery is laid beside the limits of its own
temperature; where that is not known, beside the wider ones of the coldest it gets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wheelpit.physics.battery import LFP_CELL_LEAST_V, flooded_charge_from_rest, lfp_cells
from wheelpit.watch.judgement import Judgement, above, below
from wheelpit.watch.machine import Verdict

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live
    from wheelpit.plant.description import Plant
    from wheelpit.plant.limits import Limits

_OVERCHARGE_DEADBAND_V: Final = 0.2
_WARNING_DEADBAND_V: Final = 0.1
_WARM_DEADBAND_K: Final = 3.0
_COLD_DEADBAND_K: Final = 1.0
_FREEZING_DEADBAND_K: Final = 2.0
_DISCHARGE_DEADBAND_V: Final = 0.5
_NOT_FULL_V: Final = 0.3  # below float: no controller diverts there
# End of a discharge under load, 1.75 V a cell: common practice for the 20 hour rate, from memory.
_LOADED_END_V: Final = 10.5
# Heavier loads than this share of the capacity pull a bank down by more than its resistance tells.
_HEAVY_SHARE: Final = 0.1
# No battery shows so little: it is disconnected, or the wire that senses it is off.
_NO_BATTERY_V: Final = 6.0
_REST_V: Final = (9.0, 14.4)  # between these a voltage at rest tells a state of charge
_DUMP_SHARE: Final = 0.05  # of its power: less is the shunt's error, or a lamp


def judge_bank(
    live: Live, plant: Plant, limits: Limits, raised_at: dict[str, float | None]
) -> dict[str, Judgement]:
    """Judge every condition of battery and diversion load; see `conditions.judge`."""
    return {
        "overcharge": _overcharge(live, plant, limits, raised_at.get("overcharge")),
        "battery_hot": _hot(live, limits),
        "cold_charging": _cold_charging(live, limits),
        "dump_idle": _dump_idle(live, plant, limits),
        "dump_on": _dump_on(live, plant, limits),
        "sense_lost": _sense_lost(live, plant, limits),
        "deep_discharge": _deep_discharge(live, plant, limits),
        "battery_freezing": _freezing(live, plant, limits),
        "overcharge_warning": _overcharge_warning(live, plant, limits, raised_at.get("overcharge_warning")),
        "battery_warm": _warm(live, limits),
    }


def _volts(plant: Plant, of_12_v: float) -> float:
    return of_12_v * plant.battery.nominal_v / 12.0


def _overcharge(live: Live, plant: Plant, limits: Limits, raised_at: float | None) -> Judgement:
    limit = limits.overcharge_v(live.values.get("battery_degc"))
    back = _narrow(limit, raised_at) - _volts(plant, _OVERCHARGE_DEADBAND_V)
    return above(live.values.get("battery_v"), limit, back, _reason(live, limit, limits, "overcharge_v"))


def _overcharge_warning(live: Live, plant: Plant, limits: Limits, raised_at: float | None) -> Judgement:
    limit = limits.overcharge_warning_v(live.values.get("battery_degc"))
    back = _narrow(limit, raised_at) - _volts(plant, _WARNING_DEADBAND_V)
    reason = _reason(live, limit, limits, "overcharge_warning_v")
    return above(live.values.get("battery_v"), limit, back, reason)


def _narrow(limit: float, raised_at: float | None) -> float:
    """Return the limit below which a voltage must fall.

    A thermometer that fails widens the limit; that must not end an alarm which the narrower one raised.
    """
    return limit if raised_at is None else min(limit, raised_at)


def _reason(live: Live, limit: float, limits: Limits, name: str) -> str:
    battery_degc = live.values.get("battery_degc")
    told = "unknown temperature" if battery_degc is None else f"{battery_degc:.1f} °C"
    return f"Limit {limit:.2f} V at {told}: {limits.reason(name)}."


def _hot(live: Live, limits: Limits) -> Judgement:
    limit = limits.battery_hot_degc
    reason = f"Limit {limits.reason('battery_hot_degc')}."
    return above(live.values.get("battery_degc"), limit, limit - _WARM_DEADBAND_K, reason)


def _warm(live: Live, limits: Limits) -> Judgement:
    limit = limits.battery_warm_degc
    reason = f"Limit {limits.reason('battery_warm_degc')}."
    return above(live.values.get("battery_degc"), limit, limit - _WARM_DEADBAND_K, reason)


def _cold_charging(live: Live, limits: Limits) -> Judgement:
    """Judge whether current flows into LiFePO4 cells that are too cold for it."""
    limit = limits.battery_cold_degc
    reason = f"Limit {limits.reason('battery_cold_degc')}."
    into_a = live.values.get("battery_a")
    if into_a is None and "battery_a" not in live.values:
        into_a = live.values.get("charge_a")
    if limit is None or into_a is None:
        return Judgement(Verdict.UNSEEN, None, limit, reason)
    cold = below(live.values.get("battery_degc"), limit, limit + _COLD_DEADBAND_K, reason)
    if cold.verdict is Verdict.BEYOND and into_a < limits.charging_a:
        return Judgement(Verdict.WITHIN, cold.value, limit, reason)
    return cold


def _deep_discharge(live: Live, plant: Plant, limits: Limits) -> Judgement:
    """Judge an empty bank: by its voltage with the drop of its load added, or by one that no load may pull down to."""
    limit = limits.deep_discharge_v
    reason = f"Limit {limits.reason('deep_discharge_v')}."
    at_rest_v = rest_v(live, plant, limits)
    loaded_v = live.values.get("battery_v")
    if at_rest_v is None or loaded_v is None:
        return Judgement(Verdict.UNSEEN, loaded_v, limit, reason)
    end_v = (
        _volts(plant, _LOADED_END_V)
        if limits.lead_acid
        else LFP_CELL_LEAST_V * lfp_cells(plant.battery.nominal_v)
    )
    found = below(at_rest_v, limit, limit + _volts(plant, _DISCHARGE_DEADBAND_V), reason)
    heavy_a = -(live.values.get("battery_a") or 0.0)
    if (
        found.verdict is Verdict.BEYOND
        and loaded_v >= end_v
        and heavy_a > _HEAVY_SHARE * plant.battery.capacity_ah
    ):
        return Judgement(Verdict.BETWEEN, loaded_v, limit, reason)
    return Judgement(found.verdict, loaded_v, limit, reason)


def _freezing(live: Live, plant: Plant, limits: Limits) -> Judgement:
    """Judge whether the acid may freeze, at the charge that the voltage tells.

    While it is charged a bank looks fuller than it is, so this comes late rather than every frosty night: a charged
    bank stands any frost.
    """
    degc, at_rest_v = live.values.get("battery_degc"), rest_v(live, plant, limits)
    if degc is None or at_rest_v is None or not limits.lead_acid:
        return Judgement(Verdict.UNSEEN, degc, None, "")
    low_v, high_v = (_volts(plant, volts) for volts in _REST_V)
    charge = flooded_charge_from_rest(min(max(at_rest_v, low_v), high_v), plant.battery.nominal_v)
    limit = limits.freezing_alarm_degc(charge)
    if limit is None:
        return Judgement(Verdict.UNSEEN, degc, None, "")
    reason = (
        f"Limit {limit:.0f} °C: 5 K above where the acid freezes at the charge that {at_rest_v:.2f} V at rest tell, "
        f"about {100 * charge:.0f} %."
    )
    return below(degc, limit, limit + _FREEZING_DEADBAND_K, reason)


def rest_v(live: Live, plant: Plant, limits: Limits) -> float | None:
    """Return the bank's voltage with the drop of what it gives added [V]; None where no bank is seen."""
    battery_v = live.values.get("battery_v")
    if battery_v is None or battery_v < _volts(plant, _NO_BATTERY_V):
        return None
    return battery_v + max(0.0, -(live.values.get("battery_a") or 0.0)) * limits.battery_ohm


def _sense_lost(live: Live, plant: Plant, limits: Limits) -> Judgement:
    """Judge whether a current flows at a battery that shows no voltage; a disconnected one has neither."""
    battery_v = live.values.get("battery_v")
    limit = _volts(plant, _NO_BATTERY_V)
    reason = f"Below {limit:.1f} V no battery takes or gives {limits.charging_a:.1f} A."
    flows_a = [abs(amps) for name in ("charge_a", "battery_a") if (amps := live.values.get(name)) is not None]
    if battery_v is None or not flows_a:
        verdict = Verdict.UNSEEN
    elif battery_v >= limit:
        verdict = Verdict.WITHIN
    else:
        verdict = Verdict.BEYOND if max(flows_a) >= limits.charging_a else Verdict.BETWEEN
    return Judgement(verdict, battery_v, limit, reason)


def _dump_idle(live: Live, plant: Plant, limits: Limits) -> Judgement:
    """Judge whether the diversion load takes nothing although the battery is above what the controller holds."""
    least_a = _least_dump_a(plant)
    battery_v, dump_a, charge_a = (live.values.get(name) for name in ("battery_v", "dump_a", "charge_a"))
    battery_degc = live.values.get("battery_degc")
    warning_v, absorption_v = limits.overcharge_warning_v(battery_degc), limits.absorption_v(battery_degc)
    reason = (
        f"At {warning_v:.2f} V, above the absorption voltage of {absorption_v:.2f} V, at least {least_a:.1f} A should "
        "flow into it."
    )
    if least_a <= 0 or battery_v is None or dump_a is None or charge_a is None:
        verdict = Verdict.UNSEEN
    elif dump_a >= least_a or battery_v < absorption_v:
        verdict = Verdict.WITHIN
    else:
        beyond = battery_v >= warning_v and charge_a >= limits.charging_a
        verdict = Verdict.BEYOND if beyond else Verdict.BETWEEN
    return Judgement(verdict, dump_a, least_a, reason)


def _dump_on(live: Live, plant: Plant, limits: Limits) -> Judgement:
    """Judge whether the diversion load takes current from a battery that is not full."""
    least_a = _least_dump_a(plant)
    battery_v, dump_a = live.values.get("battery_v"), live.values.get("dump_a")
    absorption_v = limits.absorption_v(live.values.get("battery_degc"))
    full_v = absorption_v - (plant.controller.absorption_v - plant.controller.float_v)
    not_full_v = full_v - _volts(plant, _NOT_FULL_V)
    reason = f"Below {not_full_v:.2f} V the battery is not full: {full_v:.2f} V is its float voltage now."
    if least_a <= 0 or battery_v is None or dump_a is None:
        verdict = Verdict.UNSEEN
    elif dump_a < least_a / 2 or battery_v >= full_v:
        verdict = Verdict.WITHIN
    else:
        beyond = dump_a >= least_a and battery_v < not_full_v
        verdict = Verdict.BEYOND if beyond else Verdict.BETWEEN
    return Judgement(verdict, dump_a, least_a, reason)


def _least_dump_a(plant: Plant) -> float:
    """Return the current from which on the diversion load counts as on [A], 0 where there is none."""
    return _DUMP_SHARE * (plant.controller.dump_w or 0.0) / plant.battery.nominal_v
