"""The contract as documents: a JSON Schema of each message and an AsyncAPI 3 description of the topics.

`python -m wheelpit.contract.documents` writes them beside this file; a test fails while they are not current.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final, NamedTuple

import msgspec

from wheelpit.contract import messages, topics
from wheelpit.contract.names import CHANNELS, TOTALS

FOLDER: Final = Path(__file__).resolve().parent / "documents"
_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


class Spoken(NamedTuple):
    """One kind of message: who says it, on which topic, how."""

    kind: str
    by_node: bool
    message: type[msgspec.Struct]
    qos: int
    retained: bool


SPOKEN: Final = (
    Spoken("status", True, messages.Status, 1, True),  # noqa: FBT003 - a table
    Spoken("birth", True, messages.Birth, 1, True),  # noqa: FBT003
    Spoken("live", True, messages.Live, 0, False),  # noqa: FBT003
    Spoken("record", True, messages.Records, 1, False),  # noqa: FBT003
    Spoken("time-ask", True, messages.TimeAsk, 0, False),  # noqa: FBT003
    Spoken("settings-state", True, messages.SettingsState, 1, True),  # noqa: FBT003
    Spoken("order-state", True, messages.OrderState, 1, False),  # noqa: FBT003
    Spoken("settings", False, messages.Settings, 1, True),  # noqa: FBT003
    Spoken("order", False, messages.Order, 1, False),  # noqa: FBT003
    Spoken("receipt", False, messages.Receipt, 1, True),  # noqa: FBT003
    Spoken("time", False, messages.Time, 0, False),  # noqa: FBT003
    Spoken("host-status", False, messages.HostStatus, 1, True),  # noqa: FBT003
)


def json_schema(message: type[msgspec.Struct]) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of one message type, complete in itself."""
    types: list[type[msgspec.Struct]] = [message]
    if message is messages.Records:
        # The host decodes each record by itself, so that one bad record is refused alone.
        types.append(messages.RecordLine)
    schemas, definitions = msgspec.json.schema_components(types, ref_template="#/$defs/{name}")
    if message is messages.Records:
        definitions["Records"]["properties"]["records"]["items"] = schemas[1]
    # Descriptions come from the docstrings; only their first sentence belongs in a schema.
    for definition in definitions.values():
        if "description" in definition:
            definition["description"] = definition["description"].split("\n", 1)[0]
    return {"$schema": _DIALECT, **schemas[0], "$defs": definitions}


def _address(spoken: Spoken) -> str:
    if spoken.message is messages.HostStatus:
        return topics.host_status("{site}")
    return str(topics.Topic("{site}", "{node}", spoken.kind))


def async_api(version: str) -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of the whole contract, seen from the host."""
    parameters = {
        "site": {"description": "The plant's id: 1 to 32 of a-z, 0-9 and -."},
        "node": {"description": "The node's id: 1 to 32 of a-z, 0-9 and -; `host` is reserved."},
    }
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    for spoken in SPOKEN:
        name = spoken.message.__name__
        used = {key: value for key, value in parameters.items() if "{" + key + "}" in _address(spoken)}
        channels[spoken.kind] = {
            "address": _address(spoken),
            "parameters": used,
            "messages": {name: {"$ref": f"#/components/messages/{name}"}},
        }
        operations[f"{'take' if spoken.by_node else 'say'}-{spoken.kind}"] = {
            "action": "receive" if spoken.by_node else "send",
            "channel": {"$ref": f"#/channels/{spoken.kind}"},
            "summary": (spoken.message.__doc__ or "").split("\n", 1)[0],
            "bindings": {"mqtt": {"qos": spoken.qos, "retain": spoken.retained, "bindingVersion": "0.2.0"}},
        }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Wheelpit wire contract",
            "version": version,
            "description": (
                "Channels: "
                + ", ".join(f"{c.name} ({c.label}, {c.unit})" for c in CHANNELS.values())
                + ". Totals, counted since boot: "
                + ", ".join(f"{name} ({text})" for name, text in TOTALS.items())
                + "."
            ),
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {
            "messages": {
                spoken.message.__name__: {
                    "contentType": "application/json",
                    "payload": {
                        "schemaFormat": "application/schema+json;version=draft-2020-12",
                        "schema": {"$ref": f"./{spoken.kind}.schema.json"},
                    },
                }
                for spoken in SPOKEN
            }
        },
    }


def documents() -> dict[str, str]:
    """Return every document: file name -> text."""
    texts = {f"{s.kind}.schema.json": json_schema(s.message) for s in SPOKEN}
    texts["asyncapi.json"] = async_api(f"{topics.MAJOR}.0.0")
    return {name: json.dumps(body, indent=2, ensure_ascii=False) + "\n" for name, body in texts.items()}


def write() -> None:
    """Write every document into its folder and remove what is no longer made."""
    FOLDER.mkdir(exist_ok=True)
    made = documents()
    for old in FOLDER.glob("*.json"):
        if old.name not in made:
            old.unlink()
    for name, text in made.items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
