"""The journal in flash against a simple model: whatever happens, what it holds is true, in order, and once."""

from __future__ import annotations

import asyncio
import importlib
from typing import TYPE_CHECKING, Any, Final

import pytest
from flash_bench import (
    FOUR,
    MIDNIGHT_MS,
    TWELVE,
    MemoryFiles,
    Plant,
    PowerCutError,
    chance_of,
    flash_files,
    flash_pack,
    flash_segment,
    held,
    make_blocks_small,
    names,
    open_journal,
    same,
    work,
)
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

if TYPE_CHECKING:
    from pathlib import Path

journal_module: Any = importlib.import_module("node.journal")

KIB: Final = 40
_BOOT: Final = names.SEQ_PER_BOOT


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    make_blocks_small(monkeypatch)


class History:
    """A node that lives through a history, and what must be true of its journal."""

    def __init__(self, kib: int, seed: int) -> None:
        self.kib = kib
        self.files = MemoryFiles(chance_of(seed))
        self.plant = Plant(seed=seed)
        self.now = [0]
        self.said: list[str] = []
        self.truth: dict[int, Any] = {}  # every record ever made, by seq
        self.flushed: set[int] = set()
        self.made: list[int] = []  # of this boot
        self.lost = 0  # before this boot
        self.damaged = False
        self.receipted = 0
        self.journal: Any = None
        self.start()

    def start(self) -> None:
        """Begin a boot; where power fails again while it starts, begin once more."""
        if self.journal is not None:
            self.lost += self.journal.lost
        while True:
            try:
                self.journal = open_journal(self.files, self.plant, self.kib, self.now, self.said)
            except PowerCutError:
                continue
            break
        self.made = []
        self.plant.start(self.journal.boot)

    def record(self, count: int, span_ms: int = 10_000) -> None:
        for _ in range(count):
            rec = self.plant.record(span_ms)
            self.now[0] += span_ms
            self.truth[self.journal.top + 1] = rec
            self.made.append(self.journal.top + 1)
            self.journal.append(rec)
            work(self.journal)
            self.note_flushed()

    def note_flushed(self) -> None:
        waiting = self.journal._waiting
        first = waiting[0][0] if waiting else self.journal.top + 1
        while self.made and self.made[0] < first:
            self.flushed.add(self.made.pop(0))
        if self.now[0] >= self.journal._pause_until_ms:  # else the flash has just failed
            for seq, at_ms in waiting:
                assert seq <= self.journal.upto or self.now[0] - at_ms < 60_000, (
                    "a power cut costs a minute at most"
                )

    def flush(self) -> None:
        self.journal.flush()
        self.note_flushed()

    def receipt(self, share: float) -> None:
        some = sorted(self.truth)
        if some:
            upto = some[int(share * (len(some) - 1))]
            self.receipted = max(upto, self.receipted)
            self.journal.receipted(upto)

    def cut(self, operations: int, count: int) -> None:
        """Cut power after so many operations of the flash, at most so many records on; then start again."""
        self.files.cut_in = operations
        try:
            self.record(count)
        except PowerCutError:
            event("power cut")
        self.files.cut_in = operations % 3 if operations > 30 else None  # and again while it starts
        self.start()
        self.files.cut_in = None

    def damage(self, share: float) -> None:
        """Change one byte of one file of records."""
        some = sorted(name for name in self.files.files if name.endswith(".seg") and self.files.files[name])
        if some:
            name = some[int(share * (len(some) - 1))]
            data = bytearray(self.files.files[name])
            data[self.files.chance.randrange(len(data))] ^= 1 << self.files.chance.randrange(8)
            self.files.files[name] = bytes(data)
            self.damaged = True

    def check(self) -> list[Any]:
        journal = self.journal
        found = held(journal)
        assert len(found) == journal.held
        spans = [(rec.boot * _BOOT + rec.first, rec.boot * _BOOT + rec.n) for rec in found]
        assert (journal.oldest, journal.newest) == ((spans[0][1], spans[-1][1]) if spans else (0, 0))
        last = 0
        for rec, (first, seq) in zip(found, spans, strict=True):
            assert last < first <= seq, "in order, and none twice"
            last = seq
            true = self.truth[seq]
            assert rec.total == true.total, (
                "totals count since boot: they are those of the newest record in it"
            )
            assert (rec.up_ms, rec.end_ms) == (true.up_ms, true.end_ms)
            if first == seq:
                assert same(rec, true)
            else:
                one = self.truth[first]
                if rec.end_ms is None:
                    assert rec.up_ms - rec.span_ms == one.up_ms - one.span_ms
                else:
                    assert rec.end_ms - rec.span_ms == one.end_ms - one.span_ms
        covered = {one for first, seq in spans for one in range(first, seq + 1)}
        assert covered <= set(self.truth)
        if not self.damaged:
            missing = self.flushed - covered
            assert all(spans and seq < spans[0][0] for seq in missing), (
                "only the oldest may have been given up"
            )
            if any(seq > self.receipted for seq in missing):
                assert journal.lost + self.lost > 0
        return found


