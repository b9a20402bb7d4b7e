"""Whatever arrives: a message of the contract, or words that say what is wrong; never anything else."""

from __future__ import annotations

import json
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests import packed

from wheelpit.contract.messages import Birth, Live, Record, Status, TimeAsk
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.decode import MOST_BYTES, UndecodableError, decode
from wheelpit.store.booking import BadRecord, Sent

KINDS = ("status", "birth", "live", "record", "time-ask")
TOPIC = "wheelpit/1/sallow-ghyll/wheel/"
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=20,
)


def sent(make: Any, *records: dict[str, Any], **changed: Any) -> bytes:
    return json.dumps(packed.message(make.journal, 0, list(records)) | changed).encode()


def read(kind: str, payload: bytes) -> Any:
    return decode(TOPIC + kind, payload, len(payload))[1]


def test_each_kind_is_read(make: Any) -> None:
    status = b'{"state":"online","journal":"0123456789abcdef","boot":3}'
    ask = b'{"journal":"0123456789abcdef","boot":3,"up_ms":5,"new_in_version_1_7":true}'
    assert read("status", status) == Status(state="online", journal=make.journal, boot=3)
    assert read("time-ask", ask) == TimeAsk(journal=make.journal, boot=3, up_ms=5)
    assert isinstance(read("birth", json.dumps(make.birth()).encode()), Birth)
    assert isinstance(read("live", json.dumps(make.live()).encode()), Live)
    got = read("record", sent(make, make.record(1), make.record(2)))
    assert isinstance(got, Sent)
    assert [type(record) for record in got.records] == [Record, Record]


@given(st.sampled_from(KINDS), st.binary(max_size=300))
def test_any_bytes_are_read_or_named(kind: str, payload: bytes) -> None:
    with suppress(UndecodableError):  # and nothing else
        read(kind, payload)


@given(st.sampled_from(KINDS), JSON)
def test_any_json_is_read_or_named(kind: str, value: Any) -> None:
    with suppress(UndecodableError):
        read(kind, json.dumps(value).encode())


@given(st.text(max_size=80))
def test_any_topic_is_read_or_named(topic: str) -> None:
    with pytest.raises(UndecodableError):
        decode(topic, b"{}", 2)


@given(
    st.sampled_from(
        ["seq", "first", "up_ms", "dur_ms", "span_ms", "end_ms", "clock", "state", "mean", "total"]
    ),
    JSON,
)
def test_a_record_with_one_field_spoiled_spoils_only_itself(name: str, value: Any) -> None:
    base: dict[str, Any] = {
        "seq": SEQ_PER_BOOT + 1, "first": SEQ_PER_BOOT + 1, "up_ms": 10, "dur_ms": 10, "span_ms": 10, "end_ms": None,
        "clock": "none", "state": "turning", "mean": {}, "min": {}, "max": {}, "total": {},
    }  # fmt: skip
    payload = json.dumps(packed.message("0" * 16, 0, [base, base])).encode()
    whole = json.loads(payload)
    whole["records"][0][name] = value
    got = read("record", json.dumps(whole).encode())
    assert isinstance(got, Sent)
    assert isinstance(got.records[0], (Record, BadRecord))
    assert isinstance(got.records[1], Record)


@pytest.mark.parametrize("spoiled", [b"NaN", b"Infinity", b"-Infinity", b'"\xff\xfe"', b"1e999"])
def test_not_a_number_and_bad_text_refuse_one_record_by_its_number(make: Any, spoiled: bytes) -> None:
    payload = sent(make, make.record(1, mean={"battery_v": "HERE"}), make.record(2))
    got = read("record", payload.replace(b'"HERE"', spoiled))
    assert isinstance(got, Sent)
    bad, good = got.records
    assert isinstance(bad, BadRecord)
    assert (bad.seq, bad.first) == (SEQ_PER_BOOT + 1, SEQ_PER_BOOT + 1)
    assert isinstance(good, Record)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"up_ms": -1}, "Expected `int` >= 0 - at `$.up_ms`"),
        ({"total": {"charge_mwh": 1.5}}, "Expected `int`, got `float` - at `$.total.charge_mwh`"),
        ({"state": "flying"}, "Invalid enum value 'flying' - at `$.state`"),
        ({"mean": {"battery_v": "12.5"}}, "Expected `float | null`, got `str` - at `$.mean.battery_v`"),
    ],
)
def test_what_is_wrong_is_named(make: Any, changed: dict[str, Any], words: str) -> None:
    got = read("record", sent(make, make.record(1, **changed)))
    assert got.records[0].reason == f"record: {words}"


def test_a_record_without_a_legible_number_says_so(make: Any) -> None:
    (bad,) = read("record", sent(make, {"seq": True, "first": "7"})).records
    assert (bad.seq, bad.first) == (None, None)


def test_a_message_that_is_too_long_is_refused(make: Any) -> None:
    with pytest.raises(UndecodableError, match="1000000 bytes are more than the 16384"):
        decode(TOPIC + "record", b"x" * MOST_BYTES, 1_000_000)


def test_deep_nesting_is_refused() -> None:
    for payload in (b"[" * 16_000, b'{"journal":' * 1400, b'{"records":[' + b"[" * 12_000):
        with pytest.raises(UndecodableError):
            read("record", payload)


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("wheelpit/2/site/wheel/live", "speaks version 2; this host speaks 1"),
        ("wheelpit/1/site/WHEEL/live", "use|take 1 to 32 of the characters"),
        ("wheelpit/1/site/host/live", "'host' is no node's id"),
        ("wheelpit/1/site/wheel/order", "does not speak of 'order'"),
    ],
)
def test_a_wrong_topic_is_named(topic: str, words: str) -> None:
    with pytest.raises(UndecodableError, match=words):
        decode(topic, b"{}", 2)


def test_a_record_with_too_many_or_too_few_values_is_refused_alone_and_kept_with_its_names(make: Any) -> None:
    whole = json.loads(sent(make, make.record(1), make.record(2), make.record(3)))
    whole["records"][0]["mean"].append(1.0)
    whole["records"][1]["total"].pop()
    got = read("record", json.dumps(whole).encode())
    long, short, good = got.records
    assert long.reason == "record: 5 values for 4 names - at `$.mean`"
    assert short.reason == "record: 2 values for 3 names - at `$.total`"
    assert (short.seq, good.mean["battery_v"]) == (SEQ_PER_BOOT + 2, 13.5)
    kept = json.loads(long.raw)
    assert (kept["channels"], kept["records"]) == (whole["channels"], whole["records"][:1])


def test_a_record_of_totals_alone_has_no_values(make: Any) -> None:
    whole = json.loads(sent(make, make.record(1)))
    for part in ("mean", "min", "max"):
        whole["records"][0][part] = []
    (got,) = read("record", json.dumps(whole).encode()).records
    assert (got.mean, got.min, got.max) == ({}, {}, {})
    assert got.total == make.record(1)["total"]


@pytest.mark.parametrize("part", ["channels", "totals"])
def test_a_message_that_names_something_twice_is_refused(make: Any, part: str) -> None:
    whole = json.loads(sent(make, make.record(1)))
    whole[part][1] = whole[part][0]
    with pytest.raises(UndecodableError, match="named twice"):
        read("record", json.dumps(whole).encode())
