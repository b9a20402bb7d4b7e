"""One run of bench tests: its answers in a file of the state folder, where command and page may be at work at once."""

from __future__ import annotations

import datetime as dt
import fcntl
import json
import os
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.commission.answers import AnswerError, Answers
from wheelpit.accounts.commission.results import outcome_json
from wheelpit.accounts.commission.steps import steps_of
from wheelpit.accounts.commission.worked import outcome_of
from wheelpit.accounts.figure import Figure
from wheelpit.places import write_atomically
from wheelpit.store.live import FILE as LIVE
from wheelpit.store.live import LiveReader

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from wheelpit.accounts.commission.answers import Answer
    from wheelpit.accounts.commission.results import Outcome
    from wheelpit.plant.description import Plant

DRAFT: Final = "commission.toml"
FOLDER: Final = "commission"
_FRESH_MS: Final = 10_000
_SUFFIXES: Final = (".toml", ".json", ".html")


class OvertakenError(AnswerError):
    """Somebody else changed an answer meanwhile; theirs stands, and ours is not kept.

    Attributes:
        theirs: what stands in the file now; None where it was taken back.

    """

    def __init__(self, message: str, theirs: Answer | None = None) -> None:
        super().__init__(message)
        self.theirs = theirs


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """An earlier sheet: its day, and its figures by key."""

    day: dt.date
    figures: Mapping[str, Figure]


