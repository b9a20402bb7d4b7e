"""Records as columns, made into the messages that a node sends, so that a past can be booked by the real code."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Final

from wheelpit.contract.messages import Birth, ChannelInfo, Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.twin.fast.records import FAULTS, STATES

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from numpy.typing import NDArray

    from wheelpit.twin.fast.recorder import Recorder
    from wheelpit.twin.fast.records import RecordColumns

FIRMWARE: Final = "fast twin"


def journal_of(site: str, node: str, seed: int) -> str:
    """Return the id of the store that a simulated node has: the same for the same seed."""
    return hashlib.blake2b(f"{site} {node} {seed}".encode(), digest_size=8).hexdigest()


def records_for_ledger(columns: RecordColumns, most: int = 2048) -> Iterator[list[Record]]:
    """Yield the records as messages of the wire contract, so many at a time.

    Args:
        columns: The records.
        most: How many come at once.
    """
    for begin in range(0, columns.size, most):
        yield _records(columns, slice(begin, min(begin + most, columns.size)))


def _records(columns: RecordColumns, part: slice) -> list[Record]:
    first = columns.boot * SEQ_PER_BOOT + columns.first_n + part.start
    span_ms = columns.span_ms
    channels, totals = tuple(columns.mean), tuple(columns.total)
    mean, least, most = (
        zip(*(_cells(of[name][part]) for name in channels), strict=True)
        for of in (columns.mean, columns.least, columns.most)
    )
    total = zip(*(columns.total[name][part].tolist() for name in totals), strict=True)
    faults = _faults(columns, part)
    return [
        Record(
            seq=first + k,
            first=first + k,
            up_ms=up_ms,
            dur_ms=span_ms,
            span_ms=span_ms,
            end_ms=end_ms,
            clock="host",
            state=STATES[state],
            mean=dict(zip(channels, means, strict=True)),
            min=dict(zip(channels, leasts, strict=True)),
            max=dict(zip(channels, mosts, strict=True)),
            total=dict(zip(totals, counts, strict=True)),
            faults=faults.get(k, {}),
        )
        for k, (end_ms, up_ms, state, means, leasts, mosts, counts) in enumerate(
            zip(
                columns.end_ms[part].tolist(),
                columns.up_ms[part].tolist(),
                columns.state[part].tolist(),
                mean,
                least,
                most,
                total,
                strict=True,
            )
        )
    ]


def _cells(column: NDArray[np.float64]) -> list[float | None]:
    """Return a column as numbers, None where there is none."""
    cells: list[float | None] = column.tolist()
    # Only nan differs from itself.
    if (column == column).all():  # noqa: PLR0124 - see above
        return cells
    return [None if cell != cell else cell for cell in cells]  # noqa: PLR0124


def _faults(columns: RecordColumns, part: slice) -> dict[int, dict[str, str]]:
    found: dict[int, dict[str, str]] = {}
    for name, codes in columns.fault.items():
        for place in codes[part].nonzero()[0].tolist():
            found.setdefault(place, {})[name] = FAULTS[codes[part.start + place] - 1]
    return found


def birth_of(recorder: Recorder, journal: str, columns: RecordColumns) -> Birth:
    """Return what the node says of itself after it made some records."""
    newest = columns.boot * SEQ_PER_BOOT + columns.first_n + columns.size - 1
    return Birth(
        journal=journal,
        boot=columns.boot,
        chip=journal[:12],
        oldest=newest,
        newest=newest,
        firmware=FIRMWARE,
        interpreter="numpy",
        board="simulated by whole columns",
        reset="power",
        record_s=recorder.record_s,
        channels={name: ChannelInfo(source="simulated") for name in recorder.channels},
        totals=list(recorder.totals),
        capacity=1,
        held=1,
    )
