"""Energy missed, by cause: what the plant would have given, less what it gave.

It is a counterfactual and says so: where the water's level was measured, the usual power at that flow; elsewhere a
line from the power before to the power after. How far such lines lie off is learned from the plant's own good times,
by bridging stretches of the same length in which the truth is known. What a full battery held back a line cannot tell: the
wheel's own speed does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from wheelpit.accounts.baselines import curve, flow_l_s, frost, good_rows
from wheelpit.accounts.figure import Figure
from wheelpit.accounts.held_back import held_back, left_out
from wheelpit.accounts.missed_bridge import LEAST_U, UNKNOWN_U, BridgeU, bridge_uncertainty, bridged, runs
from wheelpit.accounts.missed_clogging import clogged
from wheelpit.accounts.tenminutes import STEP_MS
from wheelpit.accounts.water import flow_of_stage, wheel_rating

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from wheelpit.accounts.drift import Drift
    from wheelpit.accounts.missed_clogging import Sag
    from wheelpit.accounts.tenminutes import Flags, Floats, TenMinutes
    from wheelpit.plant.description import Plant
    from wheelpit.plant.limits import Limits

    Places = NDArray[np.int64]

Cause = Literal[
    "stall", "slow", "not charging", "clogging", "loss", "parked", "no data", "full battery", "low water"
]

TEXT: Final[dict[Cause, str]] = {
    "stall": "stopped by something other than low water: a jam, or ice",
    "slow": "turning too slowly to charge though there was water",
    "not charging": "turning fast enough, and yet no charge",
    "clogging": "leaves at the rack, until it was raked",
    "loss": "less than usual at the same level of the water",
    "parked": "parked on purpose",
    "no data": "given, as far as can be told, but not measured: missing in the books, not in the battery",
    "full battery": "given, and burnt in the diversion load because the battery was full",
    "low water": "less water than usual: against the middle power of these times; nobody could have helped it",
}
_WHOLE: Final = 0.99
_ALMOST: Final = 0.95
_HALF: Final = 0.5
_SIGMA: Final = 68.3  # percentile of the absolute error that a standard uncertainty stands for
_LOW: Final = 2.0  # times the least usual power: below that the water was about to end
_LOW_WATER: Final = -2  # among the causes by row
_NEAR_CUTIN: Final = 1.1  # times the cut-in speed: a wheel that turns no faster has little water
_LEAST_SLOW: Final = 12
_STATES: Final[tuple[Cause, ...]] = ("no data", "parked", "stall", "not charging", "slow")
_HELD_TEXT: Final = {
    "series": "not taken because the battery was full: the controller let the wheel run with less load",
    "diversion-in-controller": "given, and burnt inside the controller, before the shunt, because the battery was full",
}
_HOUR: Final = STEP_MS / 3.6e6
_DUMP_W: Final = 2.0
_THAWS: Final = 288
_FROST_U: Final = 0.3  # with ice in the buckets nobody knows what the wheel would have given


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """Energy missed by one cause.

    Attributes:
        cause: Which.
        energy_wh: How much, with its interval [Wh].
        hours: How long it lasted [h].
        episodes: How many times.
        text: What the cause is.

    """

    cause: Cause
    energy_wh: Figure
    hours: float
    episodes: int
    text: str


def missed_energy(
    ten: TenMinutes,
    plant: Plant,
    limits: Limits,
    *,
    drifts: Sequence[Drift] = (),
    energy_u: float = 0.01,
    rows: slice | None = None,
    raked_ms: Sequence[int] = (),
) -> list[Missed]:
    """Return the energy missed over some rows, most first; causes that did not occur are left out.

    Args:
        ten: The rows.
        plant: The plant.
        limits: Its limits: from which speed on it should charge.
        drifts: What is known to be lost at like flow.
        energy_u: Relative standard uncertainty of the measured energy.
        rows: Which rows are asked about; the others only help to know what is usual. None for all.
        raked_ms: When the logbook says that the rack was raked [Unix ms]; half an hour off will do.

    """
    if not ten.days:
        return []
    watts, measured = ten.power_w(), ten.measured()
    held = held_back(ten, plant)
    normal = (ten["charging_ms"] >= _WHOLE * STEP_MS) & (measured >= _ALMOST) & (ten["parked_ms"] == 0)
    normal &= ~held.rows
    if not normal.any():
        return []
    begins, ends = runs(~normal)
    bridge = bridged(watts, normal, begins, ends)
    u_of = bridge_uncertainty(watts, normal)
    expected, u_share = bridge.copy(), np.zeros(ten.size)
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        u_share[begin:end] = u_of(end - begin)
    flow = flow_l_s(ten, plant)
    usual = curve(flow, watts, good_rows(left_out(ten, held)))
    by_level = np.zeros(ten.size, bool)
    low_flow = np.zeros(ten.size, bool)
    if usual is not None and usual.complete.any():
        by_flow = usual.at(flow)
        off = np.log(np.maximum(watts, 1e-3) / np.maximum(by_flow, 1e-3))[normal & np.isfinite(by_flow)]
        by_level = ~normal & np.isfinite(by_flow)
        expected[by_level] = by_flow[by_level]
        u_share[by_level] = max(LEAST_U, float(np.percentile(np.abs(off), _SIGMA)) if off.size else UNKNOWN_U)
        low_flow = _raw_flow(ten, plant) < usual.x[usual.complete][0]
    held.tell(expected, u_share, ~by_level)
    least_w = _least_power(ten, watts, normal, limits)
    cause = _causes(ten, measured, normal, begins, ends, bridge, low_flow, least_w)
    cause[held.rows] = -1
    given_wh = np.where(measured > 0, ten.energy_wh(), 0.0)
    lost_wh = np.where(normal, 0.0, expected * _HOUR - given_wh)
    lost_wh[cause == _STATES.index("no data")] += given_wh[cause == _STATES.index("no data")]
    unmeasured = np.clip(1 - measured, 0, 1)
    blind = (cause == _STATES.index("no data")) & ~normal
    lost_wh[blind] = (expected * unmeasured * _HOUR)[blind]
    ice = frost(ten)
    u_share[ice] = np.maximum(u_share[ice], _FROST_U)
    asked = np.zeros(ten.size, bool)
    asked[rows if rows is not None else slice(None)] = True
    cause[~asked] = -1
    found = _summed(cause, lost_wh, u_share, begins, ends, normal, energy_u)
    found += _held(ten, plant, held.rows & asked, expected, u_share)
    found += _low_water(cause, watts, normal)
    raked = np.searchsorted(ten.start_ms, np.array(raked_ms, np.int64), "right") - 1
    found += _clogging(clogged(watts, normal, raked), watts, ice, asked, u_of)
    found += _diverted(ten, energy_u, asked)
    found += _losses(ten, drifts, asked)
    return sorted(found, key=lambda one: -one.energy_wh.value)


def _raw_flow(ten: TenMinutes, plant: Plant) -> Floats:
    """Return the flow onto the wheel [L/s] beyond the rating's range too: a flood above it is not little water."""
    rating = wheel_rating(plant)
    return np.full(ten.size, np.nan) if rating is None else flow_of_stage(rating, ten["stage_m"]).flow_l_s