def _history(data: st.DataObject, *, faults: bool) -> History:
    life = History(data.draw(st.sampled_from([4, 5, 6, 8, 16])), data.draw(st.integers(0, 1 << 16)))
    share = st.floats(0, 1)
    kinds = ["record", "record", "receipt", "reboot", "flush", "cut", "clock"]
    for _ in range(data.draw(st.integers(1, 12))):
        kind = data.draw(st.sampled_from([*kinds, "damage", "full"] if faults else kinds))
        if kind == "record":
            life.record(
                data.draw(st.integers(1, 150)),
                data.draw(st.sampled_from([10_000, 10_000, 1_000, 60_000, 900_000])),
            )
        elif kind == "receipt":
            life.receipt(data.draw(share))
        elif kind == "reboot":
            life.start()
        elif kind == "flush":
            life.flush()
        elif kind == "cut":
            life.cut(data.draw(st.integers(0, 40)), 60)
        elif kind == "clock":
            life.plant.anchor_ms = data.draw(
                st.none() | st.integers(0, 20_000).map(lambda ms: MIDNIGHT_MS - life.plant.up_ms + ms)
            )
        elif kind == "damage":
            life.damage(data.draw(share))
            life.start()
        else:
            life.files.broken = data.draw(st.sampled_from([5, 28]))
            life.record(data.draw(st.integers(1, 40)))
            life.files.broken = 0
        life.check()
    return life


# One by one -----------------------------------------------------------------------------------------------------


class Node:
    """A node with a journal on good flash, which works off what is due after every record."""

    def __init__(self, kib: int = KIB, channels: tuple[str, ...] = FOUR, files: Any = None) -> None:
        self.files = files or MemoryFiles()
        self.kib = kib
        self.plant = Plant(channels)
        self.now = [0]
        self.said: list[str] = []
        self.start()

    def start(self) -> None:
        self.journal = open_journal(self.files, self.plant, self.kib, self.now, self.said)
        self.plant.start(self.journal.boot)

    def record(self, count: int = 1, span_ms: int = 10_000, *, working: bool = True) -> None:
        for _ in range(count):
            self.now[0] += span_ms
            self.journal.append(self.plant.record(span_ms))
            if working:
                work(self.journal)

    def segments(self) -> list[str]:
        return sorted(name for name in self.files.files if name.endswith(".seg"))


