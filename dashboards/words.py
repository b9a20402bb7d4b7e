"""The board's sentences: what a household reads first, how old a value is, what to do when there is none.

A figure that the fitted channels cannot support is not said; where a sensor would give it, `missing` names it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from moment import NOTHING_A, SILENT_S, STALE_S, Moment
from wheelpit.contract.names import CHANNELS

if TYPE_CHECKING:
    from moment import Reading
    from wheelpit.plant import Plant

# Decimals that a reader can use; the ledger keeps more.
_DECIMALS: Final = {"stage_m": 3, "battery_v": 2, "wheel_rpm": 1, "alternator_rpm": 0, "shaft_nm": 0}

_FAULTS: Final = {
    "absent": "sensor not found",
    "bus": "sensor does not answer",
    "config": "settings do not fit the sensor",
    "range": "reading beyond what is possible",
    "railed": "sensor at its end of scale",
    "stuck": "sensor stuck",
}

# A rest of the currents larger than this cannot be the loads' or the shunts' error: a sign or a wire is wrong.
_WRONG_BY_W: Final = 10.0
_LITTLE_W: Final = 2.0

_WET_V: Final = 30.0
_HELD_V: Final = 15.0

_MINUTE_S: Final = 60
_HOUR_S: Final = 3600
_DAY_S: Final = 86400


def number(value: float, decimals: int) -> str:
    """Write a number with a true minus sign and never as minus zero."""
    rounded = round(value, decimals)
    return f"{rounded + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def unit(channel: str) -> str:
    """Return the unit of a channel as it is written."""
    return CHANNELS[channel].unit


def quantity(channel: str, value: float) -> str:
    """Write a channel's value with its unit."""
    return f"{number(value, _DECIMALS.get(channel, 1))} {unit(channel)}"


def span(seconds: float) -> str:
    """Write a span of time in the largest unit that leaves a whole number: 18 s, 3 min, 2 h, 4 days."""
    if seconds < _MINUTE_S:
        return f"{max(seconds, 0):.0f} s"
    if seconds < _HOUR_S:
        return f"{seconds // _MINUTE_S:.0f} min"
    if seconds < 2 * _DAY_S:
        return f"{seconds // _HOUR_S:.0f} h"
    return f"{seconds // _DAY_S:.0f} days"


def age(reading: Reading) -> str:
    """Say how old a word of a node is that is not yet too old to be shown."""
    age_s = reading.age_s or 0.0
    if age_s < 1:
        return "now"
    return f"{span(age_s)} {'ago' if age_s <= STALE_S else 'old'}"


def fault(code: str | None) -> str:
    """Say in words why a fitted channel has no value."""
    return "no reason told" if code is None else _FAULTS.get(code, code)


def headline(plant: Plant, moment: Moment) -> str:
    """Say in one sentence what the plant does now, or that nothing is known."""
    if not moment.spoken:
        return "No node has spoken yet."
    newest = moment.newest_s or 0.0
    if newest > SILENT_S:
        return f"No data for {span(newest)}: what the plant does now is not known."
    if newest > STALE_S:
        return f"The newest values are {span(newest)} old; waiting for the next."
    electric = _electric(plant, moment)
    return _sentence([part for part in (electric, _wheel(moment)) if part])


def missing(plant: Plant, moment: Moment) -> list[str]:
    """Name the sensors that would answer what a household asks and this plant cannot."""
    fitted = plant.channels | moment.readings.keys()
    lines = []
    if "charge_a" not in fitted:
        lines.append(
            "What the wheel gives is not measured: a shunt between charge controller and battery node "
            "(charge_a) would say it."
        )
    if "battery_a" not in fitted:
        lines.append(
            "What the bank takes and the loads use is not measured: a shunt at the battery's negative post "
            "(battery_a) would say both."
        )
    elif "load_a" not in fitted and plant.other_sources:
        lines.append(
            "With another source on the bank the loads cannot be told from the rest: a shunt at the loads "
            "(load_a) would say them."
        )
    elif "load_a" not in fitted and _diverts(plant) and "dump_a" not in fitted:
        lines.append(
            "The diversion load cannot be told from the loads: a shunt at the diversion load (dump_a) would "
            "part them."
        )
    if "wheel_rpm" not in fitted:
        lines.append(
            "The wheel's speed is not measured: a pickup with four magnets (wheel_rpm) would say it."
        )
    return lines


