"""Read `plant.toml` and tell everything that is wrong with it at once, one line each."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import tomllib
import zoneinfo
from dataclasses import MISSING, fields, replace
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from wheelpit.errors import WheelpitError
from wheelpit.plant import description
from wheelpit.plant.consistency import contradictions
from wheelpit.plant.description import Change, Plant, Told
from wheelpit.plant.history import read_changes

_TABLES: Final[dict[str, type[Any]]] = {
    "site": description.Site,
    "water": description.Water,
    "wheel": description.Wheel,
    "belt": description.Belt,
    "alternator": description.Alternator,
    "controller": description.Controller,
    "protection": description.Protection,
    "battery": description.Battery,
    "inverter": description.Inverter,
    "limits": description.LimitOverrides,
    "service": description.Service,
}
_CONVERTERS: Final[dict[str, type[Any]]] = {
    "fold-back": description.FoldBackConverter,
    "fixed": description.FixedConverter,
    "none": description.NoConverter,
}
_WEIRS: Final[dict[str, type[Any]]] = {
    "v-notch": description.NotchWeir,
    "rating": description.RatedWeir,
}
_SENSORS: Final[dict[str, type[Any]]] = {
    "pickup": description.PickupSensor,
    "phase": description.PhaseSensor,
    "divider": description.DividerSensor,
    "linear": description.LinearSensor,
    "thermometer": description.ThermometerSensor,
    "load-cell": description.LoadCellSensor,
    "monitor": description.MonitorSensor,
    "shunt": description.ShuntSensor,
}
# Tables that come more than once: [[sensor]] is plant.sensors, and so on.
_LISTS: Final[dict[str, str]] = {"sensor": "sensors", "other_source": "other_sources", "node": "nodes"}
_MAY_LACK: Final = frozenset({"protection", "inverter", "limits", "service", "other_source", "node"})


class PlantError(WheelpitError):
    """A plant description that cannot be used; `problems` has one line for each thing that is wrong."""

    def __init__(self, path: Path | str, problems: list[str]) -> None:
        self.path = str(path)
        self.problems = tuple(problems)
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


def demo_plant_path() -> Path:
    """Return the description of the invented plant that the demo and the examples use."""
    return Path(__file__).resolve().parent / "sallow-ghyll.toml"


def load_plant(path: Path | str) -> Plant:
    """Read a plant's description.

    Args:
        path: The file, TOML.

    Returns:
        The plant, every value within the range in which it is believed.

    Raises:
        PlantError: The file cannot be read, or values are missing, wrong or contradict each other. All of
            them are told, one line each with the key, the value and what to do.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise PlantError(
            path,
            [
                "not found; give the path of your plant.toml, or begin with a copy of "
                + demo_plant_path().name
            ],
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise PlantError(path, [f"cannot be read: {error}"]) from error
    return parse_plant(text, path)


def parse_plant(text: str, name: Path | str = "plant.toml") -> Plant:
    """Read a plant's description from text; `name` is the file that errors speak of. See `load_plant`."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlantError(name, [f"is not TOML: {error}"]) from error
    problems: list[str] = []
    told = read_changes(raw, problems)
    plant = _whole(raw, problems)
    if plant is None or problems:
        raise PlantError(name, problems)
    changes: list[Change] = []
    for change in told:
        wrong: list[str] = []
        before = _whole(change.before, wrong)
        if before is None:
            day = dt.datetime.fromtimestamp(
                change.at_ms / 1000, zoneinfo.ZoneInfo(plant.site.time_zone)
            ).date()
            problems += [f'before the change of {day} ("{change.what}"): {line}' for line in wrong]
        else:
            changes.append(Change(at_ms=change.at_ms, what=change.what, keys=change.keys, before=before))
    if problems:
        raise PlantError(name, problems)
    return replace(plant, changes=tuple(changes))


def _whole(raw: dict[str, Any], problems: list[str]) -> Plant | None:
    """Make a plant of a whole description, or note what keeps it from being made."""
    before = len(problems)
    _unknown(raw, [*_TABLES, "weir", "converter", *_LISTS, "change"], "", problems)
    parts: dict[str, Any] = {}
    for key, table in _TABLES.items():
        if key in raw or key not in _MAY_LACK:
            parts[key] = _table(table, raw.get(key), key, problems)
    if "weir" in raw:
        parts["weir"] = _by_kind(_WEIRS, raw["weir"], "weir", problems)
    parts["converter"] = _by_kind(_CONVERTERS, raw.get("converter"), "converter", problems)
    for key, attribute in _LISTS.items():
        parts[attribute] = _list(key, raw.get(key), problems)
    if len(problems) > before:
        return None
    plant = Plant(**parts)
    problems += contradictions(plant)
    return plant if len(problems) == before else None


def _list(key: str, value: object, problems: list[str]) -> tuple[Any, ...]:
    if value is None:
        if key not in _MAY_LACK:
            problems.append(f"{key}: none; describe each with a [[{key}]] table")
        return ()
    if not isinstance(value, list):
        problems.append(f"{key}: write [[{key}]] with double brackets, one for each")
        return ()
    made: list[Any] = []
    for number, item in enumerate(value, 1):
        place = f"{key}[{number}]"
        if key == "sensor":
            channel = item.get("channel") if isinstance(item, dict) else None
            made.append(_by_kind(_SENSORS, item, f"{place} {channel}" if channel else place, problems))
        else:
            table = description.Node if key == "node" else description.OtherSource
            made.append(_table(table, item, place, problems))
    return tuple(made)


def _by_kind(kinds: dict[str, type[Any]], value: object, place: str, problems: list[str]) -> Any:
    if not isinstance(value, dict):
        return _table(next(iter(kinds.values())), value, place, problems)
    kind = value.get("kind")
    if not isinstance(kind, str) or kind not in kinds:
        told = "missing" if kind is None else f"= {_shown(kind)}"
        problems.append(f"{place}.kind {told}: use one of {_choices(tuple(kinds))}")
        return None
    return _table(kinds[kind], value, place, problems)


def _unknown(given: dict[str, Any], known: list[str], place: str, problems: list[str]) -> None:
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, 0.5)
            hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(known)}"
            problems.append(f"{place}{key}: unknown key; {hint}")


def _table(table: type[Any], value: object, place: str, problems: list[str]) -> Any:
    """Make one table's dataclass, or note what keeps it from being made."""
    if value is None:
        needed = ", ".join(f.name for f in fields(table) if f.default is MISSING)
        problems.append(f"{place}: missing; add the table [{place}] with {needed}")
        return None
    if not isinstance(value, dict):
        problems.append(f"{place} = {_shown(value)}: write a table, [{place}]")
        return None
    before = len(problems)
    hints = get_type_hints(table, include_extras=True)
    _unknown(value, list(hints), f"{place}.", problems)
    made: dict[str, Any] = {}
    for item in fields(table):
        told, wanted = _wanted(hints[item.name])
        where = f"{place}.{item.name}"
        if item.name not in value:
            if item.default is MISSING:
                problems.append(
                    f"{where}: missing; add it: {told.meaning}{',' if _range(told) else ''}{_range(told)}"
                )
            continue
        problem = _wrong(value[item.name], wanted, told)
        if problem:
            problems.append(f"{where} = {_shown(value[item.name])}: {problem}; it is {told.meaning}")
            continue
        given = value[item.name]
        made[item.name] = float(given) if float in wanted and not isinstance(given, bool) else given
    return table(**made) if len(problems) == before else None


def _wanted(hint: Any) -> tuple[Told, tuple[Any, ...]]:
    """Return what a field's annotation tells: its meaning, and the types or literal values it takes."""
    base, told = get_args(hint)[:2] if get_origin(hint) is Annotated else (hint, Told(""))
    options = get_args(base) if get_origin(base) in (Union, UnionType) else (base,)
    wanted: list[Any] = []
    for option in options:
        if option is not NoneType:
            wanted.extend(get_args(option) if get_origin(option) is Literal else [option])
    return told, tuple(wanted)


def _wrong(value: object, wanted: tuple[Any, ...], told: Told) -> str | None:
    """Return what is wrong with a value, as an order to the reader, or None."""
    if not isinstance(wanted[0], type):
        return None if value in wanted else f"use one of {_choices(wanted)}"
    if wanted == (bool,):
        return None if isinstance(value, bool) else "write true or false"
    if wanted == (str,):
        return None if isinstance(value, str) and value.strip() else 'write a text in "quotes"'
    return _wrong_number(value, told, whole=wanted == (int,))


def _wrong_number(value: object, told: Told, *, whole: bool) -> str | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or (whole and isinstance(value, float)):
        return f"write a {'whole ' if whole else ''}number{_range(told)}"
    low = told.lowest if told.lowest is not None else -math.inf
    high = told.highest if told.highest is not None else math.inf
    # Not a number fails both comparisons, and every range is finite.
    return None if low <= value <= high else f"outside what is believed; give a value{_range(told)}"


def _range(told: Told) -> str:
    if told.lowest is None or told.highest is None:
        return ""
    return f" from {told.lowest:g} to {told.highest:g} {told.unit}".rstrip()


def _choices(values: tuple[Any, ...]) -> str:
    return ", ".join(_shown(value) for value in values)


def _shown(value: object) -> str:
    return (
        f'"{value}"'
        if isinstance(value, str)
        else str(value).lower()
        if isinstance(value, bool)
        else f"{value}"
    )