def _least_power(ten: TenMinutes, watts: Floats, normal: Flags, limits: Limits) -> float:
    """Return the power with which the plant runs just above cut-in [W]; 0 where the water was never that low."""
    slow = normal & (ten["wheel_rpm"] < _NEAR_CUTIN * limits.cutin_rpm)
    return float(np.median(watts[slow])) if slow.sum() >= _LEAST_SLOW else 0.0


def _causes(  # noqa: PLR0917 - the columns that `missed_energy` has worked out
    ten: TenMinutes,
    measured: Floats,
    normal: Flags,
    begins: Places,
    ends: Places,
    bridge: Floats,
    low_flow: Flags,
    least_w: float,
) -> Places:
    """Return each row's cause as a place in `_STATES`; -1 where it is normal, -2 where the water was low."""
    charging = ten["charging_ms"]
    above = np.maximum(np.minimum(ten["above_cutin_ms"], ten["turning_ms"]) - charging, 0)
    below = np.maximum(ten["turning_ms"] - np.maximum(ten["above_cutin_ms"], charging), 0)
    amounts = np.stack(((1 - measured) * STEP_MS, ten["parked_ms"], ten["stopped_ms"], above, below))
    cause: Places = amounts.argmax(axis=0)
    cause[normal] = -1
    # A row in which next to nothing is amiss, at the edge of a run, belongs to its neighbour.
    slight = ~normal & (amounts.max(axis=0) < _HALF * STEP_MS)
    inner = (
        slight
        & np.concatenate((~normal[1:], np.zeros(1, bool)))
        & ~np.concatenate((np.zeros(1, bool), slight[:-1]))
    )
    places = np.flatnonzero(inner)
    cause[places] = cause[places + 1]
    lasts = np.flatnonzero(slight & ~inner)
    lasts = lasts[(lasts > 0)]
    lasts = lasts[~normal[lasts - 1]]
    cause[lasts] = cause[lasts - 1]
    water = (cause == _STATES.index("stall")) | (cause == _STATES.index("slow"))
    rated = np.isfinite(ten["stage_m"])
    cause[water & rated & low_flow] = _LOW_WATER
    # Without a level: the power before and after tells whether the water was ending anyway.
    ending = np.zeros(normal.size, bool)
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        ending[begin:end] = min(bridge[begin], bridge[end - 1]) < _LOW * least_w
    cause[water & ~rated & ending & ~frost(ten)] = _LOW_WATER
    return cause


