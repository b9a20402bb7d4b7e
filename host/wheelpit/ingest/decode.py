"""From the bytes of a message to what the contract promises, or to words that say what is wrong with them.

Whatever arrives, nothing here raises anything but `UndecodableError`. Of a record message each record is judged
by itself: one bad record costs itself, not its neighbours.
"""

from __future__ import annotations

import json
from typing import Any, Final

import msgspec

from wheelpit.contract import topics
from wheelpit.contract.messages import Birth, Journal, Live, Record, Records, Seq, Status, TimeAsk
from wheelpit.contract.names import SEQ_MAX
from wheelpit.contract.topics import HOST, Topic, TopicError
from wheelpit.store.booking import BadRecord, Sent

# No message is longer; nodes send at most 4 KiB.
MOST_BYTES: Final = 16 * 1024

_RECORDS: Final = msgspec.json.Decoder(Records)
_RECORD: Final = msgspec.json.Decoder(Record)
_OTHERS: Final[dict[str, msgspec.json.Decoder[Any]]] = {
    "status": msgspec.json.Decoder(Status),
    "birth": msgspec.json.Decoder(Birth),
    "live": msgspec.json.Decoder(Live),
    "time-ask": msgspec.json.Decoder(TimeAsk),
}
_WRONG: Final = (msgspec.DecodeError, RecursionError, UnicodeDecodeError)

Message = Status | Birth | Live | TimeAsk | Sent


class _Loose(msgspec.Struct):
    """A record message of which only the frame is checked."""

    journal: Journal
    after: Seq
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
        return parsed, _records(payload)
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


def _records(payload: bytes) -> Sent:
    try:
        message = _RECORDS.decode(payload)
    except _WRONG as error:
        return _half_legible(payload, _words(error))
    return Sent(message.journal, message.after, [_record(bytes(raw)) for raw in message.records])


def _record(raw: bytes) -> Record | BadRecord:
    try:
        return _RECORD.decode(raw)
    except _WRONG as error:
        numbers = _lenient(raw)
        return BadRecord(_number(numbers, "seq"), _number(numbers, "first"), f"record: {_words(error)}", raw)


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
        return Sent(head.journal, head.after, [_record(json.dumps(item).encode()) for item in head.records])
    except RecursionError as error:
        msg = f"record: {_words(error)}"
        raise UndecodableError(msg) from error


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
