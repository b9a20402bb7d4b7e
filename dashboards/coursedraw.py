"""The bench tests' own marks as HTML: troughs that fill, words of caution, results, margins. Pure; everything escaped."""

from __future__ import annotations

from difflib import unified_diff
from html import escape
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.figure import COVERAGE_FACTOR
from wheelpit.report.commission import change_of, figure_text
from wheelpit.report.phrases import day

if TYPE_CHECKING:
    from collections.abc import Sequence

    from course import Margin, Standing
    from wheelpit.accounts.commission.results import Result
    from wheelpit.accounts.commission.run import Earlier

# The scale of the margins: nothing is in hand at 1; what is above the top is drawn at it.
_TOP: Final = 4.0
_NOTHING: Final = 1.0

STYLE: Final = """
.bench{color:var(--slate);font-family:inherit;line-height:1.45}
.bench p{margin:0 0 .5rem}
.bench .small{color:var(--quiet);font-size:.9rem}
.bench .care{border-left:4px solid var(--signal);padding:.15rem 0 .15rem .8rem;margin-bottom:.9rem}
.bench .care b,.bench .wrong b{color:var(--signal)}
.bench .wrong{border-left:4px solid var(--signal);padding:.1rem 0 .1rem .8rem;font-size:.95rem}
.bench ul.wrong{list-style:none;margin:0}
.bench .wrong li{margin:0 0 .2rem;padding:0;font-size:inherit}
.bench .heading{font-weight:600;margin:.6rem 0 0}
.bench .done{border-left:4px solid var(--water);padding:.15rem 0 .15rem .8rem;overflow-wrap:anywhere}
.bench .done p{margin:0 0 .2rem}
.bench .does{font-size:1.06rem;text-wrap:pretty}
.troughs{display:flex;gap:5px;max-width:46rem;margin:.3rem 0 .1rem}
.troughs div{flex:1;position:relative;height:30px;border:1.5px solid var(--slate);border-top:0;overflow:hidden;
  border-radius:0 0 5px 5px;background:var(--paper)}
.troughs i{position:absolute;left:0;right:0;bottom:0;background:var(--wash);border-top:1.5px solid var(--water)}
.troughs .empty i{border:0}
.troughs b{position:absolute;inset:0;text-align:center;font-size:14px;line-height:30px;font-weight:400;color:var(--slate)}
.troughs .here{border-width:3px;border-top:0}
.troughs .here b{font-weight:700}
.results>div{display:grid;grid-template-columns:1fr auto;gap:0 .8rem;padding:.4rem 0;border-bottom:1px solid var(--stone);
  align-items:baseline}
.results b{color:var(--water);font-weight:600;font-size:1.06rem;text-align:right;font-variant-numeric:tabular-nums}
.results .modelled b{color:var(--oak)}
.results small{grid-column:1/-1;color:var(--quiet);font-size:.86rem}
.margins{display:grid;gap:.9rem}
.margins p{margin:0}
.bench .margins ul{margin:.1rem 0 0;padding-left:1.1rem}
.bench .margins li{margin:0;padding:0;font-size:inherit}
.margins .name{display:flex;justify-content:space-between;gap:.6rem;align-items:baseline}
.margins .name b{font-weight:600}
.margins .value{color:var(--water);font-weight:600;font-variant-numeric:tabular-nums}
.margins .modelled .value{color:var(--oak)}
.scale{position:relative;height:20px;margin:.15rem 0 .1rem;background:var(--stone)}
.scale .none{position:absolute;left:0;top:0;bottom:0;border-right:2px solid var(--signal);
  background:repeating-linear-gradient(135deg,transparent 0 5px,var(--joint) 5px 6.5px)}
.scale .span{position:absolute;top:9px;border-top:2px solid var(--water)}
.scale .beyond{position:absolute;right:2px;top:0;line-height:20px;color:var(--water)}
.modelled .scale .beyond{color:var(--oak)}
.diff{background:var(--stone);padding:.7rem .9rem;font-family:"Source Code Pro",monospace;font-size:.85rem;line-height:1.5;
  white-space:pre-wrap;overflow-wrap:anywhere}
.diff div{padding-left:1.2em;text-indent:-1.2em}
.diff .around{color:var(--quiet)}
.diff .goes{color:var(--signal)}
.diff .comes{color:var(--water);font-weight:600}
.scale .at{position:absolute;top:3px;width:6px;height:14px;margin-left:-3px;background:var(--water)}
.modelled .scale .span{border-top:2px dashed var(--oak)}
.modelled .scale .at{background:var(--oak)}
.bench .kept{display:grid;grid-template-columns:1fr auto;margin:0;padding:0}
.bench .kept dt,.bench .kept dd{margin:0;padding:.35rem 0;border-bottom:1px solid var(--stone)}
.bench .kept dd{text-align:right;font-weight:600;overflow-wrap:anywhere;max-width:12rem;padding-left:1rem}
.bench .kept dd.not{font-weight:400;color:var(--quiet)}
[class*=st-key-bench_to] button{min-height:0;padding:0;text-align:left}
[class*=st-key-bench_to] button p{text-decoration:underline}
[class*=st-key-bench_entry] label *{white-space:normal;overflow:visible}
"""


def block(*parts: str) -> str:
    """Return parts as one block of the page."""
    return f'<div class="bench">{"".join(parts)}</div>'


