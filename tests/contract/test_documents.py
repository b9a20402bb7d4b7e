"""The contract's documents are current, are valid by their own standards, and speak of every name."""

from __future__ import annotations

import json

import jsonschema
import msgspec
import pytest

from wheelpit.contract import documents, messages
from wheelpit.contract.names import CHANNELS, PAIRS, TOTALS

JOURNAL = "00112233445566ff"
NAMES = {"channels": ["wheel_rpm", "battery_v"], "totals": ["wheel_mrev"]}


@pytest.mark.parametrize("name", sorted(documents.documents()))
def test_each_committed_document_is_current(name: str) -> None:
    kept = (documents.FOLDER / name).read_text(encoding="utf-8")
    assert kept == documents.documents()[name], "run: python -m wheelpit.contract.documents"


def test_nothing_else_lies_beside_them() -> None:
    assert {path.name for path in documents.FOLDER.iterdir()} == set(documents.documents())


@pytest.mark.parametrize("spoken", documents.SPOKEN, ids=lambda spoken: spoken.kind)
def test_each_schema_is_a_valid_schema(spoken: documents.Spoken) -> None:
    jsonschema.Draft202012Validator.check_schema(documents.json_schema(spoken.message))


def test_every_reference_of_the_asyncapi_document_leads_somewhere() -> None:
    text = documents.documents()["asyncapi.json"]
    body = json.loads(text)

    def references(part: object) -> list[str]:
        if isinstance(part, dict):
            own = [part["$ref"]] if isinstance(part.get("$ref"), str) else []
            return own + [r for value in part.values() for r in references(value)]
        if isinstance(part, list):
            return [r for value in part for r in references(value)]
        return []

    found = references(body)
    assert len(found) >= 3 * len(documents.SPOKEN)
    for reference in found:
        if reference.startswith("./"):
            assert (documents.FOLDER / reference).is_file()
            continue
        at: object = body
        for step in reference.removeprefix("#/").split("/"):
            assert isinstance(at, dict)
            at = at[step]


def test_the_asyncapi_document_names_every_channel_and_total() -> None:
    text = documents.async_api("1.0.0")["info"]["description"]
    for name in [*CHANNELS, *TOTALS]:
        assert f"{name} (" in text


def record(**changes: object) -> dict[str, object]:
    body: dict[str, object] = {
        "seq": (1 << 24) + 7, "first": (1 << 24) + 7, "up_ms": 70_000, "dur_ms": 10_000, "span_ms": 10_000,
        "end_ms": 1_767_225_600_000, "clock": "host", "state": "turning",
        "mean": [10.4, None], "min": [10.1, None], "max": [10.7, None], "total": [12_133], "faults": {"battery_v": "bus"},
    }  # fmt: skip
    return body | changes


def schema_accepts(message: type[msgspec.Struct], body: object) -> bool:
    return jsonschema.Draft202012Validator(documents.json_schema(message)).is_valid(body)


def decoder_accepts(body: dict[str, object]) -> bool:
    try:
        outer = msgspec.json.decode(msgspec.json.encode(body), type=messages.Records)
        for raw in outer.records:
            msgspec.json.decode(raw, type=messages.RecordLine)
    except msgspec.ValidationError:
        return False
    return True


@pytest.mark.parametrize(
    ("changes", "good"),
    [
        ({}, True),
        ({"end_ms": None, "clock": "none"}, True),
        ({"a field of a later version": 1}, True),
        ({"seq": -1}, False),
        ({"seq": 1.5}, False),
        ({"up_ms": 1 << 53}, False),
        ({"clock": "sundial"}, False),
        ({"total": [-1]}, False),
        ({"total": [1.5]}, False),
        ({"mean": ["10.4", None]}, False),
        ({"state": None}, False),
    ],
)
def test_schema_and_decoder_agree(changes: dict[str, object], good: bool) -> None:  # noqa: FBT001 - a table
    body: dict[str, object] = {"journal": JOURNAL, "after": 0, **NAMES, "records": [record(**changes)]}
    assert schema_accepts(messages.Records, body) is good
    assert decoder_accepts(body) is good


@pytest.mark.parametrize("journal", ["", "0011", "00112233445566FF", "00112233445566ff0"])
def test_a_journal_is_sixteen_hex_digits(journal: str) -> None:
    body: dict[str, object] = {"journal": journal, "after": 0, **NAMES, "records": [record()]}
    assert not schema_accepts(messages.Records, body)
    assert not decoder_accepts(body)


def test_every_pair_has_its_channels_and_its_totals() -> None:
    for pair, (volts, amperes) in PAIRS.items():
        assert volts in CHANNELS
        assert amperes in CHANNELS
        assert f"{pair}_valid_ms" in TOTALS
