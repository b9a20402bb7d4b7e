"""Flow, loaded running, thresholds and coast-down: what follows from them, margins and efficiencies among it.

The torque that matters for efficiency is the one the load demands at the speed it runs at. In steady turning what the
wheel gives and what the load demands balance; what it could give beyond is margin, not input.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.commission.rating import RatingError, fit_rating
from wheelpit.accounts.commission.readings import Reading, derived, mean_of, widened
from wheelpit.accounts.commission.results import Entry
from wheelpit.accounts.figure import Figure
from wheelpit.physics.bench import coast_down_inertia, coast_down_torque
from wheelpit.physics.flow import bucket_flow, v_notch_flow
from wheelpit.physics.uncertainty import u_of_limits
from wheelpit.physics.water import hydraulic_power
from wheelpit.physics.wheel import available_torque, weight_torque
from wheelpit.plant.chain import RPM, local_water, overshot_of, ratio_of
from wheelpit.plant.description import NotchWeir
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.commission.answers import Answers
    from wheelpit.accounts.commission.rating import Rating
    from wheelpit.accounts.commission.results import Outcome
    from wheelpit.plant.description import Plant

_BELIEVED: Final = (
    0.10  # a flow less sure than this, of a half 95 % interval, is shown and not built upon silently
)
_SHORT_S: Final = 5.0
_COEFFICIENT_U: Final = 0.005
_HEAD_U_M: Final = 0.01
_SPEED_U: Final = 0.01
_RATIO_U: Final = 0.01
_INERTIA_U: Final = 0.10  # of one that nobody measured
_PACE_U: Final = (
    0.10  # by how much friction while running differs from that at walking pace; common practice, no source
)
_DRAG_U: Final = 0.40
_LEAST_SHARE: Final = 0.001  # how sure plant.toml may call a rating
_MOST_SHARE: Final = 0.5
_LEAST_EXPONENT_U: Final = 0.1  # beyond the last gauging the section is another, however well the pairs lie
_MOST_EXPONENT_U: Final = 5.0
_NOTCH_OFF: Final = 0.05
_STEPS: Final = 50
_SLOW_AFTER: Final = 60
_LEAST_EFFICIENCY: Final = 0.5


def flow(_plant: Plant, answers: Answers, found: Outcome) -> None:
    """Work out the flow and, before anybody believes it, how sure it is."""
    litres, seconds = answers.number("flow.bucket_l"), answers.series("flow.bucket_s")
    if litres is not None and seconds:
        share = u_of_limits((answers.number("flow.bucket_u_pct") or 0.0) / 100)
        watch = answers.number("flow.watch_u_s") or 0.2
        took = mean_of(seconds, watch)
        value, u = bucket_flow(litres, took.value, max(share * litres, 1e-6), took.u)
        figure = Figure(
            value=value, u=u, note=f"{len(seconds)} fillings of {litres:g} L in {took.value:.1f} s"
        )
        found.add("flow", "bucket_l_s", "flow by vessel and watch", figure, "L/s")
        if took.value < _SHORT_S or 1.96 * u / value > _BELIEVED:
            found.warnings.append(
                f"the flow by vessel is {value:.2f} L/s ±{100 * 1.96 * u / value:.0f} %: {took.value:.1f} s are short for a "
                "hand at a watch; catch a larger vessel, or more often, before you build on it"
            )
    head = answers.number("flow.weir_m")
    if head is None:
        return
    head_u = u_of_limits((answers.number("flow.weir_u_mm") or 0.0) / 1000)
    notch = answers.number("flow.notch_deg") or 90.0
    value = 1000.0 * v_notch_flow(head, notch)
    u = value * math.hypot(_COEFFICIENT_U, 2.5 * head_u / head)
    note = "all of it reaches the wheel only if nothing spills between"
    figure = found.add("flow", "weir_l_s", "flow by the V-notch", Figure(value=value, u=u, note=note), "L/s")
    other = found.get("bucket_l_s")
    if other is not None and abs(other.value - figure.value) > 2.0 * math.hypot(other.u, figure.u):
        found.warnings.append(
            f"vessel {other.value:.2f} and V-notch {figure.value:.2f} L/s differ by more than both allow: spill, debris on the "
            "crest, or the weir's zero"
        )


def rating(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Fit the level sensor's own table, and say what becomes of it in plant.toml."""
    stages, flows = answers.series("rating.stage_m"), answers.series("rating.flow_l_s")
    if not stages or not flows:
        return
    try:
        fitted = fit_rating(stages, flows)
    except RatingError as error:
        found.warnings.append(str(error))
        return
    found.rating = fitted
    middle = 0.5 * (fitted.from_m + fitted.to_m)
    note = f"Q = {fitted.a:.4g} (h {-fitted.zero_m:+.4f} m)^{fitted.b:.3f} L/s, gauged from {fitted.from_m:g} to {fitted.to_m:g} m"
    method_u = u_of_limits((answers.number("rating.flow_u_pct") or 0.0) / 100)
    told = fitted.flow_l_s(middle)
    u = math.hypot(told.u, method_u * told.value)
    found.add(
        "rating", "rated_l_s", f"flow at {middle:.3f} m by the own table", Figure(value=told.value, u=u, note=note), "L/s"
    )  # fmt: skip
    exponent = Figure(value=fitted.b, u=widened(fitted.covariance[2][2] ** 0.5, fitted.freedom))
    found.add("rating", "rating_exponent", "its exponent", exponent)
    if "stage_m" not in plant.channels:
        found.warnings.append(
            "no [[sensor]] of plant.toml gives stage_m: the table stands here and is not written; add the sensor first"
        )
    elif isinstance(plant.weir, NotchWeir):
        _against_notch(plant, fitted, stages, flows, found)
    else:
        found.entries += _rating_entries(fitted, method_u, exponent.u)