class Bench:
    """One run of bench tests: its answers are kept in a file of the state folder from the first on.

    Several may write to that file at once: each `keep` brings in only what was changed here since the file was read,
    and an answer that was changed there as well is refused and not written over.

    Args:
        plant: The plant as described.
        folder: The state folder.
        now: The site's time, with its zone.

    Raises:
        AnswerError: What the file holds cannot be an answer.

    """

    def __init__(self, plant: Plant, folder: Path, now: dt.datetime) -> None:
        self.plant = plant
        self.folder = folder
        self.now = now
        self.steps = steps_of(plant)
        self.draft = folder / DRAFT
        self.answers = self._kept()
        self._seen = _as_given(self.answers)

    def keep(self) -> None:
        """Write down what was changed here; what was there before is replaced at once, or not at all.

        Raises:
            OvertakenError: An answer was changed in the file as well; nothing is written.
            AnswerError: The file cannot be read or written.

        """
        mine, before = _as_given(self.answers), self._seen
        changed = [key for key in self.answers.keys if mine.get(key) != before.get(key)]
        with self._alone():
            kept = self._kept()
            for key in changed:
                theirs = kept.given(key)
                if theirs not in {before.get(key), mine.get(key)}:
                    msg = (
                        f"{key}: meanwhile {as_text(theirs) or 'nothing'} was entered elsewhere, where you saw "
                        f"{as_text(before.get(key)) or 'nothing'}; your {as_text(mine.get(key)) or 'nothing'} is not kept: "
                        "settle which holds and give it again"
                    )
                    raise OvertakenError(msg, theirs)
                if key in mine:
                    kept.give(key, mine[key])
                else:
                    kept.take_back(key)
            heading = f"bench tests of {self.plant.site.id}, {self.now:%Y-%m-%d}; wheelpit commission goes on from here"
            write_atomically(self.draft, kept.text(heading))
        self.answers, self._seen = kept, _as_given(kept)

    def change(self, key: str, values: Sequence[float] | None, *, seen: Answer | None) -> None:
        """Give one answer, or take it back with None, and keep it.

        Args:
            key: The question.
            values: The answer.
            seen: What stood there when whoever answers looked.

        Raises:
            OvertakenError: Something else stands there now.
            AnswerError: The answer cannot be, or not be written down.

        """
        if values is None:
            self.answers.take_back(key)
        else:
            self.answers.give(key, values)
        self._seen = {name: told for name, told in self._seen.items() if name != key}
        if seen is not None:
            self._seen[key] = seen
        self.keep()

    def outcome(self) -> Outcome:
        """Work out what the answers so far allow."""
        return outcome_of(self.plant, self.answers)

    def live(self) -> dict[str, float | None]:
        """Return what the site's nodes show this moment; nothing where no service runs."""
        return shown_now(self.folder / LIVE, self.plant.site.id, time.time_ns() // 1_000_000)

    def earlier(self) -> Earlier | None:
        """Return the newest finished sheet of an earlier day, if there is one."""
        files = [file for file in self.finished() if file.stem < f"{self.now:%Y-%m-%d}"]
        return read_earlier(files[-1]) if files else None

    def finished(self) -> list[Path]:
        """Return the results of the runs that were put away, the newest of each day, by day."""
        return sorted((self.folder / FOLDER).glob("????-??-??.json"))

    def finish(self, found: Outcome, sheet: str | None = None) -> Path:
        """Put answers, results and the printable sheet away under the day, and clear the draft.

        A run that was put away on the same day before is kept beside it, with a number behind the day.

        Raises:
            OvertakenError: The answers are no longer those that the results came from; nothing is put away.

        """
        day = f"{self.now:%Y-%m-%d}"
        kept = self.folder / FOLDER / f"{day}.json"
        with self._alone():
            if _as_given(self._kept()) != self._seen:
                msg = "answers were entered elsewhere since these results were worked out: look at them, then finish"
                raise OvertakenError(msg)
            _make_room(kept)
            write_atomically(
                kept.with_suffix(".toml"), self.answers.text(f"bench tests of {self.plant.site.id}, {day}")
            )
            if sheet is not None:
                write_atomically(kept.with_suffix(".html"), sheet)
            told = {"day": day, **outcome_json(found)}
            write_atomically(kept, json.dumps(told, indent=2, ensure_ascii=False) + "\n")
            self.draft.unlink(missing_ok=True)
        return kept

    def _kept(self) -> Answers:
        answers = Answers(self.steps)
        try:
            answers.read(self.draft.read_text(encoding="utf-8"), str(self.draft))
        except FileNotFoundError:
            pass
        except (OSError, UnicodeDecodeError) as error:
            msg = f"{self.draft} cannot be read: {error}"
            raise AnswerError(msg) from error
        return answers

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Keep other commands and pages from the folder's bench tests for the length of the block."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.folder, os.O_RDONLY)
        except OSError as error:
            msg = f"{self.folder} cannot be opened: {error}"
            raise AnswerError(msg) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        except OSError as error:
            msg = f"{self.folder}: the answers cannot be written: {error}"
            raise AnswerError(msg) from error
        finally:
            os.close(handle)


def shown_now(live: Path, site: str, now_ms: int) -> dict[str, float | None]:
    """Return what a site's nodes show at a moment [Unix ms]; what is older than 10 s is left out."""
    found: dict[str, float | None] = {}
    for row in LiveReader(live).latest(site):
        if now_ms - row.arrived_ms <= _FRESH_MS:
            found.update(row.live.values)
    return found


def as_text(answer: Answer | None) -> str:
    """Return an answer as one writes it; nothing where there is none."""
    if answer is None:
        return ""
    return ", ".join(f"{one:.12g}" for one in (answer if isinstance(answer, tuple) else (answer,)))


def read_earlier(file: Path) -> Earlier:
    """Return a finished sheet's figures.

    Raises:
        AnswerError: it is none.

    """
    try:
        told = json.loads(file.read_text(encoding="utf-8"))
        figures = {
            one["key"]: Figure(value=one["value"], u=one["u"], origin=one["origin"], note=one["note"])
            for one in told["results"]
        }
        return Earlier(day=dt.date.fromisoformat(told["day"]), figures=figures)
    except (OSError, ValueError, KeyError, TypeError) as error:
        msg = f"{file} is no finished sheet of bench tests: {error}"
        raise AnswerError(msg) from error


def _as_given(answers: Answers) -> dict[str, Answer]:
    found = ((key, answers.given(key)) for key in answers.keys)
    return {key: answer for key, answer in found if answer is not None}


def _make_room(kept: Path) -> None:
    """Move a run of the same day aside."""
    if not kept.exists():
        return
    number = 1
    while kept.with_name(f"{kept.stem}-{number}.json").exists():
        number += 1
    for suffix in _SUFFIXES:
        file = kept.with_suffix(suffix)
        if file.exists():
            file.replace(file.with_name(f"{kept.stem}-{number}{suffix}"))
