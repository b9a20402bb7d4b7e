"""From the bytes of a message to what the contract promises, or to words that say what is wrong with them.

Whatever arrives, nothing here raises anything but `UndecodableError`. Of a record message each record is judged
by itself: one bad record costs itself, not its neighbours.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final, TypeVar

import msgspec

from wheelpit.contract import topics
from wheelpit.contract.messages import (
    Birth,
    Code,
    Journal,
    Live,
    Record,
    RecordLine,
    Records,
    Seq,
    Status,
    TimeAsk,
)
from wheelpit.contract.names import SEQ_MAX
from wheelpit.contract.topics import HOST, Topic, TopicError
from wheelpit.store.booking import BadRecord, Sent

# No message is longer; nodes send at most 4 KiB.
MOST_BYTES: Final = 16 * 1024

_RECORDS: Final = msgspec.json.Decoder(Records)
_LINE: Final = msgspec.json.Decoder(RecordLine)
_OTHERS: Final[dict[str, msgspec.json.Decoder[Any]]] = {
    "status": msgspec.json.Decoder(Status),
    "birth": msgspec.json.Decoder(Birth),
    "live": msgspec.json.Decoder(Live),
    "time-ask": msgspec.json.Decoder(TimeAsk),
}
_WRONG: Final = (msgspec.DecodeError, RecursionError, UnicodeDecodeError)

_PLACE: Final = re.compile(r"\$\.(mean|min|max|total)\[(\d+)]")
_ENCODE: Final = msgspec.json.encode
_Value = TypeVar("_Value", float | None, int)

Message = Status | Birth | Live | TimeAsk | Sent


class _Loose(msgspec.Struct):
    """A record message of which only the frame is checked."""

    journal: Journal
    after: Seq
    channels: list[Code]
    totals: list[Code]
    records: list[Any]


class UndecodableError(Exception):
    """A message that the contract does not know; the text says what is wrong with it."""


def decode(topic: str, payload: bytes, length: int) -> tuple[Topic, Message]:
    """Return the parsed topic and the message.

    Args:
        topic: the topic as it came.
        payload: the payload, or its first `MOST_BYTES`.
        length: the length of the payload as it came.

    Raises:
        UndecodableError: topic or message are not of the contract.

    """
    try:
        parsed = topics.parse(topic)
    except TopicError as error:
        raise UndecodableError(str(error)) from error
    if parsed.node == HOST:
        msg = f"{HOST!r} is no node's id: rename the node that calls itself so"
        raise UndecodableError(msg)
    if length > MOST_BYTES:
        msg = f"{length} bytes are more than the {MOST_BYTES} that a message may have"
        raise UndecodableError(msg)
    if parsed.kind == "record":
        return parsed, records_in(payload)
    decoder = _OTHERS.get(parsed.kind)
    if decoder is None:
        msg = f"a node does not speak of {parsed.kind!r}"
        raise UndecodableError(msg)
    try:
        message: Message = decoder.decode(payload)
    except _WRONG as error:
        msg = f"{parsed.kind}: {_words(error)}"
        raise UndecodableError(msg) from error
    return parsed, message


def _words(error: Exception) -> str:
    return "it is nested too deeply" if isinstance(error, RecursionError) else str(error)


def records_in(payload: bytes) -> Sent:
    """Return what a message of records brings; raise UndecodableError."""
    try:
        message = _RECORDS.decode(payload)
    except _WRONG as error:
        return _half_legible(payload, _words(error))
    return _sent(message, [bytes(raw) for raw in message.records])


def _half_legible(payload: bytes, reason: str) -> Sent:
    """Read what can be read of a message that is not JSON: not-a-number, a bad byte in a text.

    Each of its records is then judged by itself, so that the good ones are booked and the bad ones refused.
    """
    found = _lenient(payload)
    try:
        head = msgspec.convert(found, _Loose)
    except msgspec.ValidationError as error:
        msg = f"record: {reason}" if not found else f"record: {error}"
        raise UndecodableError(msg) from error
    try:
        lines = [json.dumps(item).encode() for item in head.records]
    except RecursionError as error:
        msg = f"record: {_words(error)}"
        raise UndecodableError(msg) from error
    return _sent(head, lines)


def _sent(head: Records | _Loose, lines: list[bytes]) -> Sent:
    channels, totals = head.channels, head.totals
    if len({*channels}) < len(channels) or len({*totals}) < len(totals):
        msg = "record: a channel or a total is named twice: the node's firmware is damaged, install it again"
        raise UndecodableError(msg)
    return Sent(head.journal, head.after, [_record(line, channels, totals) for line in lines])


def _record(raw: bytes, channels: list[str], totals: list[str]) -> Record | BadRecord:
    try:
        line = _LINE.decode(raw)
        return Record(
            seq=line.seq,
            first=line.first,
            up_ms=line.up_ms,
            dur_ms=line.dur_ms,
            span_ms=line.span_ms,
            end_ms=line.end_ms,
            clock=line.clock,
            state=line.state,
            mean=_named("mean", channels, line.mean) if line.mean else {},
            min=_named("min", channels, line.min) if line.min else {},
            max=_named("max", channels, line.max) if line.max else {},
            total=_named("total", totals, line.total),
            faults=line.faults,
        )
    except _WRONG as error:
        numbers = _lenient(raw)
        # What is kept of it must be legible without the rest of its message.
        kept = b'{"channels":%b,"totals":%b,"records":[%b]}' % (_ENCODE(channels), _ENCODE(totals), raw)
        reason = f"record: {_by_name(_words(error), channels, totals)}"
        return BadRecord(_number(numbers, "seq"), _number(numbers, "first"), reason, kept)


def _named(part: str, names: list[str], values: list[_Value]) -> dict[str, _Value]:
    if len(names) != len(values):
        msg = f"{len(values)} values for {len(names)} names - at `$.{part}`"
        raise msgspec.ValidationError(msg)
    return dict(zip(names, values, strict=True))


def _by_name(words: str, channels: list[str], totals: list[str]) -> str:
    """Say of a value what it is called, not the how-manieth it is."""

    def named(found: re.Match[str]) -> str:
        names, place = totals if found[1] == "total" else channels, int(found[2])
        return f"$.{found[1]}.{names[place]}" if place < len(names) else found[0]

    return _PLACE.sub(named, words)


def _lenient(raw: bytes) -> dict[str, Any]:
    """Return a JSON object, also with NaN in it and with bytes that are no text; empty when it is none."""
    try:
        found = json.loads(raw.decode("utf-8", "replace"))
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _number(found: dict[str, Any], name: str) -> int | None:
    value = found.get(name)
    return value if type(value) is int and 0 <= value <= SEQ_MAX else None
