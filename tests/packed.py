"""Records by name, as tests write them down, packed as they cross the wire: names once a message, values in lines."""

from __future__ import annotations

from typing import Any, Final

_VALUES: Final = ("mean", "min", "max")


def message(journal: str, after: int, records: list[dict[str, Any]]) -> dict[str, Any]:
    """Return a message of records; a part of a record that is no dict stays as it is, for tests of damaged ones.

    Raises:
        KeyError: two records count different totals: they belong into two messages.

    """
    channels = _names(records, *_VALUES)
    totals = _names(records, "total")
    lines = [_line(record, channels, totals) for record in records]
    return {"journal": journal, "after": after, "channels": channels, "totals": totals, "records": lines}


def _names(records: list[dict[str, Any]], *parts: str) -> list[str]:
    """Return the names of all records in the order in which they come first."""
    found = [record.get(part) for record in records for part in parts]
    return [*dict.fromkeys(name for part in found if isinstance(part, dict) for name in part)]


def _line(record: dict[str, Any], channels: list[str], totals: list[str]) -> dict[str, Any]:
    packed = dict(record)
    for part in _VALUES:
        if isinstance(record.get(part), dict):
            packed[part] = [record[part].get(name) for name in channels] if record[part] else []
    if isinstance(record.get("total"), dict):
        packed["total"] = [record["total"][name] for name in totals]
    return packed
