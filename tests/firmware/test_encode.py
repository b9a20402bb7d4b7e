"""What the node writes is JSON by the contract, and every integer arrives as the number it stands for.

The checks are made by libraries of others: msgspec and the standard library read the JSON, jsonschema judges it by the
contract's documents (JSON Schema 2020-12).
"""

from __future__ import annotations

import asyncio
import json
import re
from decimal import Decimal
from importlib import import_module
from typing import Any

import jsonschema
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from interpreters import running

from wheelpit.contract import documents
from wheelpit.contract.messages import Birth, Live, Record, Status, TimeAsk
from wheelpit.contract.names import CHANNELS, SEQ_MAX, SEQ_PER_BOOT, TOTALS
from wheelpit.ingest.decode import records_in

encode: Any = import_module("node.encode")
packets: Any = import_module("node.packets")
names: Any = import_module("node.names")
records: Any = import_module("node.records")

JOURNAL = "0123456789abcdef"
EVERYTHING = names.layout_of(list(names.CHANNELS))
MOST_STEPS = (1 << 31) - 1
channel_values = st.none() | st.integers(-MOST_STEPS, MOST_STEPS)


def message(size: int = 4096, *, topic: str = "wheelpit/1/sallow-ghyll/wheel/record") -> Any:
    return packets.Message(topic, qos=1, retain=False, size=size)


def written(value: Any, size: int = 4096) -> bytes:
    filled: bytes = encode.fill(message(size), value).payload()
    return filled


def decimal(steps: int, per_unit: int) -> str:
    buffer = bytearray(64)
    writer = encode.Writer(buffer, 0, 64)
    writer.decimal(steps, per_unit)
    return buffer[: writer.written()].decode()


def record(n: int, layout: Any = EVERYTHING, **changed: Any) -> Any:
    count = len(layout.channels)
    told: dict[str, Any] = {
        "n": n,
        "first": n,
        "boot": 1,
        "up_ms": n * 10_000,
        "dur_ms": 10_000,
        "span_ms": 10_000,
        "end_ms": None,
        "clock": "none",
        "state": "turning",
        "mean": [12_345] * count,
        "least": [-5] * count,
        "most": [1_000] * count,
        "total": [n] * len(layout.totals),
        "faults": [None] * count,
    }
    return records.Rec(*(told | changed).values())


def schema(kind: str, payload: bytes) -> None:
    text = documents.documents()[f"{kind}.schema.json"]
    jsonschema.Draft202012Validator(json.loads(text)).validate(json.loads(payload))


@given(st.integers(-(10**18), 10**18), st.sampled_from([1, 10, 100, 1000, 10_000]))
def test_the_decimal_point_is_placed_exactly(steps: int, per_unit: int) -> None:
    text = decimal(steps, per_unit)
    assert Decimal(text) == Decimal(steps) / per_unit
    assert re.fullmatch(
        r"-?(0|[1-9]\d*)(\.\d*[1-9])?", text
    )  # a number by RFC 8259, section 6, and no longer


@pytest.mark.parametrize(
    ("steps", "per_unit", "text"),
    [
        (0, 1000, "0"),
        (-5, 1000, "-0.005"),
        (24_000, 1000, "24"),
        (20_050, 1000, "20.05"),
        (-1250, 100, "-12.5"),
    ],
)
def test_numbers_look_as_a_person_writes_them(steps: int, per_unit: int, text: str) -> None:
    assert decimal(steps, per_unit) == text


@given(st.recursive(
    st.none() | st.booleans() | st.integers(-SEQ_MAX, SEQ_MAX) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
))  # fmt: skip
def test_any_small_content_is_read_back_as_it_was(content: Any) -> None:
    assert json.loads(written(content)) == content


def test_what_does_not_fit_is_an_error_and_a_float_has_no_place() -> None:
    with pytest.raises(encode.EncodeError, match="does not fit in 16 bytes"):
        written({"a": "x" * 20}, 16)
    with pytest.raises(encode.EncodeError, match="has no place"):
        written({"a": 1.5})