def _summed(  # noqa: PLR0917 - columns that belong together
    cause: Places,
    lost_wh: Floats,
    u_share: Floats,
    begins: Places,
    ends: Places,
    normal: Flags,
    energy_u: float,
) -> list[Missed]:
    """Return the sums by cause; bridges over different runs err independently."""
    run = np.repeat(np.arange(begins.size), ends - begins)
    rows = np.flatnonzero(~normal)
    found: list[Missed] = []
    for number, name in enumerate(_STATES):
        mine = cause[rows] == number
        if not mine.any():
            continue
        lost, of_run = lost_wh[rows[mine]], run[mine]
        sums = np.bincount(of_run, lost, minlength=begins.size)
        us = np.bincount(of_run, np.abs(lost) * u_share[rows[mine]], minlength=begins.size)
        total = float(sums.sum())
        u = math.hypot(float(np.sqrt(us @ us)), energy_u * total)
        whole_h = float(mine.sum()) * _HOUR
        found.append(_missed(name, max(total, 0.0), u, whole_h, int(np.unique(of_run).size)))
    return found


def _missed(  # noqa: PLR0917 - what is told of a cause
    cause: Cause, total_wh: float, u_wh: float, hours: float, episodes: int, text: str = ""
) -> Missed:
    text = text or TEXT[cause]
    figure = Figure(value=total_wh, u=u_wh, origin="modelled", note=text)
    return Missed(cause=cause, energy_wh=figure, hours=hours, episodes=episodes, text=text)


def _low_water(cause: Places, watts: Floats, normal: Flags) -> list[Missed]:
    low = cause == _LOW_WATER
    if not low.any():
        return []
    middle = float(np.median(watts[normal]))
    given = float(np.nan_to_num(watts[low]).sum()) * _HOUR
    hours = float(low.sum()) * _HOUR
    begins, _ = runs(low)
    total = max(middle * hours - given, 0.0)
    return [_missed("low water", total, UNKNOWN_U * total, hours, int(begins.size))]


def _clogging(sags: Iterable[Sag], watts: Floats, ice: Flags, asked: Flags, u_of: BridgeU) -> list[Missed]:
    """Return what leaves at the rack kept back, over the rows before each step up."""
    frozen = np.concatenate((np.zeros(1), np.cumsum(ice, dtype=np.float64)))
    total = squares = 0.0
    rows = episodes = 0
    for sag in sags:
        length = sag.end - sag.begin
        lost = float((sag.natural_w - watts[sag.begin : sag.end]).sum()) * _HOUR
        # Ice goes as leaves do, in a moment.
        thawed = frozen[sag.end] > frozen[max(sag.begin - _THAWS, 0)]
        if lost <= 0 or thawed or not asked[sag.end - 1]:
            continue
        total += lost
        # The line's error is one of the whole power, of which only a part was lost.
        squares += (u_of(length) * float(sag.natural_w.sum()) * _HOUR) ** 2
        squares += (float(sag.unsure_w.sum()) * _HOUR) ** 2
        rows += length
        episodes += 1
    if not episodes:
        return []
    return [_missed("clogging", total, math.sqrt(squares), rows * _HOUR, episodes)]


def _held(ten: TenMinutes, plant: Plant, rows: Flags, expected: Floats, u_share: Floats) -> list[Missed]:
    """Return what a full battery did not let come, or let be burnt unseen; errors are the same in all rows."""
    rows = rows & ~(ten["dump_valid_ms"] > 0)  # the diversion's own meter tells
    if not rows.any():
        return []
    could_wh = expected[rows] * _HOUR
    total_wh = float((could_wh - ten.energy_wh()[rows]).sum())
    u_wh = float((could_wh * u_share[rows]).sum())
    if total_wh < u_wh:
        return []  # perhaps nothing: as where a converter in a flood is at its own limit
    begins, _ = runs(rows)
    hours, text = float(rows.sum()) * _HOUR, _HELD_TEXT[plant.controller.topology]
    return [_missed("full battery", total_wh, u_wh, hours, int(begins.size), text)]


def _diverted(ten: TenMinutes, energy_u: float, asked: Flags) -> list[Missed]:
    dump_wh = np.where(asked, ten["dump_mwh"] / 1000, 0.0)
    running = dump_wh > _DUMP_W * _HOUR  # below, it is the shunt's zero
    if not running.any():
        return []
    total = float(dump_wh[running].sum())
    text = TEXT["full battery"]
    figure = Figure(value=total, u=energy_u * total, origin="measured", note=text)
    begins, _ = runs(running)
    hours = float(running.sum()) * _HOUR
    return [Missed(cause="full battery", energy_wh=figure, hours=hours, episodes=int(begins.size), text=text)]


def _losses(ten: TenMinutes, drifts: Sequence[Drift], asked: Flags) -> list[Missed]:
    """Return what a drift has cost since it began: the energy given, against what it would have been."""
    power = [drift for drift in drifts if drift.kind != "volts"]
    if not power:
        return []
    drift = min(power, key=lambda told: told.share.value)
    span = next((span for span in ten.days if span.day >= drift.since), None)
    if span is None:
        return []
    since = asked & (np.arange(ten.size) >= span.begin)
    given = float(ten.energy_wh()[since].sum())
    kept = 1 + drift.share.value
    total = given * (1 / kept - 1)
    late = drift.since_u_days * total / max(len(ten.days) - ten.days.index(span), 1)
    u = math.hypot(given * drift.share.u / kept**2, late)
    return [_missed("loss", total, u, float(since.sum()) * _HOUR, 1)] if given > 0 else []
