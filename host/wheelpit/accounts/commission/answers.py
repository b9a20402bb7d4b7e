"""The answers to the bench tests' questions: checked, and kept in a file that people can read and write.

# 2026-05-02
[pull]
rim_radius_m = 0.80
idle_n = [38.0, 27.0, 26.5, 27.5]
"""

from __future__ import annotations

import math
import tomllib
from typing import TYPE_CHECKING, Final

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from wheelpit.accounts.commission.steps import Question, Step

Answer = float | tuple[float, ...]

_MOST_READINGS: Final = 100


class AnswerError(WheelpitError):
    """An answer that cannot be."""


class Answers:
    """The answers by step and name.

    Args:
        steps: What is asked: an answer to anything else is refused.

    """

    def __init__(self, steps: Iterable[Step]) -> None:
        self._asked = {f"{step.name}.{one.name}": one for step in steps for one in step.questions}
        self._given: dict[str, Answer] = {}

    def __contains__(self, key: str) -> bool:
        return key in self._given

    def __len__(self) -> int:
        return len(self._given)

    @property
    def keys(self) -> tuple[str, ...]:
        """Everything that is asked, in order."""
        return tuple(self._asked)

    def question(self, key: str) -> Question:
        """Return the question of a key.

        Raises:
            AnswerError: nothing of that name is asked.

        """
        if key not in self._asked:
            step = key.partition(".")[0]
            near = [name for name in self._asked if name.startswith(f"{step}.")] or list(self._asked)
            msg = f"{key}: nothing of that name is asked; known here: {', '.join(near)}"
            raise AnswerError(msg)
        return self._asked[key]

    def give(self, key: str, answer: float | Iterable[float]) -> None:
        """Take an answer.

        Raises:
            AnswerError: it is not asked for, or outside what is believed.

        """
        asked = self.question(key)
        values = (float(answer),) if isinstance(answer, int | float) else tuple(float(one) for one in answer)
        for value in values:
            if not (math.isfinite(value) and asked.lowest <= value <= asked.highest):
                msg = (
                    f"{key} = {value:g}: outside what is believed; give {asked.text} from {asked.lowest:g} to "
                    f"{asked.highest:g} {asked.unit}"
                ).rstrip()
                raise AnswerError(msg)
        if asked.several == 1 and len(values) != 1:
            msg = f"{key}: one number is wanted, {len(values)} are given"
            raise AnswerError(msg)
        if not asked.several <= len(values) <= _MOST_READINGS:
            msg = f"{key}: {len(values)} readings; give {asked.several} or more, one alone says nothing of its spread"
            raise AnswerError(msg)
        self._given[key] = values[0] if asked.several == 1 else values

    def given(self, key: str) -> Answer | None:
        """Return an answer as it was given; None where none was."""
        return self._given.get(key)

    def take_back(self, key: str) -> None:
        """Take an answer back; nothing where none was given.

        Raises:
            AnswerError: nothing of that name is asked.

        """
        self.question(key)
        self._given.pop(key, None)

    def number(self, key: str) -> float | None:
        """Return a single answer, the usual one where none was given, or None."""
        given = self._given.get(key)
        if given is None:
            return self.question(key).usual
        return given if isinstance(given, float) else given[0]

    def series(self, key: str) -> tuple[float, ...]:
        """Return several readings; none where they were not given."""
        given = self._given.get(key, ())
        return (given,) if isinstance(given, float) else given

    def read(self, text: str, name: str) -> None:
        """Take the answers of a file's text.

        Raises:
            AnswerError: it is not TOML, or an answer in it cannot be.

        """
        try:
            told = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            msg = f"{name} is not TOML: {error}"
            raise AnswerError(msg) from error
        for step, answers in told.items():
            if not isinstance(answers, dict):
                msg = f"{name}: {step} = {answers!r}: write a table, [{step}]"
                raise AnswerError(msg)
            for key, answer in answers.items():
                listed = answer if isinstance(answer, list) else [answer]
                if not all(isinstance(one, int | float) and not isinstance(one, bool) for one in listed):
                    msg = f"{name}: {step}.{key} = {answer!r}: write a number, or [several, of, them]"
                    raise AnswerError(msg)
                self.give(f"{step}.{key}", listed)

    def text(self, heading: str) -> str:
        """Return the answers as a file's text."""
        lines = [f"# {heading}"]
        step = ""
        for key in self._asked:
            if key not in self._given:
                continue
            of_step, _, name = key.partition(".")
            if of_step != step:
                lines += ["", f"[{of_step}]"]
                step = of_step
            asked, answer = self._asked[key], self._given[key]
            shown = (
                f"{answer!r}" if isinstance(answer, float) else f"[{', '.join(f'{one!r}' for one in answer)}]"
            )
            lines.append(f"{name} = {shown}  # {asked.unit + ', ' if asked.unit else ''}{asked.text}")
        return "\n".join(lines) + "\n"


def numbers(text: str, key: str) -> list[float]:
    """Return numbers that were written with commas or spaces between.

    Raises:
        AnswerError: something in it is no number.

    """
    try:
        return [float(part) for part in text.replace(",", " ").split()]
    except ValueError:
        msg = f"{key}: {text!r}: write numbers with a point, several with commas between"
        raise AnswerError(msg) from None


def live_answers(step: Step, values: Mapping[str, float | None]) -> dict[str, float]:
    """Return what a running node shows of a step's questions, by name."""
    found: dict[str, float] = {}
    for asked in step.questions:
        value = values.get(asked.live) if asked.live is not None else None
        if value is not None:
            found[asked.name] = value
    return found
