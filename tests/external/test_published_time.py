"""Dates of the network time protocol, against the table in its standard."""

from __future__ import annotations

import datetime as dt
import struct
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

_FIRMWARE = str(Path(__file__).resolve().parents[2] / "firmware")
_SHIMS = str(Path(_FIRMWARE) / "sim" / "cpython")


@pytest.fixture(scope="module")
def sntp() -> Any:
    for folder in (_SHIMS, _FIRMWARE):
        if folder not in sys.path:
            sys.path.insert(0, folder)
    return import_module("node.sntp")


@pytest.mark.source(
    "RFC 5905, figure 4, 'Interesting Historic NTP Dates': 1 Jan 1970 is 2,208,988,800 in era 0; 8 Feb 2036 is 63,104 in era 1"
)
@pytest.mark.parametrize(
    ("stamp", "day"),
    [
        (63_104, dt.datetime(2036, 2, 8, tzinfo=dt.UTC)),  # the era has changed
        (2_208_988_800 + 20_819 * 86_400, dt.datetime(2027, 1, 1, tzinfo=dt.UTC)),  # days by the calendar
    ],
)
def test_the_time_of_a_stamp(sntp: Any, stamp: int, day: dt.datetime) -> None:
    answer = bytearray(48)
    answer[0], answer[1] = 0x24, 1
    answer[40:44] = struct.pack("!I", stamp)
    assert sntp.unix_ms(bytes(answer), bytes(8)) == round(day.timestamp() * 1000)
