"""The course of the bench tests: how far each test is, and what the margins still want; pure functions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.commission.answers import Answers
    from wheelpit.accounts.commission.results import Outcome, Result
    from wheelpit.accounts.commission.steps import Question, Step
    from wheelpit.accounts.figure import Figure

OUTCOME: Final = "outcome"

State = Literal["not begun", "begun", "has a result", "complete"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far a test is.

    Attributes:
        step: the test.
        number: its place, from 1.
        asked: how many readings it asks for, short of those that have a usual value.
        given: how many of them are in.
        results: what follows from them.

    """

    step: Step
    number: int
    asked: int
    given: int
    results: Sequence[Result]

    @property
    def state(self) -> State:
        """In a word or two."""
        if self.given == self.asked:
            return "complete"
        if self.results:
            return "has a result"
        return "begun" if self.given else "not begun"


class Margin(NamedTuple):
    """One of the three margins: its figure, or what it still wants."""

    name: str
    says: str
    figure: Figure | None
    wants: tuple[str, ...]


# Key and name of each, what it says, and the readings that it comes from: of each group any one.
_MARGINS: Final = (
    (
        "start_margin", "Start", "full standing buckets over what it takes to break away",
        (("pull.rim_radius_m",), ("pull.idle_n",)),
    ),
    (
        "pull_out_margin", "Pull-out", "the most torque this flow gives over what the load demands",
        (
            ("pull.rim_radius_m",), ("pull.idle_n",), ("flow.bucket_s", "flow.weir_m"), ("volts.bridge_a",),
            ("volts.loaded_rpm",), ("pull.pulley_loaded_n", "volts.open_v"),
        ),
    ),
    (
        "cut_out_margin", "Cut-out", "running speed over the speed at which charging ends",
        (("volts.loaded_rpm",), ("threshold.cutin_rpm",), ("threshold.cutout_rpm",)),
    ),
)  # fmt: skip
_HUMP: Final = "a start hump: the first jerk of a pull, given with the others"
_LOOK: Final = "readings that give it: see what is to be looked at"


def standings(steps: Sequence[Step], answers: Answers, found: Outcome) -> list[Standing]:
    """Return how far each test is, in order."""
    made = []
    for number, step in enumerate(steps, 1):
        wanted = [f"{step.name}.{one.name}" for one in step.questions if one.usual is None]
        made.append(
            Standing(
                step=step,
                number=number,
                asked=len(wanted),
                given=sum(key in answers for key in wanted),
                results=[one for one in found.results if one.step == step.name],
            )
        )
    return made


def sentence(course: Sequence[Standing]) -> str:
    """Say how far the whole course is."""
    given = sum(one.given for one in course)
    if not given:
        return f"{len(course)} tests, none begun. Each may be left out, and each may wait for another day."
    done = sum(bool(one.results) for one in course)
    tests = "test has" if done == 1 else "tests have"
    asked = sum(one.asked for one in course)
    return f"{done} of {len(course)} {tests} a result; {given} of {asked} readings are in."


def warned(course: Sequence[Standing], found: Outcome, here: str) -> list[tuple[Standing, list[str]]]:
    """Return the tests that have something to be looked at, with what it is: the one that is open first."""
    told = [(one, found.warnings_of(one.step.name)) for one in course]
    return sorted(((one, words) for one, words in told if words), key=lambda pair: pair[0].step.name != here)


def margins(answers: Answers, found: Outcome) -> list[Margin]:
    """Return the three margins."""
    made = []
    for key, name, says, groups in _MARGINS:
        figure = found.get(key)
        wants: list[str] = []
        if figure is None:
            wants = [_either(answers, group) for group in groups if not any(one in answers for one in group)]
            if not wants:
                wants = [_HUMP if key == "start_margin" else _LOOK]
        made.append(Margin(name, says, figure, tuple(wants)))
    return made


def label(question: Question) -> str:
    """Return what is asked, with its unit and how many readings are wanted."""
    unit = f" [{question.unit}]" if question.unit else ""
    several = f", {question.several} or more with commas between" if question.several > 1 else ""
    # The name of a channel stays as it is written everywhere.
    text = (
        question.text if "_" in question.text.split()[0] else f"{question.text[0].upper()}{question.text[1:]}"
    )
    return f"{text}{unit}{several}"


def hint(question: Question) -> str:
    """Return what stands in an empty field."""
    return "" if question.usual is None else f"{question.usual:g} if not told"


def _either(answers: Answers, group: Sequence[str]) -> str:
    """Name the readings of which any one is wanted, each after the test in which it is asked."""
    tests = [key.partition(".")[0].capitalize() for key in group]
    led = [f"{test}: " if at == 0 or test != tests[at - 1] else "" for at, test in enumerate(tests)]
    return ", or ".join(f"{lead}{answers.question(key).text}" for lead, key in zip(led, group, strict=True))
