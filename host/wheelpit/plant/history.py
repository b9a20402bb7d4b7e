"""What a plant was like: figures of the past keep the plant of their day.

`plant.toml` describes the plant of today. Each `[[change]]` tells when something was changed and what it was before;
taken back one by one, newest first, they give the plant of any day:

    [[change]]
    on = 2026-05-14                              # a day, or a time such as 2026-05-14T10:30:00
    what = "smaller pulley"
    before.belt.pulley_diameter_m = 0.0833
    after.belt.pulley_diameter_m = 0.0777        # may be left out; checked where it is there
    before.sensor.dump_a = "not fitted"          # a sensor that came with the change

A sensor that was taken away is told with all its keys but the channel. A table whose `kind` was another is told whole.
"""

from __future__ import annotations

import copy
import datetime as dt
import zoneinfo
from typing import TYPE_CHECKING, Any, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.plant.description import Change, Plant

NOT_FITTED: Final = "not fitted"
_KEYS: Final = ("on", "what", "before", "after")
_FIXED: Final = ("site.id", "site.time_zone")
_LISTS: Final = {"sensor": "channel", "node": "id"}


class Epoch(NamedTuple):
    """A stretch in which the plant stayed the same, `(start_ms, end_ms]`; None is no end on that side."""

    start_ms: int | None
    end_ms: int | None
    plant: Plant


class Told(NamedTuple):
    """A change as it was read: when [Unix ms], what, the keys that differ, and the whole description before it."""

    at_ms: int
    what: str
    keys: tuple[str, ...]
    before: dict[str, Any]


def plant_at(plant: Plant, at_ms: int) -> Plant:
    """Return the plant as it was at a time; one without changes was always what it is.

    Args:
        plant: The plant of today with its changes.
        at_ms: The time [Unix ms].

    """
    for change in plant.changes:
        if at_ms < change.at_ms:
            return change.before
    return plant


def epochs(plant: Plant) -> list[Epoch]:
    """Return the stretches in which the plant stayed the same, oldest first."""
    found: list[Epoch] = []
    start: int | None = None
    for change in plant.changes:
        if start != change.at_ms:
            found.append(Epoch(start, change.at_ms, change.before))
        start = change.at_ms
    found.append(Epoch(start, None, plant))
    return found


def changes_between(plant: Plant, from_ms: int, to_ms: int, *tables: str) -> list[Change]:
    """Return the changes after `from_ms` and not after `to_ms`, of some tables only where any are named.

    A figure before such a change and one after it are not of the same plant: where they are compared, say so.

    Args:
        plant: The plant of today with its changes.
        from_ms: The earlier time [Unix ms].
        to_ms: The later time [Unix ms].
        tables: Names such as `belt`, `converter`, `sensor.charge_a`; a change counts if one of its keys lies in one.

    """
    return [
        change
        for change in plant.changes
        if from_ms < change.at_ms <= to_ms
        and (not tables or any(_lies_in(key, tables) for key in change.keys))
    ]


def told_changes(plant: Plant) -> list[str]:
    """Return the changes in words, oldest first: when, what, and the keys that were others."""
    zone = zoneinfo.ZoneInfo(plant.site.time_zone)
    return [
        f"{dt.datetime.fromtimestamp(change.at_ms / 1000, zone):%Y-%m-%d %H:%M}  {change.what}: {', '.join(change.keys)}"
        for change in plant.changes
    ]


def _lies_in(key: str, tables: tuple[str, ...]) -> bool:
    return any(key == table or key.startswith(f"{table}.") for table in tables)


def read_changes(raw: dict[str, Any], problems: list[str]) -> list[Told]:
    """Take the changes of a description back, one by one.

    Args:
        raw: The description as TOML gives it; it is not touched.
        problems: Takes a line for each thing that is wrong.

    Returns:
        The changes, oldest first, each with the whole description before it.

    """
    listed = raw.get("change", [])
    if not isinstance(listed, list) or not all(isinstance(item, dict) for item in listed):
        problems.append("change: write [[change]] with double brackets, one for each")
        return []
    zone = _zone(raw)
    dated: list[tuple[int, int, dict[str, Any]]] = []
    for number, item in enumerate(listed, 1):
        at_ms = _read(item, f"change[{number}]", zone, problems)
        if at_ms is not None:
            dated.append((at_ms, number, item))
    now = {key: copy.deepcopy(value) for key, value in raw.items() if key != "change"}
    found: list[Told] = []
    for at_ms, number, item in sorted(dated, key=lambda one: one[:2], reverse=True):
        place = f"change[{number}]"
        problems += [f"{place}.after.{line}" for line in _differs(item.get("after", {}), now)]
        before = copy.deepcopy(now)
        keys = tuple(_put(before, item["before"], place, problems))
        if before == now:
            problems.append(
                f"{place}.before: nothing of it differs from after the change; tell what it was before"
            )
        found.append(Told(at_ms, item["what"], keys, before))
        now = before
    return found[::-1]


