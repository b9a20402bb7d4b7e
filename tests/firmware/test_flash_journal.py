"""The journal in flash: what it offers, when it writes, and what it still knows after a boot."""

from __future__ import annotations

import asyncio
import importlib
from typing import TYPE_CHECKING, Any

import pytest
from flash_bench import FOUR, TWELVE, MemoryFiles, chance_of, flash_files, held, names, same, work
from flash_node import BOOT, FlashNode

if TYPE_CHECKING:
    from pathlib import Path

journal_module: Any = importlib.import_module("node.journal")


def test_it_offers_what_the_journal_in_memory_offers() -> None:
    node = FlashNode(channels=TWELVE)
    memory = journal_module.RamJournal(node.plant.layout, node.plant.chance.randbytes, 1 << 20)
    for _ in range(100):
        rec = node.plant.record()
        node.journal.append(rec)
        memory.append(rec)
    for journal in (node.journal, memory):
        assert (journal.boot, journal.held, journal.lost, journal.upto) == (1, 100, 0, 0)
        assert (journal.oldest, journal.newest, journal.top) == (BOOT + 1, BOOT + 100, BOOT + 100)
        assert len(journal.id) == 16
        assert journal.capacity > 100
        assert (journal.next(0), journal.next(BOOT + 50), journal.next(BOOT + 100)) == (
            BOOT + 1,
            BOOT + 51,
            0,
        )
        assert (journal.before(BOOT + 1), journal.before(BOOT + 51), journal.before(1 << 50)) == (
            0, BOOT + 50, BOOT + 100,
        )  # fmt: skip
        journal.receipted(BOOT + 7)
        assert journal.upto == BOOT + 7
        for seq in (0, BOOT, BOOT + 101):
            with pytest.raises(journal_module.JournalError):
                journal.read(seq)
        with pytest.raises(journal_module.JournalError):
            journal.append(rec)
    assert all(same(a, b) for a, b in zip(held(node.journal), held(memory), strict=True))


def test_the_id_stays_and_the_boot_rises() -> None:
    node = FlashNode()
    first = node.journal.id
    boots = [node.journal.boot]
    for _ in range(3):
        node.start()  # even when no record was made
        boots.append(node.journal.boot)
    assert boots == [1, 2, 3, 4]
    assert node.journal.id == first
    assert FlashNode(files=MemoryFiles(chance_of(5))).journal.boot == 1


def test_a_record_without_a_receipt_is_in_flash_within_a_minute_whatever_the_link_says() -> None:
    node = FlashNode()
    node.record(6)  # the first has waited for 50 s
    assert not node.segments()
    node.record(1)  # it has waited for 60 s: all of them are written
    assert len(node.segments()) == 1
    node.start()
    assert [rec.n for rec in held(node.journal)] == [1, 2, 3, 4, 5, 6, 7]


def test_what_the_host_has_is_written_only_with_a_full_segment() -> None:
    node = FlashNode()
    operations = node.files.operations
    while node.journal._index.count == 0:
        node.record()
        node.journal.receipted(node.journal.top)
    assert node.files.operations == operations + 2  # made, written
    assert node.journal.held > 50


def test_without_records_nothing_is_written() -> None:
    node = FlashNode()
    operations = node.files.operations
    work(node.journal)
    node.journal.flush()
    assert node.files.operations == operations
    while not node.journal._index.count:
        node.record()
    assert node.journal._tail.count == 0
    operations = node.files.operations
    node.journal.flush()
    assert node.files.operations == operations
    node.start()
    assert node.journal.held == node.journal._index.held > 0
    assert not node.said


def test_a_receipt_that_goes_back_makes_records_wait_again() -> None:
    node = FlashNode()
    node.record(20, working=False)
    node.journal.receipted(node.journal.top)
    work(node.journal)
    assert not node.segments()
    node.journal.receipted(0)
    work(node.journal)
    assert len(node.segments()) == 1


def test_records_are_kept_also_when_nobody_does_the_work() -> None:
    node = FlashNode()
    node.record(300, working=False)
    assert node.journal.held == 300
    node.journal.flush()
    node.start()
    assert [rec.n for rec in held(node.journal)] == list(range(1, 301))


def test_keep_does_the_work_and_shows_that_it_lives() -> None:
    node = FlashNode()
    beats = 0

    def beat() -> None:
        nonlocal beats
        beats += 1

    async def live() -> None:
        keeping = asyncio.create_task(node.journal.keep(beat))
        node.record(7, working=False)
        while not node.segments() or node.journal._waiting:  # noqa: ASYNC110 - files tell nobody
            await asyncio.sleep(0.001)
        keeping.cancel()

    asyncio.run(asyncio.wait_for(live(), 20))
    assert beats >= 3
    node.start()
    assert node.journal.held == 7


def test_records_of_an_earlier_boot_keep_their_own_layout() -> None:
    node = FlashNode(channels=FOUR)
    node.record(3)
    node.journal.flush()
    before = node.plant.total[:]
    node.plant.layout = names.layout_of(list(TWELVE))
    node.start()
    node.record(3)
    found = held(node.journal)
    assert [rec.layout.channels for rec in found[2:4]] == [
        names.layout_of(list(FOUR)).channels, names.layout_of(list(TWELVE)).channels,
    ]  # fmt: skip
    assert found[2].total == before
    assert len(found[3].total) == 25


def test_files_of_a_folder(tmp_path: Path) -> None:
    folder = flash_files.Folder(str(tmp_path / "journal"))
    folder.make()
    folder.make()
    data = bytearray(b"0123456789")
    for begin, end in ((0, 4), (4, 10)):
        # Opened, written, closed: others get their turn in between.
        assert len(list(folder.write("a", data, begin, end))) == 2
    folder.replace("head", b"one")
    folder.replace("head", b"two")
    assert sorted(folder.names()) == ["a", "head"]
    buffer = bytearray(16)
    assert folder.read_into("a", buffer) == 10
    assert buffer[:10] == data
    assert folder.read_into("head", buffer) == 3
    assert (folder.free_blocks() or 0) > 0
    folder.remove("a")
    folder.remove("a")
    assert folder.names() == ["head"]
    with pytest.raises(OSError, match="No such file"):
        list(folder.write("b", data, 4, 10))


def test_a_journal_in_a_folder_outlives_its_process(tmp_path: Path) -> None:
    node = FlashNode(files=flash_files.Folder(str(tmp_path)))
    node.record(500)
    assert node.journal._index.count > 5
    waiting = len(node.journal._waiting)
    node.start()
    assert [rec.n for rec in held(node.journal)] == list(range(1, 501 - waiting))
