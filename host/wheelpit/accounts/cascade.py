"""The chain of energies from the water to the loads over any period, and what each step keeps of it.

Water, wheel shaft, alternator shaft, behind the bridge, battery side, loads. A step's share is a ratio of energies over
the time in which all of it was measured, never a mean of ratios. A stage whose sensor is not fitted is modelled from the
next one down by what `plant.toml` says of belt, alternator and converter, marked so, and less sure; where even that says
nothing it is absent, with the sensor that would give it.

    found = cascade(reader, "sallow-ghyll", plant, date(2026, 1, 1), date(2026, 12, 31))
    for stage in found.stages:
        print(stage.name, stage.energy_wh, stage.share)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.periods import gather
from wheelpit.accounts.stages import stages_of
from wheelpit.accounts.uncertainty import Trusts, total
from wheelpit.plant.history import changes_between

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.accounts.figure import Figure
    from wheelpit.accounts.stages import Reckoned
    from wheelpit.accounts.uncertainty import Uncertain
    from wheelpit.plant.description import Plant
    from wheelpit.store.reading import Reading

_MS_PER_H: Final = 3_600_000
STAGES: Final = (
    "water", "wheel shaft", "alternator shaft", "behind the bridge", "battery side",
)  # fmt: skip
USES: Final = ("loads", "battery, net", "diverted")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of the chain, or one use of what arrives at the battery.

    Attributes:
        name: what it is called.
        energy_wh: its energy [Wh] over the common time; None where it cannot be said.
        share: of the stage before it that is known, or of the battery side for a use; None where there is none.
        before: the name of that stage; empty where there is none.
        needs: the sensor that would give it, or measure what is modelled; empty where nothing is missing.

    """

    name: str
    energy_wh: Figure | None
    share: Figure | None = None
    before: str = ""
    needs: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cascade:
    """The chain over a period.

    Attributes:
        first, last: the days asked for that have records; None where none has.
        common_h: the time in which all its measured stages were measured together [h]; the energies are of this time.
        coverage: that time as a share of the period.
        stages: from the water to the battery side.
        uses: where the battery side's energy went.
        overall: the last known stage of the chain as a share of the first; None where only one is known.
        changes: what of the plant was changed within the period: the shares are then those of more than one plant.

    """

    first: date | None
    last: date | None
    common_h: float
    coverage: float
    stages: tuple[Stage, ...]
    uses: tuple[Stage, ...]
    overall: Figure | None
    changes: tuple[str, ...]


def cascade(
    reader: Reading, site: str, plant: Plant, first: date | None = None, last: date | None = None
) -> Cascade:
    """Return the chain of energies of a site from day `first` to `last`, both included; None is no limit.

    Args:
        reader: The ledger.
        site: The site's id.
        plant: The plant with its changes: each day is reckoned with the plant of that day.
        first: The first day.
        last: The last day.

    """
    days = reader.day_columns(site, first, last)
    trusts = Trusts(plant)
    parts = [part for part in gather(reader, site, days, trusts) if part.hours]
    reckoned = [stages_of(part) for part in parts]
    common_h = sum(part.hours for part in parts)
    from_ms, to_ms = (int(days.start_ms[0]), int(days.end_ms[-1])) if days.days else (0, 0)
    span_h = (to_ms - from_ms) / _MS_PER_H
    coverage = min(1.0, common_h / span_h) if span_h else 0.0
    changes = changes_between(plant, from_ms, to_ms - 1) if days.days else []
    return Cascade(
        first=days.days[0] if days.days else None,
        last=days.days[-1] if days.days else None,
        common_h=common_h,
        coverage=coverage,
        stages=_chain(reckoned, coverage),
        uses=_uses(reckoned, coverage),
        overall=_overall(reckoned, coverage),
        changes=tuple(change.what for change in changes),
    )


def _joined(reckoned: list[dict[str, Reckoned]], name: str) -> tuple[Uncertain, list[Reckoned]] | None:
    """Return a stage's energy over all stretches; None unless each of them knows it."""
    told = [one[name] for one in reckoned if name in one]
    if not told or len(told) < len(reckoned) or any(one.energy is None for one in told):
        return None
    return total(one.energy for one in told if one.energy is not None), told


def _needs(reckoned: list[dict[str, Reckoned]], name: str) -> str:
    """Return which sensor is missing: the newest plant's word, or that it was there for a part of the time only."""
    if not reckoned:
        return "records: none of the period has what the plant's sensors give, all at the same time"
    newest = reckoned[-1][name]
    if newest.energy is not None and any(one[name].energy is None for one in reckoned):
        return "a shorter period: the plant had its sensor for a part of this one only"
    return newest.needs


def _figure(energy: Uncertain, told: list[Reckoned], coverage: float) -> Figure:
    origin = "measured"
    for worse in ("modelled", "lower-bound"):
        if any(one.origin == worse for one in told):
            origin = worse
    notes = sorted({one.note for one in told} - {""})
    return energy.figure(origin, coverage, "; ".join(notes))  # type: ignore[arg-type]


def _share(energy: Uncertain, of: Uncertain, told: list[Reckoned], coverage: float) -> Figure | None:
    if of.value <= 0 or energy.value < 0:
        return None
    return _figure(energy.over(of), told, coverage)


def _chain(reckoned: list[dict[str, Reckoned]], coverage: float) -> tuple[Stage, ...]:
    found: list[Stage] = []
    above: tuple[str, Uncertain, list[Reckoned]] | None = None
    for name in STAGES:
        joined = _joined(reckoned, name)
        needs = _needs(reckoned, name)
        if joined is None:
            found.append(Stage(name=name, energy_wh=None, needs=needs))
            continue
        energy, told = joined
        share = None if above is None else _share(energy, above[1], [*told, *above[2]], coverage)
        found.append(
            Stage(
                name=name,
                energy_wh=_figure(energy, told, coverage),
                share=share,
                before="" if above is None else above[0],
                needs=needs,
            )
        )
        above = name, energy, told
    return tuple(found)


def _uses(reckoned: list[dict[str, Reckoned]], coverage: float) -> tuple[Stage, ...]:
    side = _joined(reckoned, "battery side")
    found: list[Stage] = []
    for name in USES:
        joined = _joined(reckoned, name)
        needs = _needs(reckoned, name)
        if joined is None:
            found.append(Stage(name=name, energy_wh=None, needs=needs))
            continue
        energy, told = joined
        share = None
        if side is not None and all(one.origin == "measured" for one in side[1]):
            share = _share(energy, side[0], told, coverage)
        found.append(
            Stage(
                name=name,
                energy_wh=_figure(energy, told, coverage),
                share=share,
                before="" if share is None else "battery side",
                needs=needs,
            )
        )
    return tuple(found)


def _overall(reckoned: list[dict[str, Reckoned]], coverage: float) -> Figure | None:
    known = [joined for name in STAGES if (joined := _joined(reckoned, name)) is not None]
    if len(known) < 2 or not math.isfinite(known[0][0].value):  # noqa: PLR2004 - a ratio has two ends
        return None
    (top, told_of_top), (bottom, told) = known[0], known[-1]
    return _share(bottom, top, [*told, *told_of_top], coverage)
