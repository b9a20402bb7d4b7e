"""How the journal makes room: what is folded, what goes, in which order, and how it wears."""

from __future__ import annotations

from flash_bench import held
from flash_node import BOOT, FlashNode


def test_f26_files_that_cannot_be_read_go_before_any_record_does() -> None:
    node = FlashNode()
    node.files.files["00000077.seg"] = b"\xff" * 4096
    node.start()
    while "00000077.seg" in node.files.files:
        node.record()
    assert node.journal._index.count == node.journal._ring.most - 2
    assert all(rec.first == rec.n for rec in held(node.journal))


def test_f26_one_operation_on_the_flash_at_a_time() -> None:
    node = FlashNode()
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
    node = FlashNode()
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


def test_old_records_get_coarse_and_young_ones_stay_fine() -> None:
    node = FlashNode(kib=80)
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
    node = FlashNode()
    node.record(300)
    node.journal.receipted(BOOT + 200)
    node.record(320)
    found = held(node.journal)
    assert found[0].first == 1, "a receipt frees nothing"
    assert max(rec.span_ms for rec in found if rec.n <= 200) > 10_000
    assert all(rec.span_ms == 10_000 for rec in found if rec.first > 200)


def test_when_nothing_folds_the_oldest_go_and_only_those_without_a_receipt_count_as_lost() -> None:
    node = FlashNode()
    node.record(700, 900_000)
    node.journal.receipted(BOOT + 400)
    before = node.journal.lost
    assert before == held(node.journal)[0].n - 1 > 0
    node.record(100, 900_000)
    assert before < held(node.journal)[0].n - 1 <= 400
    assert node.journal.lost == before, "the host has them"
    node.record(400, 900_000)
    assert node.journal.lost == before + held(node.journal)[0].n - 1 - 400


def test_after_a_boot_it_still_knows_what_the_host_had() -> None:
    node = FlashNode()
    node.record(700, 900_000)
    node.journal.receipted(node.journal.newest)
    node.record(100, 900_000)
    node.journal.flush()
    node.start()
    assert node.journal.upto == 0, "the host may have another ledger now"
    node.record(200, 900_000)
    assert node.journal.lost == 0


def test_f26_brown_outs_do_not_wear_out_the_ring() -> None:
    node = FlashNode(kib=424)
    for _ in range(300):
        node.record(2)
        node.journal.flush()
        node.start()
    assert node.journal.held == 600
    assert len(node.segments()) < 20
    assert [(rec.boot, rec.n) for rec in held(node.journal)] == [
        (b, n) for b in range(1, 301) for n in (1, 2)
    ]


def test_f26_the_file_system_keeps_eight_free_blocks() -> None:
    node = FlashNode(kib=424)
    node.files.free = 40
    least = 40
    for _ in range(4000):
        node.record()
        least = min(least, node.files.free_blocks() or 0)
    assert least >= 8
    assert (node.journal.lost, node.journal.failures) == (0, 0)
    assert held(node.journal)[0].first == 1