def _rating_entries(fitted: Rating, method_u: float, exponent_u: float) -> list[Entry]:
    """Return a rating as plant.toml has it: how sure it is at its worst between the levels that were gauged."""
    span = fitted.to_m - fitted.from_m
    worst = max(fitted.share_u(fitted.from_m + span * k / _STEPS) for k in range(_STEPS + 1))
    share = min(max(math.hypot(worst, method_u), _LEAST_SHARE), _MOST_SHARE)
    told = (
        ("coefficient_l_s", float(f"{fitted.a:.6g}"), f"by {fitted.pairs} gaugings; the flow one metre above zero_m"),
        ("zero_m", round(fitted.zero_m, 5), "where flow begins, by the same"),
        ("exponent", round(fitted.b, 4), "by the same"),
        ("from_m", fitted.from_m, "lowest level gauged"),
        ("to_m", fitted.to_m, "highest level gauged"),
        ("flow_u_pct", float(f"{100 * share:.2g}"), "scatter about it, and how sure each gauging is"),
        ("exponent_u", float(f"{min(max(exponent_u, _LEAST_EXPONENT_U), _MOST_EXPONENT_U):.2g}"), "by the scatter"),
    )  # fmt: skip
    return [Entry(table="weir", key=key, value=value, why=why) for key, value, why in told]


def _against_notch(
    plant: Plant, fitted: Rating, stages: Sequence[float], flows: Sequence[float], found: Outcome
) -> None:
    """Hold gaugings against the notch that plant.toml describes; its formula goes before a table of a few pairs."""
    notch = rating_of(plant)
    inside = [] if notch is None else [
        math.log(flow / notch.flow_l_s(stage))
        for stage, flow in zip(stages, flows, strict=True)
        if notch.from_m <= stage <= notch.to_m
    ]  # fmt: skip
    words = "plant.toml describes a V-notch, and its formula goes before an own table"
    if inside:
        off = math.expm1(sum(inside) / len(inside))
        words += f"; the flows gauged are {100 * off:+.0f} % off it"
        if abs(off) > max(_NOTCH_OFF, 2.0 * fitted.scatter):
            words += ": its zero, debris on the crest, or water past it"
    found.warnings.append(
        f"{words}. The table is not written; to take it, remove [weir] from plant.toml first"
    )


