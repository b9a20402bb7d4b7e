"""The notes hang together: links lead somewhere, commands and keys exist, the cautions stand where the danger is."""

from __future__ import annotations

import re
import shlex
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

import click
import pytest

from wheelpit.cli import main
from wheelpit.contract.names import CHANNELS
from wheelpit.node.install import LEAST_VERSION
from wheelpit.plant import demo_plant_path, limits_of, load_plant
from wheelpit.plant.description import DividerSensor, LinearSensor, Node, Plant, ShuntSensor

if TYPE_CHECKING:
    from collections.abc import Iterator

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"
NAMES = sorted(file.name for file in NOTES.glob("*.md"))
ROOT_README = NOTES.parent / "README.md"


@pytest.mark.parametrize("name", [*NAMES, "../README.md"])
def test_every_link_leads_somewhere(name: str) -> None:
    text = (NOTES / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text)
    for link in links:
        if "://" not in link:
            assert ((NOTES / name).parent / link).exists(), f"{name}: {link}"


def test_every_note_can_be_reached_from_the_first(notes: dict[str, str]) -> None:
    first = notes["README.md"]
    assert all(f"]({name})" in first for name in NAMES if name != "README.md")
    assert "hardware_notes/README.md" in ROOT_README.read_text(encoding="utf-8")


def _commands(text: str) -> Iterator[list[str]]:
    for words in re.findall(r"`wheelpit ([^`]+)`", text):
        yield shlex.split(words)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_of_the_notes_exists(name: str) -> None:
    for words in _commands((NOTES / name).read_text(encoding="utf-8")):
        found: click.Command = main
        context = click.Context(main)
        for word in words:
            if not isinstance(found, click.Group):
                break
            inner = found.get_command(context, word)
            assert inner is not None, f"{name}: wheelpit {' '.join(words)}"
            found = inner
        known = {option for parameter in found.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known, f"{name}: {words}"


def test_every_word_in_code_is_known(notes: dict[str, str]) -> None:
    keys = {
        key.name for kind in (ShuntSensor, DividerSensor, LinearSensor, Node, Plant) for key in fields(kind)
    }
    for name, text in notes.items():
        for word in re.findall(r"`([a-z0-9]+_[a-z_0-9]+)(?: = (?:true|0))?`", text):
            assert word in keys or word in CHANNELS, f"{name}: {word}"


def test_the_warnings_stand_first(notes: dict[str, str]) -> None:
    assert notes["README.md"].split("\n")[2].startswith("**Read this first.")
    for name in ("wiring.md", "first_power_up.md"):
        assert "(safety.md)" in notes[name][:400]
    safety = notes["safety.md"]
    for words in (
        "Water off first", "chock", "Never open the charge path", "hydrogen", "bleeder", "Local codes",
        "licensed electrician", "15 or 30 V", "USB isolator", "residual-current", "falls from the wheel",
    ):  # fmt: skip
        assert re.search(words, safety, re.IGNORECASE), words
    low, high = limits_of(load_plant(demo_plant_path())).touch_wet_v
    assert f"{low:.0f} or {high:.0f} V" in safety


def test_the_least_interpreter_is_the_one_that_is_checked(notes: dict[str, str]) -> None:
    assert f"MicroPython {LEAST_VERSION[0]}.{LEAST_VERSION[1]} or newer" in notes["sensors.md"]


def test_the_addresses_are_those_of_the_example(notes: dict[str, str]) -> None:
    for sensor in load_plant(demo_plant_path()).sensors:
        if isinstance(sensor, ShuntSensor):
            row = next(
                line for line in notes["sensors.md"].splitlines() if line.startswith(f"| {sensor.address:#x}")
            )
            assert f"`{sensor.channel}`" in row
            a1, a0 = (word.strip() == "VS" for word in row.split("|")[2:4])
            assert sensor.address == 0x40 + 4 * a1 + a0
