"""Writes what bench tests gave into the text of plant.toml: comments and order are kept, what was before is dated.

Nothing is written that the loader would refuse: the new text is read as a plant before it is handed back.
"""

from __future__ import annotations

import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import tomlkit

from wheelpit.errors import WheelpitError
from wheelpit.plant.description import RatedWeir
from wheelpit.plant.history import NOT_FITTED
from wheelpit.plant.limits import limits_of
from wheelpit.plant.load import parse_plant

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from tomlkit import TOMLDocument

    from wheelpit.accounts.commission.results import Entry
    from wheelpit.plant.description import Plant


_KINDS: Final = {"weir": "rating"}  # of a table that entries begin
_EARLIER: Final = re.compile(r"(; )?\d{4}-\d\d-\d\d: .*\Z")


class WriteError(WheelpitError):
    """A result that cannot be written into plant.toml."""


class Moved(NamedTuple):
    """An alarm limit that the tests moved, with the reason it now has."""

    name: str
    before: str
    after: str
    reason: str


class Written(NamedTuple):
    """The new text of plant.toml, the plant it describes, what changed in it, and which limits that moved."""

    text: str
    plant: Plant
    changed: tuple[str, ...]
    limits: tuple[Moved, ...]


def written_into(
    text: str, entries: Sequence[Entry], at: dt.datetime, *, name: str = "plant.toml"
) -> Written:
    """Return plant.toml with entries put in, each with the reason beside it, and the change in its history.

    Args:
        text: The text as it is.
        entries: What to put in; what it says already is left alone. A rating goes in whole or, if a part of it was
            left out, not at all.
        at: When it was measured, in the site's own time, without a zone.
        name: The file that errors speak of.

    Raises:
        WriteError: The file has no place for an entry.
        PlantError: With it, the description would contradict itself; nothing is handed back.

    """
    before_plant = parse_plant(text, name)
    document = tomlkit.parse(text)
    before: dict[str, Any] = {}
    after: dict[str, Any] = {}
    changed: list[str] = []
    for entry in _with_whole_rating(entries):
        new = entry.channel is None and entry.table not in document
        table = _table(document, entry, name)
        had = table.get(entry.key)
        if had is not None and _same(had, entry.value):
            continue
        if had is None and _is_default(entry):
            continue
        path = (entry.table,) if entry.channel is None else (entry.table, entry.channel)
        was: Any = NOT_FITTED if had is None else had.unwrap() if hasattr(had, "unwrap") else had
        if new:
            before[entry.table] = NOT_FITTED
        elif before.get(entry.table) != NOT_FITTED:
            _put(before, (*path, entry.key), was)
        _put(after, (*path, entry.key), entry.value)
        value = tomlkit.item(entry.value)
        value.comment(_comment(had, f"{at:%Y-%m-%d}: {entry.why}"))
        table[entry.key] = value
        changed.append(
            f"{'.'.join((*path, entry.key))}: {'not told' if had is None else was} -> {entry.value}"
        )
    if not changed:
        return Written(text, before_plant, (), ())
    _enter(document, at, before, after)
    new_text = tomlkit.dumps(document)
    plant = parse_plant(new_text, name)
    own = {entry.key: entry.why for entry in entries if entry.table == "limits"}
    limits = [
        move._replace(reason=own.get(move.name, move.reason)) for move in moved_limits(before_plant, plant)
    ]
    return Written(new_text, plant, tuple(changed), tuple(limits))


def moved_limits(before: Plant, after: Plant) -> list[Moved]:
    """Return the alarm limits that differ between two plants, with the reasons that the later one gives."""
    old, new = limits_of(before), limits_of(after)
    found: list[Moved] = []
    for limit in new.reasons:
        then, now = getattr(old, limit, None), getattr(new, limit, None)
        if isinstance(then, float | int) and isinstance(now, float | int) and f"{then:.3g}" != f"{now:.3g}":
            found.append(Moved(limit, f"{then:.3g}", f"{now:.3g}", new.reason(limit)))
    return found


def _with_whole_rating(entries: Sequence[Entry]) -> list[Entry]:
    told = {entry.key for entry in entries if entry.table == "weir"}
    whole = told >= {field.name for field in fields(RatedWeir)} - {"kind"}
    return [entry for entry in entries if whole or entry.table != "weir"]


def _table(document: TOMLDocument, entry: Entry, name: str) -> Any:
    if entry.channel is None:
        if entry.table not in document:
            document.add(tomlkit.nl())
            table = tomlkit.table()
            if entry.table in _KINDS:
                table["kind"] = _KINDS[entry.table]
            document.add(entry.table, table)
        return document[entry.table]
    for item in document.get(entry.table, []):
        if item.get("channel") == entry.channel:
            return item
    msg = f"{name}: it has no [[{entry.table}]] of {entry.channel}, so its {entry.key} cannot be written"
    raise WriteError(msg)


def _comment(had: object, told: str) -> str:
    """Return the comment beside a new value: what stood there, short of what an earlier test said, and what is new."""
    trivia = getattr(had, "trivia", None)
    kept = "" if trivia is None else _EARLIER.sub("", trivia.comment.removeprefix("#").strip())
    return f"{kept}; {told}" if kept else told


def _same(had: object, value: float | bool) -> bool:  # noqa: FBT001 - a value like any other
    if isinstance(value, bool) or not isinstance(had, int | float):
        return had == value
    return abs(float(had) - value) <= 1e-9 * max(abs(value), 1.0)


def _is_default(entry: Entry) -> bool:
    """Whether an entry says what is taken anyway where nothing is told."""
    return entry.key in {"zero_a", "invert"} and not entry.value


def _put(holder: dict[str, Any], path: tuple[str, ...], value: object) -> None:
    for part in path[:-1]:
        holder = holder.setdefault(part, {})
    holder[path[-1]] = value


def _enter(document: TOMLDocument, at: dt.datetime, before: dict[str, Any], after: dict[str, Any]) -> None:
    """Enter the change into the plant's history."""
    change = tomlkit.table()
    change["on"] = at.replace(microsecond=0, tzinfo=None)
    change["what"] = "bench tests"
    for name, told in (("before", before), ("after", after)):
        for path, value in _leaves(told):
            change.append(tomlkit.key([name, *path]), value)
    if "change" not in document:
        document.add(tomlkit.nl())
        listed = tomlkit.aot()
        document.add("change", listed)
    document["change"].append(change)


def _leaves(told: dict[str, Any], path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], Any]]:
    found: list[tuple[tuple[str, ...], Any]] = []
    for key, value in told.items():
        if isinstance(value, dict):
            found += _leaves(value, (*path, key))
        else:
            found.append(((*path, key), value))
    return found
