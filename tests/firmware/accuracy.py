"""The firmware's energy and speed against plants whose truth is known: a scripted one at any speed, and the twin."""

from __future__ import annotations

import json
import math
import random
import subprocess
from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from interpreters import FIRMWARE, ON_BOARD, command

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.machine import TwinPlant

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

FRAME_US: Final = 50_000
STEADY: Final = (13.5, 5.4)  # V and A whenever the bus does not answer, so that what was missed is known
_J_PER_MWH: Final = 3.6


class Moment(NamedTuple):
    """A frame: its end, means of voltage and current, its energy, whether the bus answers, edges at the pickup."""

    end_us: int
    volts: float
    amps: float
    joules: float
    answers: bool
    edges: list[int]


@dataclass(frozen=True)
class Accuracy:
    """What the firmware counted against the truth: joules, turns, and mean speeds."""

    given_j: float
    counted_j: float
    true_rpm: float
    shown_rpm: float
    starts: int
    unmeasured_ms: int

    @property
    def energy_error_pct(self) -> float:
        """How far the energy is off."""
        return 100 * abs(self.counted_j / self.given_j - 1)

    @property
    def speed_error_pct(self) -> float:
        """How far the speed is off."""
        return 100 * abs(self.shown_rpm / self.true_rpm - 1)


def settings(magnets: int) -> dict[str, Any]:
    """Return the settings of a node with a monitor and a pickup."""
    return {
        "site": "mill",
        "node": "wheel",
        "broker": {"host": "h"},
        "wheel": {"pin": 15, "magnets": magnets, "fastest_rpm": 120, "cutin_mrpm": 4000},
        "i2c": {"sda": 4, "scl": 5},
        "channels": {
            "battery_v": {"chip": "ina226", "address": 64, "reads": "bus"},
            "charge_a": {"chip": "ina226", "address": 64, "reads": "current", "shunt_uohm": 1500, "range_ma": 50_000},
        },
    }  # fmt: skip


def scripted(
    rpm: float,
    magnets: int,
    seconds: int,
    seed: int,
    *,
    starts: Sequence[int] = (),
    watts: float | None = None,
) -> list[Moment]:
    """Return a steady wheel with unevenly placed magnets, and a load that steps between 5 W and 400 W, or has `watts`.

    Now and then the bus does not answer for a moment. Where it does not, and in the second after a start at one of
    the frames `starts`, the load is the steady one.
    """
    chance = random.Random(seed)  # noqa: S311 - a run must be repeatable
    gap_deg = 360 / magnets
    places = sorted((m + chance.uniform(-0.15, 0.15)) * gap_deg % 360 for m in range(magnets))
    turn_us = 60e6 / rpm
    passages = [
        round((turn + place / 360) * turn_us)
        for turn in range(int(seconds * rpm / 60) + 2)
        for place in places
    ]
    found = []
    left = at = 0
    volts, amps, fails = *STEADY, False
    for number in range(1, seconds * 1_000_000 // FRAME_US + 1):
        if left == 0:
            left = chance.randrange(30, 400)  # steps fall anywhere between the samples
            fails = watts is None and chance.random() < 0.1
            volts = chance.uniform(11.5, 14.6)
            amps = (chance.choice([5, 60, 100, 150, 220, 400]) if watts is None else watts) / volts
            if fails:
                volts, amps = STEADY
        if watts is None and any(start < number <= start + 20 for start in (0, *starts)):
            volts, amps = STEADY
        left -= 1
        end_us = number * FRAME_US
        edges = []
        while passages[at] <= end_us:
            edges.append(passages[at])
            at += 1
        joules = volts * amps * FRAME_US / 1e6
        found.append(Moment(end_us, volts, amps, joules, not (fails and 20 < left < 24), edges))
    return found


def of_the_twin(seconds: int, seed: int) -> list[Moment]:
    """Return the simulated plant as it comes, with its own energies; its load steps, its wheel lopes and speeds up."""
    plant = TwinPlant(load_plant(demo_plant_path()), seed=seed, state_of_charge=0.6)
    found = []
    before_j = plant.totals().charge_j
    for number in range(seconds * 1_000_000 // FRAME_US):
        if number % 2400 == 0:  # every two minutes somebody turns the gate
            plant.river.order([8.0, 11.0, 9.5, 12.0][number // 2400 % 4])
        frame = plant.frame()
        after_j = plant.totals().charge_j
        found.append(
            Moment(
                frame.t_us,
                frame.mean["battery_v"],
                frame.mean["charge_a"],
                after_j - before_j,
                answers=True,
                edges=list(frame.edges),
            )
        )
        before_j = after_j
    return found


def measure(
    folder: Path,
    moments: Sequence[Moment],
    magnets: int,
    starts: Sequence[int] = (),
    missed_w: float = STEADY[0] * STEADY[1],
) -> Accuracy:
    """Let the firmware measure on MicroPython, started anew at some frames, and compare.

    missed_w: the power while nothing is measured: until a chip has been set up, and while it does not answer.
    """
    path = folder / "frames"
    with path.open("w") as file:
        file.write(json.dumps({"settings": settings(magnets), "starts": list(starts)}) + "\n")
        for moment in moments:
            file.write(
                json.dumps([moment.end_us, moment.volts, moment.amps, int(moment.answers), moment.edges])
                + "\n"
            )
    words, environment = command(
        "micropython", ON_BOARD / "accuracy.py", str(path), search=(FIRMWARE / "sim",), heap="1m"
    )
    done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    ends_us = [moment.end_us for moment in moments]
    given_j = counted_j = 0.0
    unmeasured_ms = 0
    speeds: list[float] = []
    for start in told:
        begin_us = start["began_us"]
        up_ms = start["up_ms"]
        missed_ms = up_ms - start["total"]["charge_valid_ms"]
        unmeasured_ms += missed_ms
        given_j += _joules(moments, ends_us, begin_us, begin_us + up_ms * 1000)
        given_j -= missed_w * missed_ms / 1000
        counted_j += start["total"]["charge_mwh"] * _J_PER_MWH
        # The first records of a start have no whole turn to go by.
        turn_s = 60 / _speed(moments, magnets)
        speeds += [rpm / 1000 for rpm in start["speeds"][math.ceil(2 * turn_s / 10) + 1 :] if rpm is not None]
    return Accuracy(
        given_j, counted_j, _speed(moments, magnets), sum(speeds) / len(speeds), len(told), unmeasured_ms
    )


def _joules(moments: Sequence[Moment], ends_us: list[int], begin_us: int, end_us: int) -> float:
    """Return the energy of the frames between two moments."""
    joules = 0.0
    at = bisect_left(ends_us, begin_us + 1)
    while at < len(moments) and moments[at].end_us - FRAME_US < end_us:
        moment = moments[at]
        part_us = min(moment.end_us, end_us) - max(moment.end_us - FRAME_US, begin_us)
        joules += moment.joules * part_us / FRAME_US
        at += 1
    return joules


def _speed(moments: Sequence[Moment], magnets: int) -> float:
    """Return the mean speed over the whole turns of the run."""
    edges = [edge for moment in moments for edge in moment.edges]
    turns = (len(edges) - 1) // magnets
    return turns * 60e6 / (edges[turns * magnets] - edges[0])
