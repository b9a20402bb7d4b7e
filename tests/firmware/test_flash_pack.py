"""Records as bytes: what goes in comes out, what is damaged is not believed, and how long they are."""

from __future__ import annotations

import binascii
import subprocess
from typing import Any, Final

import pytest
from flash_bench import FOUR, TWELVE, Plant, chance_of, flash_pack, flash_segment, names, records, same
from hypothesis import given, settings
from hypothesis import strategies as st
from interpreters import BOTH, ON_BOARD, command

JOURNAL: Final = b"8 bytes."
_SIGNED: Final = st.integers(-(1 << 31), 1 << 31)
_COUNT: Final = st.integers(0, 1 << 45)


@BOTH
def test_the_crc_of_each_interpreter_gives_the_published_check_value(interpreter: str) -> None:
    # CRC-32 of "123456789" is CBF43926: catalogue of parametrised CRC algorithms (G. Cook), CRC-32/ISO-HDLC, the
    # one of ISO 3309 and ITU-T V.42.
    assert binascii.crc32(b"123456789") == 0xCBF43926
    arguments, environment = command(interpreter, ON_BOARD / "crc_probe.py")
    found = subprocess.run(arguments, env=environment, capture_output=True, text=True, check=True)
    assert found.stdout.split() == ["cbf43926", "cbf43926"]


def segment() -> Any:
    fresh = flash_segment.Segment()
    fresh.start(JOURNAL, 7, 0, 0)
    return fresh


def reloaded(written: Any) -> Any:
    read = flash_segment.Segment()
    read.buffer[:] = written.buffer
    assert read.load(written.used)
    return read


@st.composite
def layouts(draw: st.DrawFn) -> Any:
    some = draw(st.lists(st.sampled_from(names.CHANNELS), unique=True, min_size=1))
    return names.layout_of(some)


@st.composite
def rows(draw: st.DrawFn) -> list[tuple[Any, Any]]:
    """Return records as they may follow each other: any values, several boots, a layout for each."""
    found = []
    boot = draw(st.integers(1, 1 << 20))
    for _ in range(draw(st.integers(1, 3))):
        boot += draw(st.integers(1, 3))
        layout = draw(layouts())
        n = up_ms = 0
        total = [draw(_COUNT) for _ in layout.totals]
        for _ in range(draw(st.integers(1, 5))):
            first = n + draw(st.integers(1, 100))
            n = first + draw(st.integers(0, 100))
            span_ms = draw(st.integers(1, 1 << 31))
            up_ms += span_ms
            total = [value + draw(st.integers(0, 1 << 24)) for value in total]
            mean = [draw(st.none() | _SIGNED) for _ in layout.channels]
            least = [None if value is None else value - draw(st.integers(0, 1 << 20)) for value in mean]
            most = [None if value is None else value + draw(st.integers(0, 1 << 20)) for value in mean]
            faults = [
                draw(st.none() | st.sampled_from(names.FAULTS)) if value is None else None for value in mean
            ]
            dated = draw(st.none() | st.integers(0, 1 << 42))
            rec = records.Rec(
                n, first, boot, up_ms, draw(st.integers(0, span_ms)), span_ms, dated,
                draw(st.sampled_from(names.CLOCKS)), draw(st.sampled_from(names.STATES)),
                mean, least, most, total, faults,
            )  # fmt: skip
            found.append((rec, layout))
    return found


@settings(max_examples=40, deadline=None)
@given(rows())
def test_what_is_written_is_read_back_in_any_order(some: list[tuple[Any, Any]]) -> None:
    written = segment()
    kept = []
    for rec, layout in some:
        if written.add(rec, flash_pack.shape_of(layout.channel_mask, layout.total_mask)):
            kept.append((rec, layout))
    for view in (written, reloaded(written)):
        assert view.count == len(kept) > 0
        assert not view.bad
        for i in chance_of(len(kept)).sample(range(len(kept)), len(kept)):
            rec = view.read(i)
            assert same(rec, kept[i][0])
            assert rec.layout.channels == kept[i][1].channels
            assert rec.layout.totals == kept[i][1].totals


@settings(max_examples=40, deadline=None)
@given(rows(), st.data())
def test_a_damaged_byte_costs_records_but_changes_none(
    some: list[tuple[Any, Any]], data: st.DataObject
) -> None:
    written = segment()
    kept = {}
    for rec, layout in some:
        if written.add(rec, flash_pack.shape_of(layout.channel_mask, layout.total_mask)):
            kept[rec.boot, rec.n] = rec
    at = data.draw(st.integers(0, written.used - 1))
    written.buffer[at] ^= data.draw(st.integers(1, 255))
    read = flash_segment.Segment()
    read.buffer[:] = written.buffer
    if not read.load(written.used):
        assert at < flash_segment.HEAD_BYTES
        return
    assert read.bad == 1
    assert read.count < len(kept)
    for i in range(read.count):
        rec = read.read(i)
        assert same(rec, kept[rec.boot, rec.n])


def test_a_damaged_record_costs_only_itself() -> None:
    plant = Plant()
    shape = flash_pack.shape_of(plant.layout.channel_mask, plant.layout.total_mask)
    written = segment()
    while written.add(plant.record(), shape):
        pass
    written.buffer[written._offsets[30] + 5] ^= 16
    read = reloaded(written)
    assert read.count == written.count - 1
    assert [rec.n for rec in map(read.read, range(read.count))] == [
        n for n in range(1, written.count + 1) if n != 31
    ]


def test_records_behind_a_damaged_key_record_are_not_told_against_the_one_before() -> None:
    plant = Plant()
    shape = flash_pack.shape_of(plant.layout.channel_mask, plant.layout.total_mask)
    written = segment()
    for boot in (1, 2):
        plant.start(boot)
        for _ in range(5):
            assert written.add(plant.record(), shape)
    written.buffer[written._offsets[5] + 9] ^= 1
    read = reloaded(written)
    assert [read.seqs[i] // names.SEQ_PER_BOOT for i in range(read.count)] == [1] * 5


@settings(deadline=None)
@given(st.binary(max_size=600), st.integers(0, 600))
def test_garbage_is_never_taken_for_a_record(garbage: bytes, used: int) -> None:
    view = segment()
    view.buffer[flash_segment.HEAD_BYTES : flash_segment.HEAD_BYTES + len(garbage)] = garbage
    assert view.load(flash_segment.HEAD_BYTES + min(used, len(garbage)))
    assert view.count == 0


def test_a_record_that_does_not_fit_changes_nothing() -> None:
    plant = Plant(TWELVE)
    shape = flash_pack.shape_of(plant.layout.channel_mask, plant.layout.total_mask)
    written = segment()
    while written.add(plant.record(), shape):
        used, count = written.used, written.count
    assert (written.used, written.count) == (used, count)
    assert reloaded(written).count == count


@pytest.mark.parametrize(("channels", "most"), [(FOUR, 80), (TWELVE, 136)])
@pytest.mark.parametrize("span_ms", [10_000, 60_000, 300_000, 900_000])
def test_f26_records_are_small(channels: tuple[str, ...], most: int, span_ms: int) -> None:
    plant = Plant(channels, span_ms=span_ms)
    for _ in range(3000):  # a boot that has run for a while: totals are large
        plant.record()
    shape = flash_pack.shape_of(plant.layout.channel_mask, plant.layout.total_mask)
    written = segment()
    while written.add(plant.record(), shape):
        pass
    assert written.used / written.count <= most
