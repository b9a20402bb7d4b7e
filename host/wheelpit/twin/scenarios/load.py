"""Read scenarios, and tell everything that is wrong with one at once, a line each."""

from __future__ import annotations

import datetime as dt
import difflib
import tomllib
from dataclasses import MISSING, fields
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, get_type_hints

from wheelpit.twin.faults import FAULTS
from wheelpit.twin.scenarios.description import Event, Right, Scenario
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from collections.abc import Callable

BOOK: Final = Path(__file__).resolve().parent / "book"
_ENGINES: Final = ("dynamic", "steady")
_LONGEST_MIN: Final = 31 * 1440
_MINUTE_S: Final = 60
_RAREST_S: Final = 10  # a watch that hears less often calls the node lost
_DEEDS: Final = ("fault", "gate_l_s", "load", "parked")

_Table = TypeVar("_Table", Event, Right)


class ScenarioError(TwinError):
    """A scenario that cannot be used; `problems` has one line for each thing that is wrong."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = tuple(problems)
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


def scenarios() -> list[Scenario]:
    """Return all scenarios that ship with the program, by name."""
    return [load_scenario(path) for path in sorted(BOOK.glob("*.toml"))]


def find(name: str) -> Scenario:
    """Return a scenario by its name, or by the path of a file of one's own.

    Raises:
        ScenarioError: There is none, or it cannot be used.
    """
    path = Path(name)
    if path.suffix == ".toml":
        return load_scenario(path)
    if not (BOOK / f"{name}.toml").is_file():
        known = [found.stem for found in BOOK.glob("*.toml")]
        near = difflib.get_close_matches(name, known, 1, 0.5)
        hint = f"did you mean {near[0]}?" if near else "`wheelpit twin scenarios` lists them"
        raise ScenarioError(path, [f"no such scenario; {hint}"])
    return load_scenario(BOOK / f"{name}.toml")


def load_scenario(path: Path) -> Scenario:
    """Read one scenario.

    Raises:
        ScenarioError: The file cannot be read, or something in it is wrong.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScenarioError(path, [f"cannot be read: {error.strerror}"]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(path, [f"is no TOML: {error}"]) from error
    problems: list[str] = []
    events = tuple(
        _table(Event, one, f"event {n}", problems) for n, one in enumerate(_list(told, "event", problems), 1)
    )
    right = tuple(
        _table(Right, one, f"right {n}", problems) for n, one in enumerate(_list(told, "right", problems), 1)
    )
    values = _values(Scenario, told, "", problems, known=frozenset({"events", "right", "name"}))
    if not problems:
        scenario = Scenario(name=path.stem, events=events, right=right, **values)  # type: ignore[arg-type]
        problems += _wrong(scenario)
        if not problems:
            return scenario
    raise ScenarioError(path, problems)


def _list(told: dict[str, Any], key: str, problems: list[str]) -> list[Any]:
    found = told.pop(key, [])
    if isinstance(found, list):
        return found
    problems.append(f"{key}: give it as [[{key}]], one for each")
    return []


def _table(kind: type[_Table], told: Any, place: str, problems: list[str]) -> _Table | None:
    if not isinstance(told, dict):
        problems.append(f"{place}: must be a table")
        return None
    before = len(problems)
    values = _values(kind, told, f"{place}, ", problems)
    return kind(**values) if len(problems) == before else None


def _values(
    kind: type[Any],
    told: dict[str, Any],
    place: str,
    problems: list[str],
    known: frozenset[str] = frozenset(),
) -> dict[str, Any]:
    """Return a table's values, checked for their types."""
    hints = get_type_hints(kind)
    wanted = {field.name: field for field in fields(kind) if field.name not in known}
    for key in told:
        if key not in wanted:
            near = difflib.get_close_matches(key, wanted, 1, 0.6)
            problems.append(
                f"{place}{key}: not known" + (f"; did you mean {near[0]}?" if near else "; remove it")
            )
    found: dict[str, Any] = {}
    for name, field in wanted.items():
        if name in told:
            why = _CHECKS.get(str(hints[name]), _no_reason)(told[name])
            if why:
                problems.append(f"{place}{name} = {told[name]!r}: {why}")
            found[name] = told[name]
        elif field.default is MISSING and field.default_factory is MISSING:
            problems.append(f"{place}{name}: missing; see the other scenarios for what it says")
    return found


def _no_reason(_value: Any) -> str:
    return ""


def _number(value: Any) -> str:
    right = isinstance(value, int | float) and not isinstance(value, bool) and value == value  # noqa: PLR0124 - nan
    return "" if right else "give a number"


def _whole(value: Any) -> str:
    return "" if isinstance(value, int) and not isinstance(value, bool) else "give a whole number"


def _text(value: Any) -> str:
    return "" if isinstance(value, str) and value.strip() else "give some words"


def _flag(value: Any) -> str:
    return "" if isinstance(value, bool) else "give true or false"


def _reasons(value: Any) -> str:
    right = isinstance(value, dict) and all(isinstance(why, str) and why.strip() for why in value.values())
    return "" if right else 'give a table of alarm = "why"'


def _flow(value: Any) -> str:
    if not isinstance(value, list):
        return _number(value)
    pairs = all(isinstance(pair, list) and [*map(_number, pair)] == ["", ""] for pair in value)
    if value and pairs and all(before[0] < after[0] for before, after in pairwise(value)):
        return ""
    return "give pairs of minute and flow, by rising minutes"


def _engine(value: Any) -> str:
    return "" if value in _ENGINES else f"give one of {', '.join(_ENGINES)}"


def _moment(value: Any) -> str:
    right = isinstance(value, dt.datetime) and value.tzinfo is not None
    return "" if right else "give date and time with the zone, as 2026-01-14T22:00:00Z"


def _any_table(value: Any) -> str:
    return "" if isinstance(value, dict) else "give a table"


_CHECKS: Final[dict[str, Callable[[Any], str]]] = {
    "<class 'float'>": _number,
    "float | None": _number,
    "<class 'int'>": _whole,
    "<class 'str'>": _text,
    "str | None": _text,
    "<class 'bool'>": _flag,
    "bool | None": _flag,
    "float | list[list[float]]": _flow,
    "typing.Literal['dynamic', 'steady']": _engine,
    "<class 'datetime.datetime'>": _moment,
    "dict[str, str]": _reasons,
    "dict[str, typing.Any]": _any_table,
}


def _wrong(scenario: Scenario) -> list[str]:
    """Return what is wrong with values of the right types."""
    problems: list[str] = []
    length_s = 60 * scenario.minutes
    if not 0 < scenario.minutes <= _LONGEST_MIN:
        problems.append(f"minutes = {scenario.minutes:g}: give more than 0, at most {_LONGEST_MIN}")
    if not 0 <= scenario.state_of_charge <= 1:
        problems.append(f"state_of_charge = {scenario.state_of_charge:g}: give 0 to 1")
    if not 1 <= scenario.live_s <= _RAREST_S or _MINUTE_S % scenario.live_s:
        problems.append(f"live_s = {scenario.live_s}: give 1, 2, 3, 4, 5, 6 or 10")
    for number, event in enumerate(scenario.events, 1):
        problems += [f"event {number}, {text}" for text in _wrong_event(event, length_s)]
    for number, right in enumerate(scenario.right, 1):
        if not 0 <= right.from_s <= length_s:
            problems.append(f"right {number}, from_s = {right.from_s:g}: it lasts 0 to {length_s:g} s")
        if right.within_s < 0:
            problems.append(f"right {number}, within_s = {right.within_s:g}: give 0 or more")
    told = [right.alarm for right in scenario.right]
    for alarm in sorted({*told} & {*scenario.false}):
        problems.append(f"false, {alarm}: it is also told to be right; it can only be one")
    for alarm in sorted({*scenario.later} & {*told, *scenario.false}):
        problems.append(f"later, {alarm}: it is also told to be right or false; keep one")
    return problems


def _wrong_event(event: Event, length_s: float) -> list[str]:
    problems = []
    if not 0 <= event.at_s <= length_s:
        problems.append(f"at_s = {event.at_s:g}: it lasts 0 to {length_s:g} s")
    deeds = [name for name in _DEEDS if getattr(event, name) is not None]
    if len(deeds) != 1:
        problems.append(
            f"what happens: give exactly one of {', '.join(_DEEDS)}, not {', '.join(deeds) or 'none'}"
        )
    if event.fault is not None and event.fault.partition(":")[0] not in FAULTS:
        near = difflib.get_close_matches(event.fault, FAULTS, 1, 0.5)
        hint = f"did you mean {near[0]}?" if near else "`wheelpit twin faults` lists them"
        problems.append(f'fault = "{event.fault}": not known; {hint}')
    if not 0 < event.severity <= 1:
        problems.append(f"severity = {event.severity:g}: give more than 0, at most 1")
    if event.ramp_s < 0:
        problems.append(f"ramp_s = {event.ramp_s:g}: give 0 or more")
    if event.until_s is not None and event.until_s < event.at_s:
        problems.append(f"until_s = {event.until_s:g}: before at_s = {event.at_s:g}")
    if event.gate_l_s is not None and event.gate_l_s < 0:
        problems.append(f"gate_l_s = {event.gate_l_s:g}: give 0 or more")
    return problems
