"""The plant as a side elevation in plain lines, from values to SVG: what is measured stands where it is measured.

One drawing is made for a desk and one for a phone; `layout.py` says where things stand in each.
"""

from __future__ import annotations

from html import escape
from math import asin, atan2, cos, inf, pi, sin
from typing import TYPE_CHECKING, Final, NamedTuple

import inks as c
import symbols
import wheel
import words
from wheelpit.plant.description import NoConverter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from layout import Layout, Spot
    from moment import Moment, Reading
    from wheelpit.plant import Plant

_ENTRY_DROP: Final = 0.15  # free fall from the launder's lip to the bucket, as a share of the radius
_NO_READING: Final = "\N{EN DASH}"
_SMALLEST_PULLEY: Final = 0.05  # of the radius; a smaller one could not be seen


class _Group(NamedTuple):
    """Channels that are measured at one spot, what the spot is called, and whether its values stand in a column."""

    spot: str
    channels: tuple[str, ...]
    name: str
    column: bool = False


_GROUPS: Final = (
    _Group("headrace", ("stage_m", "water_degc"), "headrace"),
    _Group("wheel", ("wheel_rpm", "shaft_nm"), "", column=True),
    _Group("alternator", ("alternator_rpm", "alternator_degc"), "alternator", column=True),
    _Group("bridge", ("rectified_v", "rectified_a"), "after the bridge"),
    _Group("charge", ("charge_a",), "charge"),
    _Group("bank_a", ("battery_a",), "bank"),
    _Group("bank_v", ("battery_v", "battery_degc"), "at the posts"),
    _Group("dump", ("dump_a",), "diversion"),
    _Group("loads", ("load_a",), "loads"),
    _Group("node", ("node_v",), "node's supply"),
)

STYLE: Final = f"""
.elevation text{{fill:{c.SLATE};font-size:13px;font-family:inherit}}
.elevation .name{{fill:{c.QUIET};font-size:13px}}
.elevation .sign{{font-size:15px}}
.elevation .value{{fill:{c.WATER};font-size:19px;font-weight:600}}
.elevation .note{{fill:{c.QUIET};font-size:13px}}
.elevation .old{{fill:{c.STALE};font-weight:400}}
.elevation .gone{{fill:{c.STALE};font-size:15px}}
.elevation .over{{paint-order:stroke;stroke:{c.PAPER};stroke-width:5px;stroke-linejoin:round}}
.elevation .line{{fill:none;stroke:{c.SLATE};stroke-width:1.5;stroke-linejoin:round;stroke-linecap:round}}
.elevation .thin{{stroke-width:1}}
.elevation .bar,.elevation .arm{{stroke-width:3}}
.elevation .joint{{stroke:{c.JOINT};stroke-width:1}}
.elevation .paper{{fill:{c.PAPER}}}
.elevation .stone{{fill:{c.STONE}}}
.elevation .water{{fill:{c.WASH}}}
.elevation .surface{{fill:none;stroke:{c.WATER};stroke-width:1.5}}
.elevation .acid{{fill:{c.STONE}}}
.elevation .bucketful polygon{{fill:{c.WASH};stroke:{c.WATER};stroke-width:0.8}}
.elevation .unsure polygon{{fill:none;stroke:{c.STALE};stroke-width:0.8}}
.elevation .tag{{fill:{c.SIGNAL}}}
.elevation .tagword{{fill:{c.PAPER};font-weight:600}}
.elevation .turn{{animation:turn linear infinite;transform-origin:0 0}}
.elevation .bucketful{{animation:one-bucket linear infinite;transform-origin:0 0}}
.elevation .step{{animation:one-step step-end infinite}}
.elevation .still{{animation-play-state:paused}}
@keyframes turn{{from{{transform:rotate(0deg)}}to{{transform:rotate(360deg)}}}}
@keyframes one-bucket{{from{{transform:rotate(0deg)}}to{{transform:rotate(var(--pitch))}}}}
@keyframes one-step{{0%{{opacity:1}}{100 / wheel.STEPS:g}%{{opacity:0}}100%{{opacity:0}}}}
@media (prefers-reduced-motion:reduce){{.elevation *{{animation-play-state:paused!important}}}}
"""


