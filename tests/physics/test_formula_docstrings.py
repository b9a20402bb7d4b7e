"""Every public formula tells its units, limits and sources, and this reads them."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import pytest

import wheelpit.physics

if TYPE_CHECKING:
    from collections.abc import Iterator

_UNIT = re.compile(r"\[[^\]\s][^\]]*\]")
_SECTION = re.compile(r"^(Args|Returns|Limits|Raises|References):$", re.MULTILINE)


def _public() -> Iterator[tuple[str, Any]]:
    for module in pkgutil.iter_modules(wheelpit.physics.__path__):
        loaded = importlib.import_module(f"wheelpit.physics.{module.name}")
        for name, thing in vars(loaded).items():
            formula = inspect.isfunction(thing) or (inspect.isclass(thing) and is_dataclass(thing))
            if formula and not name.startswith("_") and thing.__module__ == loaded.__name__:
                yield f"{module.name}.{name}", thing


def _sections(text: str) -> dict[str, str]:
    parts = _SECTION.split(inspect.cleandoc(text))
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def _arguments(text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in text.splitlines():
        start = re.match(r" {4}(\w+): (.*)", line)
        if start:
            name = start[1]
            found[name] = start[2]
        elif line.strip():
            found[name] += " " + line.strip()
    return found


_PUBLIC = dict(_public())


def test_the_formulas_are_found() -> None:
    assert {"water.water_density", "wheel.OvershotWheel", "alternator.bridge_voltage"} <= set(_PUBLIC)


@pytest.mark.parametrize("name", _PUBLIC)
def test_units_limits_and_references(name: str) -> None:
    thing = _PUBLIC[name]
    sections = _sections(thing.__doc__ or "")
    wanted = (
        {field.name for field in fields(thing)}  # type: ignore[arg-type]
        if inspect.isclass(thing)
        else set(inspect.signature(thing).parameters)
    )
    told = _arguments(sections["Args"])
    assert set(told) == wanted
    without = [argument for argument, text in told.items() if not _UNIT.search(text)]
    assert not without, f"no [unit] for {without}"
    if not inspect.isclass(thing):
        assert _UNIT.search(sections["Returns"]), "no [unit] for what it returns"
    assert sections["Limits"].strip()
    assert re.match(r" {4}\[1\] \S", sections["References"].lstrip("\n")), "no numbered reference"


_LIMITED = [name for name, thing in _PUBLIC.items() if "Raises" in _sections(thing.__doc__ or "")]


def test_only_what_converts_checked_values_has_no_limits_of_its_own() -> None:
    assert set(_PUBLIC) - set(_LIMITED) == {"alternator.largest_current"}


@pytest.mark.parametrize("name", _LIMITED)
def test_limits_that_are_told_are_enforced_in_the_code(name: str) -> None:
    thing = _PUBLIC[name]
    assert "PhysicsError" in _sections(thing.__doc__ or "")["Raises"]
    # Directly, or by a formula that it calls before anything else.
    checks = r"\b(_?require\w*\(|raise PhysicsError|bucket_fill\()"
    assert re.search(checks, inspect.getsource(thing))
