"""Cuts power at every operation of the flash while a journal is filled, folded and given up; prints a JSON report.

The operations are written down once; then the flash is put into the state before each of them, and halfway through
it, mounted, and the journal opened as at boot. One argument: the length of a record in ms.
"""

import json
import sys

import ram_flash
from flash_plant import FOUR, Node, Plant

from node import names

BLOCKS = 48
KIB = 40
ROOM = 10  # segments, as KIB gives
EVERY = 20  # so seldom everything is read
ENDS = 70  # else so many records at each end


def workload(node, truth):
    """A boot that flushes, closes segments, folds and deletes, or gives up; then another, which goes on with it."""
    for _ in range(2):
        node.start()
        rows = node.journal._ring._serial
        while node.journal._ring._serial < rows + 4:
            rec = node.record()
            truth[rec.boot * names.SEQ_PER_BOOT + rec.n] = rec.total


class Promise:
    """What must be there if power goes now: (boot begun, first and last seq)."""

    def __init__(self, node):
        self.node = node
        self.now = (0, 0, 0)

    def __call__(self):
        journal = self.node.journal
        if journal is not None:
            tail = journal._tail
            count = journal._flushed_count
            last = tail.seqs[count - 1] if count else journal._index.newest
            first = journal._index.firsts[0] if journal._index.count else tail.first
            self.now = (journal.boot, first, last)
        return self.now


def covered(journal, report):
    """Return the first and last number that the journal covers, and report every hole and double."""
    index = journal._index
    spans = [(index.firsts[k], index.lasts[k]) for k in range(index.count)]
    if journal._tail.count:
        spans.append((journal._tail.first, journal._tail.last))
    for i in range(1, len(spans)):
        if spans[i][0] <= spans[i - 1][1]:
            report["doubled"] += 1
        elif spans[i][0] != spans[i - 1][1] + 1 and spans[i][0] % names.SEQ_PER_BOOT != 1:
            report["holes"] += 1
    return (spans[0][0], spans[-1][1]) if spans else (0, 0)


def read(journal, truth, report, *, all_of_it):
    """Read what the journal holds, all of it or the oldest and the newest, which were written last."""
    seq = journal.next(0)
    before = 0
    count = 0
    while seq:
        rec = journal.read(seq)
        if rec.total != truth[seq]:
            report["wrong"] += 1
        begin = rec.boot * names.SEQ_PER_BOOT + rec.first
        if begin <= before:
            report["doubled"] += 1
        elif before and begin != before + 1 and rec.first != 1:
            report["holes"] += 1
        before = seq
        count += 1
        if count == ENDS and not all_of_it and journal.newest - ENDS > seq:
            seq = journal.newest - ENDS
            before = 0
        seq = journal.next(seq)


def check(image, promise, known, report, *, plant, truth, all_of_it):
    """Start a node on this flash and look at what it holds."""
    flash = ram_flash.RamFlash(BLOCKS, image)
    try:
        ram_flash.mount(flash)
    except OSError:
        report["mount_failures"] += 1
        return
    node = Node(plant, KIB)
    node.start()
    journal = node.journal
    boot, first, last = promise
    if journal.boot <= boot:
        report["boots_twice"] += 1
    if journal.id != known:
        report["other_journals"] += 1
    begin, end = covered(journal, report)
    if last and not begin <= first <= last <= end:
        report["lost"] += 1
    read(journal, truth, report, all_of_it=all_of_it)
    report["bad"] += journal.bad
    for _ in range(3):  # it must also be able to go on
        node.record()
    journal.flush()
    if journal.failures:
        report["stuck"] += 1
    ram_flash.unmount()


def main():
    flash = ram_flash.RamFlash(BLOCKS)
    ram_flash.make(flash)
    ram_flash.mount(flash)
    plant = Plant(FOUR, int(sys.argv[1]))
    node = Node(plant, KIB)
    truth = {}
    node.start()
    journal = node.journal
    while journal._index.count < ROOM - 2 or journal._tail.count < 20:
        rec = node.record()
        truth[rec.boot * names.SEQ_PER_BOOT + rec.n] = rec.total
    journal.flush()
    known = journal.id
    base = bytearray(flash.data)
    promise = Promise(node)
    flash.promise = promise
    flash.log = []
    promise()
    workload(node, truth)
    log = flash.log
    grain = max(node.journal._index.grains)
    ram_flash.unmount()
    print(f"{len(log)} operations")

    report = {
        "mount_failures": 0, "boots_twice": 0, "wrong": 0, "doubled": 0, "holes": 0, "lost": 0, "bad": 0,
        "other_journals": 0, "stuck": 0,
    }  # fmt: skip
    cuts = 0
    for block, offset, data, promised in log:
        check(bytearray(base), promised, known, report, plant=plant, truth=truth, all_of_it=cuts % EVERY == 0)
        half = bytearray(base)
        ram_flash.apply(half, block, offset, data, 2)
        check(half, promised, known, report, plant=plant, truth=truth, all_of_it=False)
        ram_flash.apply(base, block, offset, data)
        cuts += 2
        if cuts % 100 == 0:
            print(f"{cuts} of {2 * len(log)} cuts")
    report["cuts"] = cuts
    report["erases"] = sum([1 for one in log if one[2] is None])
    report["grain"] = grain
    report["given_up"] = node.journal.lost
    print(json.dumps(report))


main()