def draw(plant: Plant, moment: Moment, layout: Layout, marks: Mapping[str, str] | None = None) -> str:
    """Return the drawing as one SVG element.

    Args:
        plant: What is built.
        moment: What is known of it now.
        layout: Where things stand.
        marks: Words of an open alarm by the part it concerns: wheel, belt, bridge, charge, bank, dump or node.
    """
    told = escape(words.headline(plant, moment), quote=True)
    above = {"stage_m", "water_degc", "node_v"} & moment.readings.keys()
    top = 0 if above or "headrace" in (marks or {}) else layout.sky
    return (
        f'<svg class="elevation" xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{told}"'
        f' viewBox="0 {top:g} {layout.width:g} {layout.height - top:g}"><style>{STYLE}</style>'
        f"{_ground(layout, _lip_y(layout, plant))}{_shed(layout, plant, moment)}"
        f"{_wheelhouse(layout, plant, moment)}"
        f"{_values(layout, moment)}"
        f"{''.join(symbols.flag(*layout.marks[part], told) for part, told in (marks or {}).items())}</svg>"
    )


def _wheelhouse(layout: Layout, plant: Plant, moment: Moment) -> str:
    """Return launder, wheel, drum and belt."""
    cx, cy, radius = layout.wheel
    turning_rpm = moment.turning_rpm
    entry_x, entry_y = wheel.at(radius, plant.wheel.entry_deg)
    lip_y = _lip_y(layout, plant)
    drum = radius * plant.belt.drum_diameter_m / plant.wheel.diameter_m
    return (
        f"{_falling(layout, lip_y, cx + entry_x, cy + entry_y) if turning_rpm > 0 else ''}"
        f"{_launder(layout, lip_y)}{_belt(layout, plant)}"
        f'<g transform="translate({cx:g} {cy:g})">{wheel.draw(plant.wheel, radius, turning_rpm)}'
        f'<circle class="line thin" r="{drum:.1f}"/></g>{_pedestal(layout)}'
    )


def _lip_y(layout: Layout, plant: Plant) -> float:
    """Return the height of the launder's floor: above the bucket that fills."""
    _, cy, radius = layout.wheel
    return cy + wheel.at(radius, plant.wheel.entry_deg)[1] - _ENTRY_DROP * radius


def _ground(layout: Layout, lip_y: float) -> str:
    _, cy, radius = layout.wheel
    tail_y = cy + radius * 1.05
    return (
        f'<path class="line stone" d="M-3 {lip_y + 5:.1f}H{layout.abutment_x:g}V{layout.bed_y:g}'
        f'H{layout.width + 3:g}v14H-3Z"/>'
        f"{symbols.masonry(0, lip_y + 5, layout.abutment_x, layout.bed_y, radius * 0.12)}"
        f'<rect class="water" x="{layout.abutment_x + 1:g}" y="{tail_y:.1f}"'
        f' width="{layout.width - layout.abutment_x:g}" height="{layout.bed_y - tail_y - 1:.1f}"/>'
        f"{symbols.path(f'M{layout.abutment_x + 1:g} {tail_y:.1f}H{layout.width:g}', 'surface')}"
    )


def _launder(layout: Layout, lip_y: float) -> str:
    deep = layout.wheel[2] * 0.16
    return symbols.path(
        f"M0 {lip_y:.1f}H{layout.lip_x:g}M0 {lip_y + 5:.1f}H{layout.lip_x - 4:g}L{layout.lip_x:g} {lip_y:.1f}"
        f"M0 {lip_y - deep:.1f}H{layout.lip_x - deep * 1.2:.1f}V{lip_y:.1f}"
    )


