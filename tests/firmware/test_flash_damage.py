"""The journal on flash that is damaged, full, foreign, or takes nothing at all."""

from __future__ import annotations

import importlib
from typing import Any

import pytest
from flash_bench import MemoryFiles, chance_of, flash_files, flash_pack, flash_segment, held
from flash_node import BOOT, FlashNode

journal_module: Any = importlib.import_module("node.journal")


def test_f26_a_wiped_file_system_begins_another_journal() -> None:
    node = FlashNode()
    node.record(20)
    first = node.journal.id
    node.files.files.clear()
    node.start()
    assert (node.journal.boot, node.journal.held) == (1, 0)
    assert node.journal.id != first


@pytest.mark.parametrize("head", [None, b"", b"wpj1 but something else after it"])
def test_f26_without_its_head_the_journal_goes_on_by_its_segments(head: bytes | None) -> None:
    node = FlashNode()
    node.record(200)
    first, count = node.journal.id, node.journal.held
    node.journal.flush()
    del node.files.files["head"]
    if head is not None:
        node.files.files["head"] = head
    node.start()
    assert (node.journal.id, node.journal.boot, node.journal.held) == (first, 2, count)
    assert node.said == ["the head of the journal is gone; its segments say who it is"]


@pytest.mark.parametrize(
    "at", [4, 11, 12, 15]
)  # first and last byte of the journal's id, of the boot's number
def test_f26_a_head_with_one_wrong_byte_is_not_believed(at: int) -> None:
    node = FlashNode()
    node.record(200)
    first, count = node.journal.id, node.journal.held
    node.journal.flush()
    node.files.files["head"] = flipped(node.files.files["head"], at)
    node.start()
    assert (node.journal.id, node.journal.boot, node.journal.held) == (first, 2, count)
    assert node.said == ["the head of the journal is gone; its segments say who it is"]


def test_f26_a_complete_segment_with_one_wrong_byte_loses_that_record_and_says_so() -> None:
    node = FlashNode()
    node.record(250)
    node.journal.flush()
    before = [rec.n for rec in held(node.journal)]
    name = node.segments()[1]
    assert node.files.files[name][-33:-29] == b"wpse"  # it is sealed
    node.files.files[name] = flipped(node.files.files[name], 2000)
    node.start()
    assert (node.journal.bad, node.journal.held) == (1, len(before) - 1)
    assert node.said == ["1 damaged places in the journal were passed over"]
    after = [rec.n for rec in held(node.journal)]
    assert after == [n for n in before if n in after]
    assert len(after) == len(before) - 1


def flipped(data: bytes, at: int) -> bytes:
    """Return the same bytes but for one bit of one of them."""
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def test_f26_a_flash_that_takes_not_even_the_head_is_refused() -> None:
    files = MemoryFiles()
    files.broken = 28
    with pytest.raises(journal_module.JournalError, match="no journal can be kept in memory"):
        FlashNode(files=files)
    with pytest.raises(journal_module.JournalError, match="at least 40"):
        FlashNode(kib=39)


def test_f26_foreign_and_damaged_files_are_left_alone_and_told() -> None:
    other, node = FlashNode(files=MemoryFiles(chance_of(9))), FlashNode()
    other.plant.chance.seed(99)
    other.files.files.clear()
    other.start()
    other.record(100)
    node.record(100)
    node.journal.flush()
    count = node.journal.held
    strange = {
        "notes.txt": b"buy grease",
        "00000077.seg": b"\xff" * 4096,
        "00000078.seg": b"",  # begun when power was cut
        "0000zz79.seg": b"x",
        "00000080.seg": other.files.files[other.segments()[0]],
        "00000081.seg": other.files.files[other.segments()[0]],
    }
    node.files.files.update(strange)
    node.start()
    assert node.journal.held == count
    assert [rec.n for rec in held(node.journal)] == list(range(1, count + 1))
    assert node.said == [
        "notes.txt and 1 more is not of this journal and is left alone",
        "00000081.seg and 2 more cannot be read",
    ]
    node.record(1)
    assert set(strange) - set(node.files.files) == {"00000078.seg"}
    node.start()
    node.record(1)
    assert node.journal.newest == 3 * BOOT + 1


