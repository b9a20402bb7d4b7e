"""Puts what bench tests gave into the file plant.toml, with a copy of it as it was."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from wheelpit.accounts.commission.answers import AnswerError
from wheelpit.accounts.commission.written import WriteError, Written, written_into
from wheelpit.places import write_atomically

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Collection, Sequence
    from pathlib import Path

    from wheelpit.accounts.commission.results import Entry


class Put(NamedTuple):
    """What was put into the file, and the copy of it as it was; no copy where it said all that already."""

    made: Written
    copy: Path | None


def name_of(entry: Entry) -> str:
    """Return the name by which an entry is left out, such as battery_a.invert."""
    return f"{entry.channel or entry.table}.{entry.key}"


def left_out(entries: Sequence[Entry], leave: Collection[str]) -> list[Entry]:
    """Return the entries short of those that are to be left as they are.

    Raises:
        AnswerError: nothing of such a name would be written.

    """
    names = {name_of(one) for one in entries}
    for name in leave:
        if name not in names:
            msg = f"--leave {name}: nothing of that name would be written; there is {', '.join(sorted(names)) or 'nothing'}"
            raise AnswerError(msg)
    kept = [one for one in entries if name_of(one) not in leave]
    # Wires swapped by hand turn the current and not the chip's own offset; turned in plant.toml, both turn.
    by_hand = {one.channel for one in entries if one.key == "invert"} - {
        one.channel for one in kept if one.key == "invert"
    }
    return [
        replace(one, value=-one.value) if one.key == "zero_a" and one.channel in by_hand else one
        for one in kept
    ]


def put(file: Path, entries: Sequence[Entry], now: dt.datetime, *, seen: str | None = None) -> Put:
    """Put entries into plant.toml; it is replaced at once or not at all, and a copy of it as it was lies beside it.

    Args:
        file: The file.
        entries: What to put in; what it says already is left alone.
        now: The site's time.
        seen: The text that the change was judged by; None where nobody looked at it first.

    Raises:
        WriteError: The file is no longer what was seen, has no place for an entry, or cannot be written.
        PlantError: With it, the description would contradict itself; the file is as it was.

    """
    try:
        text = file.read_text(encoding="utf-8")
        if seen is not None and text != seen:
            msg = f"{file} was changed since this change was shown: look at it again, nothing is written"
            raise WriteError(msg)
        made = written_into(text, entries, now.replace(tzinfo=None), name=str(file))
        if not made.changed:
            return Put(made, None)
        copy = file.with_name(f"{file.name}.before-{now:%Y%m%dT%H%M%S}")
        write_atomically(copy, text)
        write_atomically(file, made.text)
    except OSError as error:
        msg = f"{file} cannot be written: {error}"
        raise WriteError(msg) from error
    return Put(made, copy)