def troughs(course: Sequence[Standing], here: str) -> str:
    """Return a trough for each test; it fills as its readings come in."""
    cells = []
    for one in course:
        share = one.given / one.asked if one.asked else 1.0
        told = f"{one.number}. {one.step.title}: {one.given} of {one.asked} readings, {one.state}"
        kind = " ".join([*(["here"] if one.step.name == here else []), *(["empty"] if not share else [])])
        cells.append(
            f'<div class="{kind}" role="img" aria-label="{escape(told)}" title="{escape(told)}">'
            f'<i style="height:{100 * share:.0f}%"></i><b>{one.number}</b></div>'
        )
    return f'<div class="troughs">{"".join(cells)}</div>'


def care(*words: str) -> str:
    """Return words of caution."""
    return f'<p class="care"><b>Caution.</b> {escape(" ".join(words))}</p>'


def does(words: str) -> str:
    """Return what is done in a test."""
    return f'<p class="does">{escape(words)}</p>'


def heading(words: str) -> str:
    """Return the name of a test above its results."""
    return f'<p class="heading">{escape(words)}</p>'


def done(lines: Sequence[str]) -> str:
    """Return what a press did, a line each."""
    return f'<div class="done">{"".join(f"<p>{escape(line)}</p>" for line in lines)}</div>'


def wrong(words: str, lead: str = "") -> str:
    """Return what is wrong, after a word that leads it in."""
    led = f"<b>{escape(lead)}</b> " if lead else ""
    return f'<p class="wrong">{led}{escape(words)}</p>'


def warned(words: Sequence[str]) -> str:
    """Return what is to be looked at of one test."""
    return f'<ul class="wrong">{"".join(f"<li>{escape(line)}</li>" for line in words)}</ul>'


def results(found: Sequence[Result], earlier: Earlier | None = None) -> str:
    """Return results with their 95 % intervals, beside an earlier sheet's where there is one."""
    items = []
    for one in found:
        kind = ' class="modelled"' if one.figure.origin == "modelled" else ""
        notes = [one.figure.note] if one.figure.note else []
        then = None if earlier is None else earlier.figures.get(one.key)
        if then is not None and earlier is not None:
            notes.append(f"{day(earlier.day)}: {figure_text(then, one.unit)}, {change_of(one.figure, then)}")
        note = f"<small>{escape('. '.join(notes))}</small>" if notes else ""
        items.append(
            f'<div role="listitem"{kind}><span>{escape(one.what)}</span>'
            f"<b>{escape(figure_text(one.figure, one.unit))}</b>{note}</div>"
        )
    return f'<div class="results" role="list">{"".join(items)}</div>'


def margins(three: Sequence[Margin]) -> str:
    """Return the margins on their scale, hatched where nothing is in hand; one that is not known says what it wants."""
    hatched = (
        f'<p class="small">Hatched, below 1: nothing is in hand. The scale ends at {_TOP:g}.</p>'
        if any(one.figure for one in three)
        else ""
    )
    return f'<div class="margins">{"".join(_margin(one) for one in three)}{hatched}</div>'


def _margin(one: Margin) -> str:
    said = f'<p class="small">{escape(one.says)}</p>'
    if one.figure is None:
        wants = "".join(f"<li>{escape(want)}</li>" for want in one.wants)
        return (
            f'<div><p class="name"><b>{escape(one.name)}</b><span class="small">not known yet</span></p>{said}'
            f'<p class="small">It wants:</p><ul class="small">{wants}</ul></div>'
        )
    kind = ' class="modelled"' if one.figure.origin == "modelled" else ""
    half = COVERAGE_FACTOR * one.figure.u
    left, right = _x(one.figure.value - half), _x(one.figure.value + half)
    value = escape(figure_text(one.figure, ""))
    beyond = one.figure.value > _TOP
    mark = (
        '<span class="beyond">\N{BLACK RIGHT-POINTING TRIANGLE}</span>'
        if beyond
        else f'<span class="span" style="left:{left:.2f}%;width:{right - left:.2f}%"></span>'
        f'<span class="at" style="left:{_x(one.figure.value):.2f}%"></span>'
    )
    return (
        f'<div{kind}><p class="name"><b>{escape(one.name)}</b><span class="value">{value}</span></p>{said}'
        f'<div class="scale" role="img" aria-label="{escape(f"{one.name} margin {value}; at 1 nothing is in hand")}">'
        f'<span class="none" style="width:{_x(_NOTHING):.2f}%"></span>'
        f"{mark}</div></div>"
    )


def difference(before: str, after: str) -> str:
    """Return what changes in a file: what goes is struck out, what comes is bold, each between the lines around it."""
    lines = list(unified_diff(before.splitlines(), after.splitlines(), n=1, lineterm=""))[2:]
    shown = []
    for line in lines:
        sign, rest = line[:1], line[1:]
        if sign == "@":
            shown.append('<div class="around">\N{HORIZONTAL ELLIPSIS}</div>')
            continue
        text = f"<s>{escape(rest)}</s>" if sign == "-" else escape(rest)
        kind, lead = {"-": ("goes", "\N{MINUS SIGN} "), "+": ("comes", "+ ")}.get(sign, ("around", "  "))
        shown.append(f'<div class="{kind}">{lead}{text}</div>')
    return f'<div class="diff">{"".join(shown)}</div>'


def kept(rows: Sequence[tuple[str, str]]) -> str:
    """Return what was asked and what is kept of it, for those who only look."""
    cells = "".join(
        f"<dt>{escape(asked)}</dt>" + (f"<dd>{escape(told)}</dd>" if told else '<dd class="not">not yet</dd>')
        for asked, told in rows
    )
    return f'<dl class="kept">{cells}</dl>'


def _x(margin: float) -> float:
    """Return where a margin stands on the scale, in per cent of it."""
    return 100.0 * min(max(margin, 0.0), _TOP) / _TOP