def test_f26_of_segments_that_overlap_nothing_is_held_twice() -> None:
    # As two faults at once may leave them: a power cut in a fold, and damage to what was folded before. One segment
    # has the records 1 to 12 as they were cut; another, coarser one has 10 to 15 as one record and 16 to 21 as one.
    fine = [(n, n) for n in range(1, 13)]
    over_the_edge, beyond = (10, 15), (16, 21)
    node = FlashNode()
    node.record(12)
    node.journal.flush()
    (name,) = node.segments()
    coarse = flash_segment.Segment()
    coarse.start(bytes.fromhex(node.journal.id), serial := 9, 1, 0)
    shape = flash_pack.shape_of(node.plant.layout.channel_mask, node.plant.layout.total_mask)
    for first, last in (over_the_edge, beyond):
        rec = node.plant.record(60_000)
        rec.first, rec.n = first, last
        assert coarse.add(rec, shape)
    node.files.files[f"{serial:08x}.seg"] = bytes(coarse.buffer[: coarse.used])
    node.start()
    # Of the record that lies on both only the fine part is held: its joules are in the totals of the next one.
    assert [(rec.first, rec.n) for rec in held(node.journal)] == [*fine, beyond]
    assert name in node.files.files


def test_f26_damage_found_while_it_runs_costs_what_is_damaged() -> None:
    node = FlashNode()
    node.record(250)
    assert node.journal._index.count == 3
    name = node.segments()[1]
    node.files.files[name] = flipped(node.files.files[name], 2000)
    found = held(node.journal)
    assert len(found) == 249 == node.journal.held
    assert node.journal.bad == 1
    node.files.files[node.segments()[0]] = b""
    del node.files.files[node.segments()[2]]
    node.journal._view.load(0)
    assert {rec.n for rec in held(node.journal)} < {rec.n for rec in found}
    node.record(400)
    assert held(node.journal)[-1].n == 650


def test_f26_a_full_file_system_is_survived_and_told() -> None:
    node = FlashNode()
    node.record(100)
    node.files.free = len(node.files.files) + 3  # others have filled it
    node.record(200)
    assert node.journal.failures > 0
    assert "No space left" in node.said[-1] or "28" in node.said[-1]
    assert held(node.journal)[-1].n == 300
    assert len(node.files.files) <= 4 + node.journal._index.count
    node.files.free = None
    node.record(60)
    node.journal.flush()
    node.start()
    assert held(node.journal)[-1].n >= 355


@pytest.mark.parametrize("error", [5, 28])
def test_f26_with_dead_flash_records_get_coarse_in_memory(error: int) -> None:
    node = FlashNode()
    node.record(130)
    node.files.broken = error
    node.record(2000)
    found = held(node.journal)
    assert found[-1].n == 2130
    assert node.journal.lost == 0
    assert max(rec.span_ms for rec in found) == 900_000
    node.files.broken = 0
    node.now[0] += 600_000
    node.record(1)
    node.journal.flush()
    node.start()
    again = held(node.journal)
    assert [rec.n for rec in again] == [*[rec.n for rec in found], 2131][: len(again)]
    assert again[-1].n == 2131


def test_f26_a_folder_wiped_while_it_runs_is_filled_again() -> None:
    node = FlashNode()
    node.record(100)
    node.files.files.clear()
    node.record(100)
    node.journal.flush()
    first = node.journal.id
    node.start()
    assert (node.journal.id, node.journal.boot) == (first, 2)
    assert held(node.journal)[-1].n == 200


@pytest.mark.parametrize(("told", "free"), [(33, 33), (0, 0), (4_294_967_294, 0)])
def test_f26_a_count_of_free_blocks_below_zero_is_none(
    told: int, free: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Seen on MicroPython's littlefs when it was full: os.statvfs gave 2^32 - 2 free blocks of 40.
    monkeypatch.setattr(flash_files, "_statvfs", lambda path: (4096, 4096, 40, told, told, 0, 0, 0, 0, 255))
    assert flash_files.Folder("/flash").free_blocks() == free
