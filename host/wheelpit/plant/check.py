"""`plant check` as values: what follows from a plant's description, and how it reads."""

from __future__ import annotations

import textwrap
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from wheelpit.physics import water
from wheelpit.plant.capabilities import supported
from wheelpit.plant.chain import chain_of, local_water
from wheelpit.plant.description import NotchWeir
from wheelpit.plant.hazards import flows, hazards
from wheelpit.plant.history import told_changes
from wheelpit.plant.limits import limits_of
from wheelpit.plant.operating import (
    OperatingPoint,
    ceiling_rpm,
    operating_point,
    runaway,
)
from wheelpit.plant.precision import how_sure
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.plant.capabilities import Support
    from wheelpit.plant.description import Plant
    from wheelpit.plant.hazards import Hazard
    from wheelpit.plant.limits import Limits
    from wheelpit.plant.operating import Runaway, Unsteady
    from wheelpit.plant.precision import Sure

_WIDTH: Final = 100
# Levels over a notch at which its flow is shown; of another place as many between its lowest and its highest.
_STAGES_M: Final = (0.06, 0.10, 0.15, 0.20)
_SHOWN: Final = (  # limits in the order in which a person asks for them
    ("slow_rpm", "slow"),
    ("racing_rpm", "racing"),
    ("charging_a", "charging"),
    ("overcharge_warning_v", "overcharge warning"),
    ("overcharge_v", "overcharge, hard"),
    ("deep_discharge_v", "deep discharge"),
    ("rectified_warning_v", "over-voltage warning"),
    ("rectified_guard_v", "over-voltage, hard"),
    ("hunting_per_min", "hunting"),
    ("hunting_swing_a", "hunting, by so much"),
    ("telemetry_lost_after_s", "telemetry lost"),
    ("urgent_rpm", "lost, and urgent above"),
)
_CLOSING: Final = (
    "{dry:.0f} V is a limit for dry places. At a wheel it is wet: codes there use {wet:.0f} or {damp:.0f} V, and this "
    "plant carries up to {normal:.0f} V loaded and {lost:.0f} V without load. Treat everything before the converter "
    "as live whenever the wheel can turn, and for minutes after it stopped: the capacitor holds its charge, so fit a "
    "bleeder. This program monitors; it is never the only protection. Local codes and a licensed electrician decide."
)


@dataclass(frozen=True, slots=True)
class Checked:
    """What follows from a plant's description.

    `derived` has values by name, each name with its unit; `steady` and `lost` one entry for each flow looked at.
    """

    site: str
    name: str
    derived: dict[str, float]
    weir_l_s: dict[float, float]
    steady: tuple[OperatingPoint | Unsteady, ...]
    lost: tuple[Runaway, ...]
    limits: Limits
    supports: tuple[Support, ...]
    hazards: tuple[Hazard, ...]
    sure: tuple[Sure, ...] = ()
    changed: tuple[str, ...] = ()


def check(plant: Plant) -> Checked:
    """Work out what follows from a plant's description.

    Args:
        plant: The plant, as `load_plant` gives it.

    Returns:
        Derived values, operating points, limits, what can be told, and combinations that hurt.

    Raises:
        PhysicsError: The plant lies outside the limits of a formula.
    """
    chain = chain_of(plant)
    density, gravity = local_water(plant)
    limits = limits_of(plant)

    def offered(flow_l_s: float) -> float:
        return water.hydraulic_power(flow_l_s / 1000, plant.water.head_m, density, gravity)

    looked_at = flows(plant)
    return Checked(
        site=plant.site.id,
        name=plant.site.name,
        derived={
            "water_kg_m3": density,
            "gravity_m_s2": gravity,
            "water_lowest_w": offered(plant.water.lowest_flow_l_s),
            "water_highest_w": offered(plant.water.highest_flow_l_s),
            "ceiling_rpm": ceiling_rpm(plant),
            "ratio_by_pitch": chain.ratio,
            "ratio_by_bare_radii": plant.belt.drum_diameter_m / plant.belt.pulley_diameter_m,
            "volts_s_per_rad": chain.alternator.mean_v_s_rad,
            "cutin_rpm": limits.cutin_rpm,
            "cutin_v": chain.start_v,
            "cutout_rpm": limits.cutout_rpm,
            "cutout_v": chain.stop_v,
        },
        weir_l_s=_weir(plant),
        steady=tuple(operating_point(plant, flow_l_s) for flow_l_s in looked_at),
        lost=tuple(runaway(plant, flow_l_s) for flow_l_s in looked_at),
        limits=limits,
        supports=tuple(supported(plant)),
        hazards=tuple(hazards(plant)),
        sure=tuple(how_sure(plant)),
        changed=tuple(told_changes(plant)),
    )


def _weir(plant: Plant) -> dict[float, float]:
    """Return flows [L/s] by level [m], as far as the rating reaches."""
    rating = rating_of(plant)
    if rating is None:
        return {}
    if isinstance(plant.weir, NotchWeir):
        stages = [stage for stage in _STAGES_M if stage <= rating.to_m]
    else:
        step_m = (rating.to_m - rating.from_m) / (len(_STAGES_M) - 1)
        stages = [round(rating.from_m + number * step_m, 4) for number in range(len(_STAGES_M))]
    return {stage: rating.flow_l_s(stage) for stage in stages}


