"""What is asked in the bench tests, in order, each step with its words of caution.

A question's key is `step.name`; its answer is a number, or several where one reading is worth little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import ShuntSensor

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant

ALWAYS: Final = (
    "Never alone; somebody stands at the gate. What local codes and licensed people say comes first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing that is asked.

    Attributes:
        name: in its step.
        text: what is asked.
        unit: of the answer.
        several: how many readings are wanted at least; 1 is a single number.
        lowest, highest: what is believed.
        live: the channel that shows it on a running node, if one does.
        usual: what is taken where nothing is answered; None where the test is then left out.

    """

    name: str
    text: str
    unit: str
    lowest: float
    highest: float
    several: int = 1
    live: str | None = None
    usual: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One test: what is done, what to mind, and what is asked."""

    name: str
    title: str
    does: str
    care: str
    questions: tuple[Question, ...]


_SIGNS: Final = {
    "charge_a": ("while the wheel turns and charges", 1),
    "rectified_a": ("while the wheel turns and charges", 1),
    "dump_a": ("while the diversion load is on", 1),
    "load_a": ("with a known lamp on", 1),
    "battery_a": ("with a known lamp on and the wheel standing", -1),
}
_FORCE_U: Final = "the balance's uncertainty: half of its smallest mark, and how steady it hung"


def expected_sign(channel: str) -> int:
    """Return the sign that a current must show in its test."""
    return _SIGNS[channel][1]


def shunts_of(plant: Plant) -> list[ShuntSensor]:
    """Return the plant's shunts in the order in which they are tried."""
    found = {sensor.channel: sensor for sensor in plant.sensors if isinstance(sensor, ShuntSensor)}
    return [found[channel] for channel in _SIGNS if channel in found]


def _signs(plant: Plant) -> Step:
    questions: list[Question] = []
    for sensor in shunts_of(plant):
        channel, range_a = sensor.channel, sensor.range_a
        questions += [
            Question(
                name=f"{channel}_on", text=f"{channel} {_SIGNS[channel][0]}, with its sign", unit="A", lowest=-range_a,
                highest=range_a, live=channel,
            ),
            Question(
                name=f"{channel}_zero", text=f"{channel} with its circuit open", unit="A", lowest=-5.0, highest=5.0,
                live=channel,
            ),
        ]  # fmt: skip
    return Step(
        name="signs",
        title="Sign and zero of every shunt",
        does=(
            "A shunt wired the other way round is the commonest fault of the first day. Switch on a known lamp: battery_a "
            "must go below zero. Let the wheel charge: charge_a must go above. Then, wheel standing and circuit open, read "
            "what each shows of nothing: 7 mA are 29 Ah in half a year."
        ),
        care=(
            "Never open the charge path of a turning machine: wheel stopped, water off, first. Isolate the battery at its "
            "fuse before a wire is moved; rings off, insulated tools."
        ),
        questions=tuple(questions),
    )


_RADIUS: Final = Question(
    name="radius_u_mm",
    text="how sure the radii are, give or take",
    unit="mm",
    lowest=0.1,
    highest=100.0,
    usual=3.0,
)


def _pulls() -> Step:
    def pulls(name: str, text: str) -> Question:
        return Question(name=name, text=text, unit="N", lowest=0.0, highest=20_000.0, several=3)

    return Step(
        name="pull",
        title="Pull tests",
        does=(
            "Hook the spring balance to the rim, pull square to the radius at walking pace, and read it several times while "
            "it moves. The first jerk is the start hump: give it too, it is told from the rest and kept as the break-away."
        ),
        care="Water off and the wheel chocked until you hold the balance; belt off where it says so. Belts pinch.",
        questions=(
            Question(name="rim_radius_m", text="radius at which the rim is pulled", unit="m", lowest=0.05, highest=10.0),
            Question(
                name="pulley_radius_m", text="radius at which the alternator's pulley is pulled", unit="m", lowest=0.005,
                highest=2.0,
            ),
            _RADIUS,
            Question(name="force_u_n", text=_FORCE_U, unit="N", lowest=0.01, highest=200.0, usual=0.5),
            pulls("bare_n", "at the rim, BELT OFF: the bearings alone"),
            pulls("idle_n", "at the rim, belt on, nothing connected"),
            pulls("pulley_idle_n", "at the alternator's pulley, belt off, nothing connected"),
            pulls("pulley_loaded_n", "at the alternator's pulley, belt off, a known current flowing"),
            Question(
                name="pulley_loaded_a", text="direct current that flowed meanwhile", unit="A", lowest=0.01, highest=500.0
            ),
            Question(
                name="pulley_loaded_u_a", text="how sure that current is, give or take", unit="A", lowest=0.001, highest=50.0,
                usual=0.05,
            ),
        ),
    )  # fmt: skip


def _turns() -> Step:
    return Step(
        name="turns",
        title="Counted turns",
        does=(
            "Turn the wheel by hand through ten whole turns or more and count the alternator's. Then let it run and count "
            "turns with a watch beside what the pickup shows."
        ),
        care="Count from where no spoke, belt or bucket can reach you; no sleeves, no gloves near the belt.",
        questions=(
            Question(name="wheel", text="turns of the wheel, by hand", unit="", lowest=1.0, highest=1000.0),
            Question(name="alternator", text="turns of the alternator meanwhile", unit="", lowest=0.5, highest=100_000.0),
            Question(name="counted", text="turns of the running wheel", unit="", lowest=1.0, highest=10_000.0),
            Question(name="counted_s", text="seconds they took", unit="s", lowest=5.0, highest=7200.0),
            Question(
                name="shown_rpm", text="what wheel_rpm showed meanwhile", unit="rpm", lowest=0.1, highest=200.0,
                live="wheel_rpm",
            ),
        ),
    )  # fmt: skip