def test_it_offers_what_the_journal_in_memory_offers() -> None:
    node = Node(channels=TWELVE)
    memory = journal_module.RamJournal(node.plant.layout, node.plant.chance.randbytes, 1 << 20)
    for _ in range(100):
        rec = node.plant.record()
        node.journal.append(rec)
        memory.append(rec)
    for journal in (node.journal, memory):
        assert (journal.boot, journal.held, journal.lost, journal.upto) == (1, 100, 0, 0)
        assert (journal.oldest, journal.newest, journal.top) == (_BOOT + 1, _BOOT + 100, _BOOT + 100)
        assert len(journal.id) == 16
        assert journal.capacity > 100
        assert (journal.next(0), journal.next(_BOOT + 50), journal.next(_BOOT + 100)) == (
            _BOOT + 1,
            _BOOT + 51,
            0,
        )
        assert (journal.before(_BOOT + 1), journal.before(_BOOT + 51), journal.before(1 << 50)) == (
            0, _BOOT + 50, _BOOT + 100,
        )  # fmt: skip
        journal.receipted(_BOOT + 7)
        assert journal.upto == _BOOT + 7
        for seq in (0, _BOOT, _BOOT + 101):
            with pytest.raises(journal_module.JournalError):
                journal.read(seq)
        with pytest.raises(journal_module.JournalError):
            journal.append(rec)
    assert all(same(a, b) for a, b in zip(held(node.journal), held(memory), strict=True))


def test_the_id_stays_and_the_boot_rises() -> None:
    node = Node()
    first = node.journal.id
    boots = [node.journal.boot]
    for _ in range(3):
        node.start()  # even when no record was made
        boots.append(node.journal.boot)
    assert boots == [1, 2, 3, 4]
    assert node.journal.id == first
    assert Node(files=MemoryFiles(chance_of(5))).journal.boot == 1


def test_f26_a_wiped_file_system_begins_another_journal() -> None:
    node = Node()
    node.record(20)
    first = node.journal.id
    node.files.files.clear()
    node.start()
    assert (node.journal.boot, node.journal.held) == (1, 0)
    assert node.journal.id != first


@pytest.mark.parametrize("head", [None, b"", b"wpj1 but something else after it"])
def test_f26_without_its_head_the_journal_goes_on_by_its_segments(head: bytes | None) -> None:
    node = Node()
    node.record(200)
    first, count = node.journal.id, node.journal.held
    node.journal.flush()
    del node.files.files["head"]
    if head is not None:
        node.files.files["head"] = head
    node.start()
    assert (node.journal.id, node.journal.boot, node.journal.held) == (first, 2, count)
    assert node.said == ["the head of the journal is gone; its segments say who it is"]


def test_f26_a_flash_that_takes_not_even_the_head_is_refused() -> None:
    files = MemoryFiles()
    files.broken = 28
    with pytest.raises(journal_module.JournalError, match="no journal can be kept in memory"):
        Node(files=files)
    with pytest.raises(journal_module.JournalError, match="at least 40"):
        Node(kib=39)


def test_f26_foreign_and_damaged_files_are_left_alone_and_told() -> None:
    other, node = Node(files=MemoryFiles(chance_of(9))), Node()
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
    assert node.journal.newest == 3 * _BOOT + 1


def test_f26_files_that_cannot_be_read_go_before_any_record_does() -> None:
    node = Node()
    node.files.files["00000077.seg"] = b"\xff" * 4096
    node.start()
    while "00000077.seg" in node.files.files:
        node.record()
    assert node.journal._index.count == node.journal._ring.most - 2
    assert all(rec.first == rec.n for rec in held(node.journal))


def test_f26_of_segments_that_overlap_nothing_is_held_twice() -> None:
    # As two faults at once may leave them: a power cut in a fold, and damage to what was folded before.
    node = Node()
    node.record(12)
    node.journal.flush()
    name = node.segments()[0]
    other = flash_segment.Segment()
    other.start(bytes.fromhex(node.journal.id), 9, 1, 0)
    shape = flash_pack.shape_of(node.plant.layout.channel_mask, node.plant.layout.total_mask)
    for first, n in ((10, 15), (16, 21)):
        rec = node.plant.record(60_000)
        rec.first, rec.n = first, n
        assert other.add(rec, shape)
    node.files.files["00000009.seg"] = bytes(other.buffer[: other.used])
    node.start()
    assert [(rec.first, rec.n) for rec in held(node.journal)] == [(n, n) for n in range(1, 13)] + [(16, 21)]
    assert name in node.files.files