def _falling(layout: Layout, lip_y: float, x: float, y: float) -> str:
    """Return the water in the launder and its fall into the bucket at (x, y)."""
    thick = layout.wheel[2] * 0.09
    top_y = lip_y - thick
    end_x, end_y = x + thick * 0.9, y + thick
    return (
        f'<path class="water" d="M0 {top_y:.1f}H{layout.lip_x:g}'
        f"Q{end_x + 2:.1f} {top_y:.1f} {end_x + thick * 0.35:.1f} {end_y:.1f}"
        f'H{end_x - thick * 0.35:.1f}Q{end_x - thick * 0.4:.1f} {lip_y:.1f} {layout.lip_x:g} {lip_y:.1f}H0Z"/>'
        + symbols.path(
            f"M0 {top_y:.1f}H{layout.lip_x:g}Q{end_x + 2:.1f} {top_y:.1f} {end_x + thick * 0.35:.1f} {end_y:.1f}",
            "surface",
        )
    )


def _belt(layout: Layout, plant: Plant) -> str:
    """Return the belt's two straight runs, tangent to drum and pulley."""
    cx, cy, radius = layout.wheel
    px, py, _ = layout.alternator
    big = radius * plant.belt.drum_diameter_m / plant.wheel.diameter_m
    small = _pulley(layout, plant)
    along = atan2(py - cy, px - cx)
    lean = asin((big - small) / ((px - cx) ** 2 + (py - cy) ** 2) ** 0.5)
    runs = []
    for side in (-1, 1):
        angle = along + side * (pi / 2 - lean)
        runs.append(
            f"M{cx + big * cos(angle):.1f} {cy + big * sin(angle):.1f}"
            f"L{px + small * cos(angle):.1f} {py + small * sin(angle):.1f}"
        )
    pulley = f'<circle class="line stone" cx="{px:g}" cy="{py:g}" r="{small:.1f}"/>'
    return symbols.path("".join(runs)) + pulley


def _pulley(layout: Layout, plant: Plant) -> float:
    radius = layout.wheel[2]
    return max(radius * plant.belt.pulley_diameter_m / plant.wheel.diameter_m, _SMALLEST_PULLEY * radius)


def _pedestal(layout: Layout) -> str:
    """Return the bearing that carries the axle on this side; the speed is written on it."""
    cx, cy, radius = layout.wheel
    top, foot = layout.pedestal
    return (
        f'<path class="line stone" d="M{cx - top:.1f} {cy:.1f}A{top:.1f} {top:.1f} 0 0 1 {cx + top:.1f} {cy:.1f}'
        f'L{cx + foot:.1f} {layout.bed_y:.1f}H{cx - foot:.1f}Z"/>'
        f'<circle class="line paper" cx="{cx:g}" cy="{cy:g}" r="{radius * 0.07:.1f}"/>'
    )