def _flow() -> Step:
    return Step(
        name="flow",
        title="Flow",
        does=(
            "Catch all of what reaches the wheel, several times. A bucket of 20 L at 10 L/s is 2 s and ±15 %: below 3 L/s "
            "it serves, above catch a bin of 200 L. Or read the head over a V-notch. The uncertainty is shown first."
        ),
        care="Slippery stage, moving water: hold on before you lean out. Never in flood.",
        questions=(
            Question(name="bucket_l", text="what the vessel holds to its mark", unit="L", lowest=0.1, highest=10_000.0),
            Question(
                name="bucket_u_pct", text="how sure that is, with splash, give or take", unit="%", lowest=0.1, highest=50.0,
                usual=3.0,
            ),
            Question(name="bucket_s", text="seconds to fill it", unit="s", lowest=0.5, highest=3600.0, several=3),
            Question(
                name="watch_u_s", text="how sure a hand at the watch is", unit="s", lowest=0.01, highest=5.0, usual=0.2
            ),
            Question(name="weir_m", text="head over the V-notch", unit="m", lowest=0.06, highest=0.38),
            Question(
                name="weir_u_mm", text="how sure that is, its zero too, give or take", unit="mm", lowest=0.1, highest=50.0,
                usual=2.0,
            ),
            Question(name="notch_deg", text="angle of the notch", unit="°", lowest=25.0, highest=100.0, usual=90.0),
        ),
    )  # fmt: skip


def _rating() -> Step:
    return Step(
        name="rating",
        title="A level sensor's own table",
        does=(
            "Where no thin-plate weir stands, gauge the flow at four levels or more, low to high, and note the level each "
            "time: Q = a (h - h0)^b is fitted, and goes into plant.toml as [weir]. Outside what was gauged it is a guess."
        ),
        care="Low water and high water are different days: do not wade in flood to complete a table.",
        questions=(
            Question(name="stage_m", text="levels", unit="m", lowest=-9.0, highest=25.0, several=4),
            Question(
                name="flow_l_s",
                text="flows gauged at them",
                unit="L/s",
                lowest=0.01,
                highest=5000.0,
                several=4,
            ),
            Question(
                name="flow_u_pct",
                text="how sure each gauging is, give or take",
                unit="%",
                lowest=0.1,
                highest=50.0,
                usual=5.0,
            ),
        ),
    )


def _volts() -> Step:
    return Step(
        name="volts",
        title="Voltages without and with load",
        does=(
            "Nothing connected: the voltage after the bridge at two or three speeds of the wheel. Then loaded: speed, "
            "voltage and current together, while it runs steadily."
        ),
        care=(
            "Without load this machine passes 60 V, which is the limit for dry places; at a wheel it is wet. Covers on, "
            "one hand, probes clipped before the water is let on; wait minutes after it has stopped, the capacitor holds."
        ),
        questions=(
            Question(name="open_v", text="voltages after the bridge without load", unit="V", lowest=0.5, highest=500.0, several=2),
            Question(name="open_rpm", text="the alternator's speed at each", unit="rpm", lowest=1.0, highest=10_000.0, several=2),
            Question(name="loaded_v", text="battery's voltage, loaded", unit="V", lowest=5.0, highest=100.0, live="battery_v"),
            Question(name="loaded_a", text="current from the controller", unit="A", lowest=0.01, highest=500.0, live="charge_a"),
            Question(name="bridge_v", text="voltage after the bridge", unit="V", lowest=1.0, highest=500.0, live="rectified_v"),
            Question(name="bridge_a", text="current from the bridge", unit="A", lowest=0.01, highest=500.0, live="rectified_a"),
            Question(name="loaded_rpm", text="the wheel's speed meanwhile", unit="rpm", lowest=0.1, highest=200.0, live="wheel_rpm"),
            Question(name="meter_pct", text="how sure the meters are, give or take", unit="%", lowest=0.01, highest=20.0, usual=1.0),
        ),
    )  # fmt: skip


def _threshold() -> Step:
    return Step(
        name="threshold",
        title="Where charging starts and stops",
        does=(
            "Open the gate slowly from little water: the wheel's speed at which current begins. Close it slowly: the speed "
            "at which it ends. Three times each."
        ),
        care="At the gate, with a dry foothold, and nobody at the wheel.",
        questions=(
            Question(name="cutin_rpm", text="wheel speeds at which charging began", unit="rpm", lowest=0.5, highest=200.0, several=3),
            Question(name="cutout_rpm", text="wheel speeds at which it stopped", unit="rpm", lowest=0.5, highest=200.0, several=3),
        ),
    )  # fmt: skip


def _coast() -> Step:
    return Step(
        name="coast",
        title="Coast-down",
        does=(
            "Water off, nothing connected, buckets empty: let it run down between two speeds and take the time. The same "
            "each spring: it is the cheapest trend of what friction takes. It needs four magnets or a good eye."
        ),
        care="Water off first; keep clear until it stands, then chock it.",
        questions=(
            Question(name="from_rpm", text="the upper speed", unit="rpm", lowest=0.5, highest=200.0),
            Question(name="to_rpm", text="the lower speed", unit="rpm", lowest=0.1, highest=200.0),
            Question(name="seconds", text="seconds from the one to the other", unit="s", lowest=0.3, highest=3600.0, several=3),
        ),
    )  # fmt: skip


def steps_of(plant: Plant) -> tuple[Step, ...]:
    """Return the steps of a plant's bench tests, in order."""
    signs = (_signs(plant),) if shunts_of(plant) else ()
    return (*signs, _pulls(), _turns(), _flow(), _rating(), _volts(), _threshold(), _coast())