def loaded(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Work out powers under load, the demanded torque, and the efficiencies where the flow is known."""
    meter = u_of_limits((answers.number("volts.meter_pct") or 0.0) / 100)

    def read(name: str) -> Reading | None:
        value = answers.number(f"volts.{name}")
        return None if value is None else Reading(value, meter * value)

    def power(volts: str, amps: str, key: str, what: str) -> Figure | None:
        v, a = read(volts), read(amps)
        if v is None or a is None:
            return None
        return found.add("volts", key, what, derived(lambda x, y: x * y, v, a), "W")

    out = power("loaded_v", "loaded_a", "loaded_w", "power into the battery node")
    bridge = power("bridge_v", "bridge_a", "bridge_w", "power behind the bridge")
    if out is not None and bridge is not None:
        v1, a1, v2, a2 = (read(name) for name in ("loaded_v", "loaded_a", "bridge_v", "bridge_a"))
        if v1 and a1 and v2 and a2:
            kept = derived(lambda w, x, y, z: w * x / (y * z), v1, a1, v2, a2)
            found.add("volts", "converter_efficiency", "converter's efficiency", kept)
            if kept.low > 1.0:
                found.warnings.append(
                    "more comes out of the converter than goes in: a meter or a shunt's value is wrong"
                )
            elif _LEAST_EFFICIENCY <= kept.value <= 1.0 and hasattr(plant.converter, "efficiency"):
                entry = Entry(
                    table="converter", key="efficiency", value=round(kept.value, 3), why="measured under load"
                )
                found.entries.append(entry)
    _demanded(plant, answers, found, read("bridge_a"), out)


def _demanded(
    plant: Plant, answers: Answers, found: Outcome, amps: Reading | None, out: Figure | None
) -> None:
    """Work out what the load demands of the wheel at the speed it ran at, and what share of the water's power that is."""
    rpm, idle = answers.number("volts.loaded_rpm"), found.get("idle_nm")
    if rpm is None:
        return
    constant = found.get("nm_per_a") or found.get("volts_per_rad_s")
    flow_l_s = found.get("weir_l_s") or found.get("bucket_l_s")
    water = None if flow_l_s is None else _water_w(plant, flow_l_s)
    if water is not None:
        found.add("volts", "water_w", "power of the water over the head", water, "W")
        if out is not None and water.value > 0:
            whole = derived(lambda x, y: x / y, Reading(out.value, out.u), Reading(water.value, water.u))
            found.add("volts", "overall_efficiency", "overall efficiency, water to battery", whole)
    if amps is None or idle is None or constant is None:
        return
    counted = found.get("ratio")
    ratio = ratio_of(plant) if counted is None else counted.value
    ratio_u = _RATIO_U * ratio if counted is None else counted.u
    share = 1.0 + plant.belt.loss_per_nm

    def torque(idle_nm: float, k: float, i: float, current: float) -> float:
        return idle_nm + share * i * k * current

    told = (Reading(idle.value, idle.u), Reading(constant.value, constant.u), Reading(ratio, ratio_u), amps)
    demanded = found.add(
        "volts", "demanded_nm", "torque demanded of the wheel", derived(torque, *told, note="friction at walking pace, belt and current through the counted ratio"), "N m"
    )  # fmt: skip
    speed = Reading(rpm * RPM, _SPEED_U * rpm * RPM)
    shaft = derived(lambda *one: torque(*one[:4]) * one[4], *told, speed)
    found.add("volts", "shaft_w", "power of the wheel", shaft, "W")
    if water is None or flow_l_s is None:
        return
    turning = derived(lambda x, y: x / y, Reading(shaft.value, shaft.u), Reading(water.value, water.u))
    found.add("volts", "wheel_efficiency", "wheel efficiency, by torque demanded", turning)
    if turning.low > 1.0:
        found.warnings.append(
            "the wheel gives more than the water brings: flow, head, radius or current is wrong"
        )
    _margins(plant, found, demanded, flow_l_s)


def _water_w(plant: Plant, flow_l_s: Figure) -> Figure:
    density, gravity = local_water(plant)
    return derived(
        lambda q, h: hydraulic_power(q / 1000, h, density, gravity),
        Reading(flow_l_s.value, flow_l_s.u),
        Reading(plant.water.head_m, _HEAD_U_M),
    )


def _margins(plant: Plant, found: Outcome, demanded: Figure, flow_l_s: Figure) -> None:
    """Work out how much torque is in hand at this flow: margin, never input."""
    wheel = overshot_of(plant)
    ceiling = (wheel.gravity_m_s2 / (wheel.diameter_m / 2)) ** 0.5 * 0.98
    most = max(available_torque(wheel, ceiling * k / _STEPS, flow_l_s.value / 1000) for k in range(_STEPS))
    note = (
        f"the most that {flow_l_s.value:.1f} L/s gives, {most:.0f} N m, over what is demanded; an output over this torque "
        "would be no efficiency: in steady turning the wheel gives just what is demanded"
    )
    figure = Figure(
        value=most / demanded.value,
        u=most / demanded.value * demanded.u / demanded.value,
        origin="modelled",
        note=note,
    )
    found.add("volts", "pull_out_margin", "pull-out margin", figure)


def standing(plant: Plant, _answers: Answers, found: Outcome) -> None:
    """Work out the start margin: what full standing buckets give over what it takes to break away."""
    hump = found.get("break_away_nm")
    if hump is None or hump.value <= 0:
        return
    wheel = overshot_of(plant)
    full = weight_torque(wheel, 0.0, wheel.largest_fill)
    note = f"full standing buckets give {full:.0f} N m by plant.toml"
    margin = Figure(
        value=full / hump.value, u=full / hump.value * hump.u / hump.value, origin="modelled", note=note
    )
    found.add("pull", "start_margin", "start margin", margin)
    if margin.value < 1.0:
        found.warnings.append(
            "full buckets do not break it away: it will not start by itself; look at bearings and cogging"
        )


def threshold(_plant: Plant, answers: Answers, found: Outcome) -> None:
    """Take cut-in and cut-out, the cut-out margin, and where "slow" begins."""
    told: dict[str, Figure] = {}
    for name, what in (("cutin", "cut-in: charging begins"), ("cutout", "cut-out: charging ends")):
        values = answers.series(f"threshold.{name}_rpm")
        if values:
            mean = mean_of(values, 0.0)
            told[name] = found.add(
                "threshold", f"{name}_rpm", what, Figure(value=mean.value, u=mean.u, note=f"{len(values)} times"), "rpm"
            )  # fmt: skip
    if len(told) < 2:  # noqa: PLR2004 - both
        return
    start, stop = told["cutin"], told["cutout"]
    if stop.value > start.value:
        found.warnings.append(
            f"cut-out, {stop.value:.1f} rpm, is above cut-in, {start.value:.1f}: they are swapped, or the gate was moved too fast"
        )
        return
    slow = round((start.value + stop.value) / 2, 1)
    why = f"cut-in {start.value:.1f}, cut-out {stop.value:.1f} rpm by the bench test; slow below {slow:g} rpm for {_SLOW_AFTER} s"
    found.entries.append(Entry(table="limits", key="slow_rpm", value=slow, why=why))
    rpm = answers.number("volts.loaded_rpm")
    if rpm is not None:
        margin = derived(
            lambda x, y: x / y,
            Reading(rpm, _SPEED_U * rpm),
            Reading(stop.value, stop.u),
            note="running speed over cut-out: the one that runs out first",
        )
        found.add(
            "threshold",
            "cut_out_margin",
            "cut-out margin",
            margin,
        )


def coast(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Work out the friction that stops the wheel, and from a pull of the same day what turns with it."""
    high, low = answers.number("coast.from_rpm"), answers.number("coast.to_rpm")
    seconds = answers.series("coast.seconds")
    if high is None or low is None or not seconds:
        return
    if low >= high:
        found.warnings.append(f"coast-down from {high:g} to {low:g} rpm: the first must be the faster")
        return
    took = mean_of(seconds, _watch(answers))
    found.add(
        "coast", "coast_s", f"time from {high:g} to {low:g} rpm", Figure(value=took.value, u=took.u), "s"
    )
    wheel = plant.wheel
    described_u = _INERTIA_U if wheel.inertia_u_pct is None else wheel.inertia_u_pct / 100
    described = Reading(wheel.inertia_kg_m2, described_u * wheel.inertia_kg_m2)
    friction = derived(
        lambda j, t: coast_down_torque(j, high * RPM, low * RPM, t), described, took,
        note="mean over the run-down, by plant.toml's moment of inertia: compare it with last year's, not with a pull",
    )  # fmt: skip
    found.add("coast", "coast_nm", "friction torque while it runs down", friction, "N m")
    pulled = found.get("idle_nm")
    if pulled is not None:
        _inertia(plant, found, (high * RPM, low * RPM), took, (pulled, described))


def _inertia(
    plant: Plant, found: Outcome, speeds: tuple[float, float], took: Reading, known: tuple[Figure, Reading]
) -> None:
    """Work out the moment of inertia, and write it where it is not known as well already.

    What turns does not change from year to year and friction does: once written, a coast-down tells the friction, and
    only a surer test writes the inertia anew.
    """
    pulled, described = known
    high, low = speeds
    # What a pull at walking pace does not have: the air's and the bearings' drag at speed.
    drag = plant.wheel.bearing_nm_s2 * (high * high + high * low + low * low) / 3.0
    torque = Reading(pulled.value + drag, math.hypot(pulled.u, _PACE_U * pulled.value, _DRAG_U * drag))
    note = "pull with belt and alternator, and drag by plant.toml, over the run-down with the belt on and nothing connected"
    inertia = derived(lambda m, t: coast_down_inertia(m, high, low, t), torque, took, note=note)
    found.add("coast", "inertia_kg_m2", "moment of inertia, seen from the wheel", inertia, "kg m²")
    if abs(inertia.value - described.value) > 2.0 * math.hypot(inertia.u, described.u):
        found.warnings.append(
            f"pull and coast-down make a moment of inertia of {inertia.value:.0f} kg m², plant.toml says "
            f"{described.value:.0f}: water was left in the buckets, the belt was off in one of the two, or it was a guess"
        )
    share = inertia.u / inertia.value
    if plant.wheel.inertia_u_pct is None or share < described.u / described.value:
        why = "by pull and coast-down"
        found.entries += [
            Entry(table="wheel", key="inertia_kg_m2", value=float(f"{inertia.value:.3g}"), why=why),
            Entry(table="wheel", key="inertia_u_pct", value=float(f"{100 * share:.2g}"), why=why),
        ]


def _watch(answers: Answers) -> float:
    return answers.number("flow.watch_u_s") or 0.2