def _zone(raw: dict[str, Any]) -> dt.tzinfo:
    try:
        return zoneinfo.ZoneInfo(raw["site"]["time_zone"])
    except (KeyError, TypeError, ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        return dt.UTC  # the site's own table tells what is wrong with it


def _read(item: dict[str, Any], place: str, zone: dt.tzinfo, problems: list[str]) -> int | None:
    """Return when a change was made, or None where it cannot be used."""
    wrong = [
        f"{place}.{key}: unknown key; known here: {', '.join(_KEYS)}" for key in item if key not in _KEYS
    ]
    on, what = item.get("on"), item.get("what")
    if not isinstance(on, dt.date):
        wrong.append(
            f"{place}.on: write the day without quotes, such as 2026-05-14, or a time, 2026-05-14T10:30:00"
        )
    if not isinstance(what, str) or not what.strip():
        wrong.append(f'{place}.what: write in "quotes" what was changed')
    wrong += [
        f"{place}.{key}: write what was there, such as {key}.belt.pulley_diameter_m = 0.0833"
        for key in ("before", "after")
        if not isinstance(item.get(key, {}), dict) or (key == "before" and not item.get(key))
    ]
    problems += wrong
    if wrong or not isinstance(on, dt.date):
        return None
    if not isinstance(on, dt.datetime):
        on = dt.datetime.combine(on, dt.time())
    return round((on if on.tzinfo is not None else on.replace(tzinfo=zone)).timestamp() * 1000)


def _entry(raw: dict[str, Any], table: str, name: str) -> dict[str, Any] | None:
    """Return the table of a list, such as the sensor of a channel."""
    told = raw.get(table)
    items = told if isinstance(told, list) else []
    return next((item for item in items if isinstance(item, dict) and item.get(_LISTS[table]) == name), None)


def _put(raw: dict[str, Any], before: dict[str, Any], place: str, problems: list[str]) -> Iterator[str]:
    """Put into a description what it said before a change, and yield the keys that were touched."""
    for table, told in before.items():
        if table not in _LISTS:
            yield from _merge(raw, told, table, place, problems)
            continue
        if not isinstance(told, dict):
            problems.append(
                f"{place}.before.{table}: name which, such as before.{table}.charge_a.shunt_ohm = 0.002"
            )
            continue
        for name, value in told.items():
            held = _entry(raw, table, name)
            items = [item for item in raw.get(table, []) if item is not held]
            holder = {} if held is None else {name: held}
            yield from _merge(holder, value, f"{table}.{name}", place, problems)
            if isinstance(holder.get(name), dict):
                items.append({_LISTS[table]: name, **holder[name]})
            elif name in holder:
                problems.append(
                    f'{place}.before.{table}.{name} = {value!r}: write "{NOT_FITTED}", or the keys that were others'
                )
            raw[table] = items


def _merge(
    holder: dict[str, Any], value: object, path: str, place: str, problems: list[str]
) -> Iterator[str]:
    """Put a value into the table that holds it; the last part of `path` is its name there."""
    key = path.rpartition(".")[2]
    if path in _FIXED:
        problems.append(f"{place}.before.{path}: the ledger's days hang on it; it cannot have been another")
        return
    if value == NOT_FITTED:
        if key not in holder:
            problems.append(
                f'{place}.before.{path} = "{NOT_FITTED}": it is not there after the change either'
            )
        holder.pop(key, None)
        yield path
        return
    there = holder.get(key)
    if (
        not isinstance(value, dict)
        or not isinstance(there, dict)
        or value.get("kind", there.get("kind")) != there.get("kind")
    ):
        holder[key] = copy.deepcopy(value)
        yield path
        return
    for name, inner in value.items():
        yield from _merge(there, inner, f"{path}.{name}", place, problems)


def _differs(after: dict[str, Any], now: dict[str, Any], path: str = "") -> Iterator[str]:
    """Yield what a change says of after it that is not so."""
    for key, value in after.items():
        where = f"{path}{key}"
        there: Any = now.get(key)
        if not path and key in _LISTS and isinstance(value, dict):
            there = {name: _entry(now, key, name) for name in value}
        if value == NOT_FITTED and there is None:
            continue
        if isinstance(value, dict) and isinstance(there, dict):
            yield from _differs(value, there, f"{where}.")
        elif value != there:
            yield f"{where} = {value!r}: but then it was {there!r}; correct one of them"