def test_f26_damage_found_while_it_runs_costs_what_is_damaged() -> None:
    node = Node()
    node.record(250)
    assert node.journal._index.count == 3
    name = node.segments()[1]
    whole = node.files.files[name]
    node.files.files[name] = whole[:2000] + bytes([whole[2000] ^ 1]) + whole[2001:]
    found = held(node.journal)
    assert len(found) == 249 == node.journal.held
    assert node.journal.bad == 1
    node.files.files[node.segments()[0]] = b""
    del node.files.files[node.segments()[2]]
    node.journal._view.load(0)
    assert {rec.n for rec in held(node.journal)} < {rec.n for rec in found}
    node.record(400)
    assert held(node.journal)[-1].n == 650


def test_a_record_without_a_receipt_is_in_flash_within_a_minute_whatever_the_link_says() -> None:
    node = Node()
    node.record(5)
    assert not node.segments()
    node.record(2)
    assert len(node.segments()) == 1
    node.start()
    assert [rec.n for rec in held(node.journal)] == [1, 2, 3, 4, 5, 6, 7][: node.journal.held]
    assert node.journal.held >= 6


def test_what_the_host_has_is_written_only_with_a_full_segment() -> None:
    node = Node()
    operations = node.files.operations
    while node.journal._index.count == 0:
        node.record()
        node.journal.receipted(node.journal.top)
    assert node.files.operations == operations + 2  # made, written
    assert node.journal.held > 50


def test_without_records_nothing_is_written() -> None:
    node = Node()
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
    node = Node()
    node.record(20, working=False)
    node.journal.receipted(node.journal.top)
    work(node.journal)
    assert not node.segments()
    node.journal.receipted(0)
    work(node.journal)
    assert len(node.segments()) == 1


def test_f26_one_operation_on_the_flash_at_a_time() -> None:
    node = Node()
    most = 0
    for _ in range(1200):
        node.record(working=False)
        before = node.files.operations
        for _ in node.journal.work():
            most = max(most, node.files.operations - before)
            before = node.files.operations
    assert node.journal._index.grains[0] > 0, "it has folded"
    assert most == 1


def test_f26_a_minute_is_kept_also_while_it_folds() -> None:
    node = Node()
    while not node.journal._ring.short():
        node.record(working=False)
        for _ in node.journal._bring():
            pass
    node.journal._look_at_room = True
    steps = waited = 0
    for _ in node.journal.work():
        steps += 1
        if steps % 3 == 0:
            node.record(working=False)  # folding is slow: a record for every three steps of it
        waited = max(waited, *(node.now[0] - at_ms for _, at_ms in node.journal._waiting), 0)
    assert node.journal._index.grains[0] == 1, "it has folded"
    assert steps > 60
    assert waited <= 60_000


def test_records_are_kept_also_when_nobody_does_the_work() -> None:
    node = Node()
    node.record(300, working=False)
    assert node.journal.held == 300
    node.journal.flush()
    node.start()
    assert [rec.n for rec in held(node.journal)] == list(range(1, 301))


def test_keep_does_the_work_and_shows_that_it_lives() -> None:
    node = Node()
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