def failures(moment: Moment) -> list[str]:
    """Name the fitted channels that a node speaks of but cannot read, and why."""
    return [
        f"No reading of the {CHANNELS[channel].label} ({channel}): {fault(reading.fault)}."
        for channel, reading in moment.readings.items()
        if reading.value is None and not reading.silent
    ]


def silences(moment: Moment) -> list[str]:
    """Name the nodes that are silent while another speaks: what stands grey in the drawing is theirs."""
    if not moment.fresh:
        return []
    return [
        f"The node {node!r} has been silent for {span(age_s)}."
        for node, age_s in sorted(moment.ages_s.items())
        if age_s > STALE_S
    ]


def cautions(moment: Moment) -> list[str]:
    """Return the short warnings that the present values call for."""
    volts = moment.now("rectified_v")
    lines = []
    if moment.state == "stopped" and moment.fresh:
        lines.append(
            "Wheel stopped. Before anyone goes near it: water off first. Its buckets may be full, and it leaps "
            "when freed."
        )
    if volts is not None and volts > _WET_V:
        lines.append(
            f"{volts:.0f} V before the converter: dangerous to touch in the wet. Hands off that wiring while the "
            "wheel can turn and for minutes after."
        )
    elif volts is not None and volts > _HELD_V and moment.state in {"stopped", "parked"}:
        lines.append(
            f"The wheel stands, but {volts:.0f} V are still held before the converter. Wait and measure before "
            "touching anything."
        )
    return lines


def _diverts(plant: Plant) -> bool:
    return plant.controller.topology == "diversion-at-battery"


def _wheel(moment: Moment) -> str:
    rpm = moment.now("wheel_rpm")
    if not moment.fresh or moment.state is None:
        return ""
    if moment.state == "parked":
        return "the wheel is parked on purpose"
    if moment.state == "stopped":
        return "the wheel stands still"
    return "" if rpm is None else f"the wheel turns at {quantity('wheel_rpm', rpm)}"


def _electric(plant: Plant, moment: Moment) -> str:
    volts = moment.now("battery_v")
    at_v = "" if volts is None else f" at {number(volts, 1)} V"
    parts = [part for part in (_give(plant, moment), _bank(moment, at_v), _loads(plant, moment)) if part]
    if not parts:
        return f"the battery stands{at_v}" if at_v else ""
    if moment.now("battery_a") is None:  # otherwise the bank's part says the voltage
        parts[0] += at_v
    return _list(parts)


def _give(plant: Plant, moment: Moment) -> str:
    give, amps = moment.give_w, moment.now("charge_a")
    if give is None or amps is None:
        bank = moment.bank_w
        if "charge_a" in moment.readings or plant.other_sources or bank is None or bank <= 0:
            return ""
        return f"giving at least {number(bank, 0)} W"
    if amps < -NOTHING_A:
        return f"giving nothing: {quantity('charge_a', -amps)} flow back through the charge shunt"
    return "giving nothing" if amps < NOTHING_A else f"giving {number(give, 0)} W"


def _bank(moment: Moment, at_v: str) -> str:
    amps = moment.now("battery_a")
    if amps is None:
        return ""
    if abs(amps) < NOTHING_A:
        return f"the bank is at rest{at_v}"
    given_a = moment.now("charge_a")
    adds = given_a is not None and given_a >= NOTHING_A
    verb = "taking" if amps > 0 else "adding" if adds else "giving"
    return f"the bank is {verb} {quantity('battery_a', abs(amps))}{at_v}"


def _loads(plant: Plant, moment: Moment) -> str:
    measured = moment.load_w
    if measured is not None:
        return f"the loads take {number(measured, 0)} W" if measured >= _LITTLE_W else ""
    rest = moment.load_by_difference_w(diverting=_diverts(plant), other_sources=bool(plant.other_sources))
    if rest is None:
        return ""
    if rest < -_WRONG_BY_W:
        return f"the currents do not add up by {number(-rest, 0)} W: check the shunts' signs"
    return f"the loads take about {number(rest, 0)} W" if rest >= _LITTLE_W else ""


def _list(parts: list[str]) -> str:
    if len(parts) <= 2:  # noqa: PLR2004 - two parts need no list
        return ", ".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def _sentence(parts: list[str]) -> str:
    if not parts:
        return "The node speaks, but no channel that says what the plant does has a reading."
    words = "; ".join(parts)
    return f"{words[0].upper()}{words[1:]}."