@given(st.data())
def test_a_record_arrives_value_by_value(data: st.DataObject) -> None:
    fitted = data.draw(st.lists(st.sampled_from(names.CHANNELS), unique=True))
    layout = names.layout_of(fitted)
    count = len(layout.channels)
    values = st.lists(channel_values, min_size=count, max_size=count)
    totals = st.lists(st.integers(0, SEQ_MAX), min_size=len(layout.totals), max_size=len(layout.totals))
    faults = st.lists(st.none() | st.sampled_from(names.FAULTS), min_size=count, max_size=count)
    rec = record(
        data.draw(st.integers(1, SEQ_PER_BOOT - 1)),
        layout,
        boot=data.draw(st.integers(1, SEQ_MAX // SEQ_PER_BOOT)),
        up_ms=data.draw(st.integers(0, SEQ_MAX)),
        state=data.draw(st.sampled_from(names.STATES)),
        mean=data.draw(values),
        least=data.draw(values),
        most=data.draw(values),
        total=data.draw(totals),
        faults=data.draw(faults),
    )
    end_ms = data.draw(st.none() | st.integers(0, SEQ_MAX))
    encoder = encode.RecordEncoder(layout, JOURNAL, message())
    encoder.begin(7)
    assert encoder.add(rec, end_ms, "host")
    payload = encoder.end().payload()
    schema("record", payload)
    sent = records_in(payload)
    assert (sent.journal, sent.after, len(sent.records)) == (JOURNAL, 7, 1)
    (got,) = sent.records
    assert isinstance(got, Record)
    assert (got.seq, got.first) == (rec.boot * SEQ_PER_BOOT + rec.n, rec.boot * SEQ_PER_BOOT + rec.first)
    assert (got.up_ms, got.dur_ms, got.span_ms) == (rec.up_ms, rec.dur_ms, rec.span_ms)
    assert (got.end_ms, got.clock, got.state) == (end_ms, "host", rec.state)
    for told, kept in ((got.mean, rec.mean), (got.min, rec.min), (got.max, rec.max)):
        expected = [
            None if value is None else value / steps for value, steps in zip(kept, layout.steps, strict=True)
        ]
        assert told == dict(zip(layout.channels, expected, strict=True))
    assert got.total == dict(zip(layout.totals, rec.total, strict=True))
    assert got.faults == {
        name: code for name, code in zip(layout.channels, rec.faults, strict=True) if code is not None
    }


def test_a_record_of_an_earlier_boot_with_other_channels_begins_a_message() -> None:
    now, then = names.layout_of(["battery_v"]), names.layout_of(["wheel_rpm", "charge_a"])
    again = names.layout_of(["wheel_rpm", "charge_a"])  # as the flash reads it: an object of its own
    encoder = encode.RecordEncoder(now, JOURNAL, message())
    made = [
        record(1, then, told_layout=then),
        record(2, then, told_layout=again),
        record(3, now),
        record(4, now, told_layout=now),
        record(5, then, told_layout=then),
    ]
    got = []
    while made:
        encoder.begin(0)
        count = 0
        while made and encoder.add(made[0], None, "none"):
            made.pop(0)
            count += 1
        sent = records_in(encoder.end().payload())
        assert len(sent.records) == count
        got.append([(tuple(r.mean), tuple(r.total)) for r in sent.records if isinstance(r, Record)])
    assert got == [
        [(then.channels, then.totals)] * 2,
        [(now.channels, now.totals)] * 2,
        [(then.channels, then.totals)],
    ]


def worst(n: int) -> Any:
    """The longest record that a node with every channel can make."""
    count = len(EVERYTHING.channels)
    return record(
        SEQ_PER_BOOT - n,
        boot=SEQ_MAX // SEQ_PER_BOOT,
        up_ms=SEQ_MAX,
        dur_ms=SEQ_MAX,
        span_ms=SEQ_MAX,
        mean=[-MOST_STEPS] * count,
        least=[-MOST_STEPS] * count,
        most=[-MOST_STEPS] * count,
        total=[SEQ_MAX] * len(EVERYTHING.totals),
        faults=["config"] * count,
    )


def test_even_the_longest_record_fits_in_a_message() -> None:
    assert set(names.CHANNELS) == set(CHANNELS)
    assert set(EVERYTHING.totals) == set(TOTALS)
    encoder = encode.RecordEncoder(EVERYTHING, JOURNAL, message())
    encoder.begin(SEQ_MAX)
    assert encoder.add(worst(1), SEQ_MAX, "host")
    assert len(encoder.end().payload()) <= encode.RECORDS_BYTES == 4096


def test_a_message_holds_as_many_records_as_fit_and_no_half_one() -> None:
    encoder = encode.RecordEncoder(EVERYTHING, JOURNAL, message())
    for _ in range(2):  # the buffer is used again
        encoder.begin(0)
        count = 0
        while encoder.add(record(count + 1), None, "none"):
            count += 1
        payload = encoder.end().payload()
        assert 4096 - len(payload) < len(payload) / count + 1  # no room for one more
        assert [(r.seq or 0) % SEQ_PER_BOOT for r in records_in(payload).records] == list(range(1, count + 1))


def test_no_message_holds_more_records_than_the_contract_allows() -> None:
    layout = names.layout_of(["node_v"])
    encoder = encode.RecordEncoder(layout, JOURNAL, message(60_000))
    encoder.begin(0)
    added = [encoder.add(record(n, layout), None, "none") for n in range(1, 100)]
    assert added.count(True) == 64
    schema("record", encoder.end().payload())


def test_a_record_that_cannot_fit_is_told_not_dropped() -> None:
    encoder = encode.RecordEncoder(EVERYTHING, JOURNAL, message(500))
    encoder.begin(0)
    with pytest.raises(encode.EncodeError, match="record 3 does not fit"):
        encoder.add(record(3), None, "none")


@given(st.data())
def test_live_values_arrive_value_by_value(data: st.DataObject) -> None:
    snapshot = records.Snapshot(EVERYTHING)
    count = len(EVERYTHING.channels)
    some = st.none() | st.integers(0, SEQ_MAX)
    snapshot.values = data.draw(st.lists(channel_values, min_size=count, max_size=count))
    snapshot.faults = data.draw(
        st.lists(st.none() | st.sampled_from(names.FAULTS), min_size=count, max_size=count)
    )
    snapshot.at_ms, snapshot.edge_age_ms, snapshot.edge_gap_ms = (data.draw(some) for _ in range(3))
    encoder = encode.LiveEncoder(EVERYTHING, JOURNAL, 3, message(encode.LIVE_BYTES))
    payload = encoder.fill(snapshot).payload()
    schema("live", payload)
    got = msgspec.json.decode(payload, type=Live)
    assert (got.journal, got.boot, got.at_ms) == (JOURNAL, 3, snapshot.at_ms)
    assert (got.edge_age_ms, got.edge_gap_ms) == (snapshot.edge_age_ms, snapshot.edge_gap_ms)
    assert got.values == {
        name: None if value is None else value / steps
        for name, value, steps in zip(EVERYTHING.channels, snapshot.values, EVERYTHING.steps, strict=True)
    }


def test_even_the_longest_live_message_fits() -> None:
    snapshot = records.Snapshot(EVERYTHING)
    count = len(EVERYTHING.channels)
    snapshot.values, snapshot.faults = [-MOST_STEPS] * count, ["config"] * count
    snapshot.up_ms = snapshot.at_ms = snapshot.edge_age_ms = snapshot.edge_gap_ms = SEQ_MAX
    encoder = encode.LiveEncoder(EVERYTHING, JOURNAL, SEQ_MAX // SEQ_PER_BOOT, message(encode.LIVE_BYTES))
    schema("live", encoder.fill(snapshot).payload())


def test_the_small_messages_follow_the_contract() -> None:
    messages = import_module("node.link").Messages("sallow-ghyll", "wheel", JOURNAL, 1)
    for filled, state in ((messages.online, "online"), (messages.offline, "offline")):
        assert msgspec.json.decode(filled.payload(), type=Status).state == state
        schema("status", filled.payload())
    ask = encode.fill(messages.ask, messages.identity("up_ms", SEQ_MAX))
    assert msgspec.json.decode(ask.payload(), type=TimeAsk).up_ms == SEQ_MAX


def test_even_the_longest_birth_fits() -> None:
    longest = ("address", "reads", "shunt_uohm", "range_ma", "invert", "zero_ua")  # of an ina228
    channels = {
        name: {"source": "ina228", "detail": dict.fromkeys(longest, -2_000_000_000)}
        for name in names.CHANNELS
    }
    birth = {
        "journal": JOURNAL,
        "boot": SEQ_MAX // SEQ_PER_BOOT,
        "chip": "f" * 64,
        "oldest": SEQ_MAX,
        "newest": SEQ_MAX,
        "firmware": "x" * 32,
        "interpreter": "x" * 120,
        "board": "x" * 120,
        "reset": "x" * 120,
        "record_s": 60,
        "channels": channels,
        "totals": EVERYTHING.totals,
        "capacity": SEQ_MAX,
        "held": SEQ_MAX,
        "approximate": False,
        "restarts": {"sampler": SEQ_MAX, "link": SEQ_MAX},
    }
    payload = written(birth, encode.BIRTH_BYTES)
    schema("birth", payload)
    assert msgspec.json.decode(payload, type=Birth).totals == list(EVERYTHING.totals)


def test_the_board_writes_the_same_bytes() -> None:
    async def both() -> list[str]:
        texts = []
        for interpreter in ("cpython", "micropython"):
            async with running(interpreter, "encode_probe.py") as probe:
                texts.append(await probe.output())
        return texts

    here, board = asyncio.run(both())
    assert here == board
    assert len(here.splitlines()) == 4