def test_old_records_get_coarse_and_young_ones_stay_fine() -> None:
    node = Node(kib=80)
    node.record(4 * 6 * 60 * 24)
    found = held(node.journal)
    spans = [rec.span_ms for rec in found]
    assert max(spans[: len(spans) // 2]) == 900_000
    assert spans[-20:] == [10_000] * 20
    assert found[0].first == 1
    assert node.journal.lost == 0
    grains = list(node.journal._index.grains[: node.journal._index.count])
    assert grains == sorted(grains, reverse=True)
    assert set(grains) == {0, 1, 2, 3}


def test_what_the_host_has_is_folded_before_what_it_has_not() -> None:
    node = Node()
    node.record(300)
    node.journal.receipted(_BOOT + 200)
    node.record(320)
    found = held(node.journal)
    assert found[0].first == 1, "a receipt frees nothing"
    assert max(rec.span_ms for rec in found if rec.n <= 200) > 10_000
    assert all(rec.span_ms == 10_000 for rec in found if rec.first > 200)


def test_when_nothing_folds_the_oldest_go_and_only_those_without_a_receipt_count_as_lost() -> None:
    node = Node()
    node.record(700, 900_000)
    node.journal.receipted(_BOOT + 400)
    before = node.journal.lost
    assert before == held(node.journal)[0].n - 1 > 0
    node.record(100, 900_000)
    assert before < held(node.journal)[0].n - 1 <= 400
    assert node.journal.lost == before, "the host has them"
    node.record(400, 900_000)
    assert node.journal.lost == before + held(node.journal)[0].n - 1 - 400


def test_after_a_boot_it_still_knows_what_the_host_had() -> None:
    node = Node()
    node.record(700, 900_000)
    node.journal.receipted(node.journal.newest)
    node.record(100, 900_000)
    node.journal.flush()
    node.start()
    assert node.journal.upto == 0, "the host may have another ledger now"
    node.record(200, 900_000)
    assert node.journal.lost == 0


def test_f26_brown_outs_do_not_wear_out_the_ring() -> None:
    node = Node(kib=424)
    for _ in range(300):
        node.record(2)
        node.journal.flush()
        node.start()
    assert node.journal.held == 600
    assert len(node.segments()) < 20
    assert [(rec.boot, rec.n) for rec in held(node.journal)] == [
        (b, n) for b in range(1, 301) for n in (1, 2)
    ]


def test_records_of_an_earlier_boot_keep_their_own_layout() -> None:
    node = Node(channels=FOUR)
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


def test_f26_a_full_file_system_is_survived_and_told() -> None:
    node = Node()
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


def test_f26_the_file_system_keeps_eight_free_blocks() -> None:
    node = Node(kib=424)
    node.files.free = 40
    least = 40
    for _ in range(4000):
        node.record()
        least = min(least, node.files.free_blocks() or 0)
    assert least >= 8
    assert (node.journal.lost, node.journal.failures) == (0, 0)
    assert held(node.journal)[0].first == 1


@pytest.mark.parametrize("error", [5, 28])
def test_f26_with_dead_flash_records_get_coarse_in_memory(error: int) -> None:
    node = Node()
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
    node = Node()
    node.record(100)
    node.files.files.clear()
    node.record(100)
    node.journal.flush()
    first = node.journal.id
    node.start()
    assert (node.journal.id, node.journal.boot) == (first, 2)
    assert held(node.journal)[-1].n == 200


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


@pytest.mark.parametrize(("told", "free"), [(33, 33), (0, 0), (4_294_967_294, 0)])
def test_f26_a_count_of_free_blocks_below_zero_is_none(
    told: int, free: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Seen on MicroPython's littlefs when it was full: os.statvfs gave 2^32 - 2 free blocks of 40.
    monkeypatch.setattr(flash_files, "_statvfs", lambda path: (4096, 4096, 40, told, told, 0, 0, 0, 0, 255))
    assert flash_files.Folder("/flash").free_blocks() == free


def test_a_journal_in_a_folder_outlives_its_process(tmp_path: Path) -> None:
    node = Node(files=flash_files.Folder(str(tmp_path)))
    node.record(500)
    assert node.journal._index.count > 5
    waiting = len(node.journal._waiting)
    node.start()
    assert [rec.n for rec in held(node.journal)] == list(range(1, 501 - waiting))


# Whole histories ------------------------------------------------------------------------------------------------


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.data())
def test_f26_no_history_of_power_cuts_loses_doubles_or_reorders_a_flushed_record(
    small_blocks: None, data: st.DataObject
) -> None:
    _history(data, faults=False)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.data())
def test_f26_no_history_of_damage_and_full_flash_makes_it_believe_what_is_not_true(
    small_blocks: None, data: st.DataObject
) -> None:
    _history(data, faults=True)