def as_json(checked: Checked) -> dict[str, Any]:
    """Return the same as a dictionary that `json.dump` can write."""
    limits = checked.limits
    return {
        "site": checked.site,
        "name": checked.name,
        "derived": checked.derived,
        "weir_l_s": {f"{stage:g}": value for stage, value in checked.weir_l_s.items()},
        "operating_points": [asdict(point) for point in checked.steady],
        "runaway": [asdict(point) for point in checked.lost],
        "limits": [
            {"name": name, "value": _value(limits, name), "reason": reason}
            for name, reason in limits.reasons.items()
        ],
        "supports": [support._asdict() for support in checked.supports],
        "sensors": [sure._asdict() for sure in checked.sure],
        "changes": list(checked.changed),
        "warnings": [hazard._asdict() for hazard in checked.hazards],
    }


def _value(limits: Limits, name: str) -> Any:
    """Return a limit's value; the two that depend on the battery's temperature at 25 °C."""
    value = getattr(limits, name)
    return value(25.0) if callable(value) else value


def as_text(checked: Checked) -> str:
    """Return the same as a person reads it."""
    return "\n".join(_lines(checked))


def _lines(checked: Checked) -> Iterator[str]:
    told = checked.derived
    yield f"{checked.name} ({checked.site}): the description is complete and without contradiction."
    yield ""
    yield "Water and machine"
    yield (
        f"  water power        {told['water_lowest_w']:.0f} to {told['water_highest_w']:.0f} W "
        f"(density {told['water_kg_m3']:.1f} kg/m3, gravity {told['gravity_m_s2']:.4f} m/s2)"
    )
    yield (
        f"  drive ratio        {told['ratio_by_pitch']:.2f} by pitch radii; bare radii would say "
        f"{told['ratio_by_bare_radii']:.2f}"
    )
    yield (
        f"  alternator         {told['volts_s_per_rad']:.3f} V s/rad, and so {told['volts_s_per_rad']:.3f} N m/A: a pull "
        "test should give the same"
    )
    yield f"  cut-in             {told['cutin_rpm']:.1f} rpm, {told['cutin_v']:g} V without current (peak)"
    yield f"  cut-out            {told['cutout_rpm']:.1f} rpm, {told['cutout_v']:g} V"
    yield f"  ceiling            {told['ceiling_rpm']:.1f} rpm: no bucket holds water at the top"
    for stage, flow_l_s in checked.weir_l_s.items():
        yield f"  weir               {stage * 1000:.0f} mm: {flow_l_s:.1f} L/s"
    yield ""
    yield from _table(checked)
    yield ""
    yield "Limits, and why"
    for name, label in _SHOWN:
        yield from _wrapped(f"  {label:<22}", checked.limits.reason(name))
    yield ""
    yield "What the fitted channels can tell"
    for support in checked.supports:
        needs = f" (would give it: {support.needs})" if support.needs else ""
        yield from _wrapped(f"  {support.answer:<7}", f"{support.figure}: {support.because}{needs}")
    yield ""
    yield "How sure the sensors are (standard uncertainty)"
    for sure in checked.sure:
        yield f"  {sure.channel:<16}{sure.text}"
    for changed in checked.changed:
        yield from _wrapped("  changed         ", changed)
    yield ""
    yield "Warnings" if checked.hazards else "Warnings: none. That is no proof of safety."
    for hazard in checked.hazards:
        yield from _wrapped(f"  {hazard.grade:<9}", str(hazard))
    yield ""
    limits = checked.limits
    yield from _wrapped(
        "",
        _CLOSING.format(
            dry=limits.touch_dry_v,
            wet=limits.touch_wet_v[0],
            damp=limits.touch_wet_v[1],
            normal=limits.rectified_normal_v,
            lost=max(lost.open_v for lost in checked.lost),
        ),
    )


def _table(checked: Checked) -> Iterator[str]:
    yield "Steady points, by model, with the battery being charged           | without load    | belt lost"
    yield "   L/s  water W   rpm  rim m/s      V      A  shaft W  give W   all |   rpm       V   |   rpm"
    for point, lost in zip(checked.steady, checked.lost, strict=True):
        tail = f" | {lost.wheel_rpm:5.1f}  {lost.open_v:6.1f}   | {lost.belt_lost_rpm:5.1f}"
        head = f"{point.flow_l_s:6.1f} {point.water_w:8.0f}"
        if isinstance(point, OperatingPoint):
            yield (
                f"{head} {point.wheel_rpm:5.1f} {point.rim_m_s:8.2f} {point.rectified_v:6.1f} {point.rectified_a:6.2f} "
                f"{point.shaft_w:8.0f} {point.battery_w:7.0f}  {point.efficiency:4.2f}{tail}"
            )
        else:
            why = (
                "does not turn"
                if point.drop_out_rpm is None
                else f"hunts down to {point.drop_out_rpm:.1f} rpm"
            )
            yield f"{head}  {why:<47}{tail}"


def _wrapped(head: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=False
    )