def _shed(layout: Layout, plant: Plant, moment: Moment) -> str:
    """Return floor, alternator, bridge, converter, bank, diversion load and loads, and the wires between."""
    (ax, ay, radius), (lx, ly), bus_y = layout.alternator, layout.loads, layout.bus_y
    measured = moment.readings.keys()
    parts = [
        symbols.path(layout.roof),
        symbols.slab(layout.shed_x, layout.floor_y, layout.width - layout.shed_x + 3, 9),
        symbols.path(layout.phases, "line thin"),
        symbols.alternator(ax, ay, radius, layout.floor_y),
        symbols.path(layout.direct),
        symbols.square(*layout.bridge, layout.box, "~", "="),
        symbols.path(layout.charge),
        symbols.path(f"M{layout.bus_x[0]:g} {bus_y:g}H{layout.bus_x[1]:g}", "line bar"),
        symbols.path(layout.positive + layout.negative),
        symbols.earth(*layout.ground),
        symbols.bank(plant.battery, *layout.bank),
        symbols.path(f"M{lx:g} {bus_y:g}V{ly - 16:g}M{lx:g} {ly + 16:g}v10"),
        symbols.lamp(lx, ly, 16),
        symbols.earth(lx, ly + 26),
    ]
    names = {"bridge": "bridge", "bank": _bank_name(plant)}
    if not isinstance(plant.converter, NoConverter):
        parts.append(symbols.square(*layout.converter, layout.box, "=", "="))
        names["converter"] = "converter"
    if plant.controller.dump_w is not None:
        dx, dy = layout.dump
        parts += [
            symbols.path(f"M{dx:g} {bus_y:g}V{dy:g}M{dx:g} {dy + 60:g}v16"),
            symbols.heater(dx, dy, 60),
            symbols.earth(dx, dy + 76),
        ]
        if "dump_a" not in measured:
            names["dump"] = "diversion"
    if "charge_a" in measured:
        parts.append(symbols.shunt(*layout.charge_shunt, upright=False))
    if "battery_a" in measured:
        parts.append(symbols.shunt(*layout.bank_shunt, upright=True))
    if not measured & {"alternator_rpm", "alternator_degc"}:
        names["alternator"] = "alternator"
    if "load_a" not in measured:
        names["loads"] = "loads"
    for part, name in names.items():
        x, y, anchor = layout.names[part]
        parts.append(symbols.text(x, y, name, "name", anchor))
    return "".join(parts)


def _bank_name(plant: Plant) -> str:
    return f"bank, {plant.battery.nominal_v:g} V {plant.battery.capacity_ah:g} Ah"


def _values(layout: Layout, moment: Moment) -> str:
    parts = []
    for group in _GROUPS:
        readings = {name: moment.readings[name] for name in group.channels if name in moment.readings}
        if readings:
            power_w = moment.give_w if group.spot == "charge" else None
            parts.append(_spot(layout.spots[group.spot], group, _name(group, moment), readings, power_w))
    return "".join(parts)


def _name(group: _Group, moment: Moment) -> str:
    if group.spot != "bank_a":
        return group.name
    amps = moment.readings["battery_a"].value
    return group.name if amps is None else "into the bank" if amps >= 0 else "out of the bank"


def _spot(
    place: Spot, group: _Group, name: str, readings: Mapping[str, Reading], power_w: float | None
) -> str:
    """Return the values of one spot, and under them their name and age."""
    x, y, anchor = place
    oldest = max(readings.values(), key=lambda reading: inf if reading.age_s is None else reading.age_s)
    if oldest.silent:
        shown = [("no data", "gone")]
        name = group.name
        since = "so far" if oldest.age_s is None else f"{'' if name else 'for '}{words.span(oldest.age_s)}"
    else:
        shown = [_written(channel, reading) for channel, reading in readings.items()]
        if power_w is not None:
            shown.append((f"{words.number(power_w, 0)} W", "value"))
        since = words.age(oldest)
    down = 22 if group.column else 0
    across = 0 if group.column else 9
    spans = "".join(
        f'<tspan class="{kind}"{_step(i, x, down, across)}>{escape(value)}</tspan>'
        for i, (value, kind) in enumerate(shown)
    )
    note_y = y + 17 + down * (len(shown) - 1)
    note = ", ".join(part for part in (name, since) if part)
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}">{spans}</text>' + symbols.text(
        x, note_y, note, "note", anchor
    )


def _written(channel: str, reading: Reading) -> tuple[str, str]:
    """Return a value with its unit, and the class of its colour; a dash where there is no reading."""
    if reading.value is None:
        return f"{_NO_READING} {words.unit(channel)}", "gone"
    # The name beside the bank's current says its direction.
    value = abs(reading.value) if channel == "battery_a" else reading.value
    return words.quantity(channel, value), "value" if reading.fresh else "value old"


def _step(index: int, x: float, down: float, across: float) -> str:
    if index == 0:
        return ""
    return f' x="{x:g}" dy="{down:g}"' if down else f' dx="{across:g}"'
