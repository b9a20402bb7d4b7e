"""Days without a host: records of an invented plant into the journal on littlefs, then all of them to the host.

Arguments: days, KiB of the journal, blocks of the flash, 4 or 12 channels. One boot a day, by a power cut at any
moment; one damaged byte; one power cut while a folded segment is written. Prints `progress ...` as it goes, then
every message of records as `message {...}` and last a JSON report.
"""

import gc
import json
import os
import sys

import ram_flash
from flash_plant import DAY_MS, FOUR, SPAN_MS, TWELVE, Node, Plant

from node import names
from node.delivery import Delivery
from node.encode import RECORDS_BYTES, RecordEncoder
from node.flash_scan import name_of
from node.packets import Message

TOLD = 0.05  # of the way, between two lines of progress


class NoClock:
    """The delivery's clock: this node never learns the time again."""

    quality = "none"

    def unix_ms(self, up_ms):
        return None


class Month:
    """The node, its flash, and what it has counted in every boot up to the last record that reached the flash."""

    def __init__(self, days, kib, blocks, channels):
        self.flash = ram_flash.RamFlash(blocks)
        ram_flash.make(self.flash)
        ram_flash.mount(self.flash)
        self.blocks = blocks
        self.plant = Plant(channels, seed=7)
        self.node = Node(self.plant, kib)
        self.records = int(days * DAY_MS) // SPAN_MS
        self.by_boot = {}  # boot: totals of the last record that is safe
        self.recent = []  # totals of the last records, safe or not
        self.least_free = blocks
        self.failures = 0

    def start(self):
        self.node.start()
        self.recent = []

    def record(self):
        rec = self.node.record()
        self.recent.append((rec.n, rec.total))
        self.note_safe()

    def note_safe(self):
        """Note what of this boot is on the flash now."""
        journal = self.node.journal
        tail = journal._tail
        last = tail.seqs[journal._flushed_count - 1] if journal._flushed_count else journal._index.newest
        while self.recent and self.plant.boot * names.SEQ_PER_BOOT + self.recent[0][0] <= last:
            self.by_boot[self.plant.boot] = self.recent.pop(0)[1]

    def power_cut(self):
        """Lose the power, and come back."""
        self.failures += self.node.journal.failures
        self.node.journal = None
        ram_flash.unmount()
        erases, programmed = self.flash.erases, self.flash.programmed
        self.flash = ram_flash.RamFlash(self.blocks, self.flash.data)
        self.flash.erases, self.flash.programmed = erases, programmed
        ram_flash.mount(self.flash)
        self.start()

    def cut_in_a_fold(self):
        """Lose the power while a folded segment is being written. Returns whether there was one to be folded."""
        journal = self.node.journal
        ring = journal._ring
        rec = self.plant.record()
        journal.append(rec)
        self.recent.append((rec.n, rec.total))
        self.node.up_ms = rec.up_ms
        for _ in journal.work():
            if name_of(ring.out.serial) in ring.stale:
                self.flash.cut_in = 1
        self.note_safe()
        if not self.flash.broken:
            return False
        self.power_cut()
        return True

    def damage(self):
        """Change one bit in the middle of a segment."""
        index = self.node.journal._index
        path = "/flash/journal/" + name_of(index.serials[index.count // 2])
        with open(path, "r+b") as file:
            file.seek(2049)
            byte = file.read(1)[0]
            file.seek(2049)
            file.write(bytes([byte ^ 4]))

    def live(self):
        self.start()
        day = DAY_MS // SPAN_MS
        cut_at = self.plant.wander(day)
        damage_due = True
        fold_due = False
        told = 0
        for i in range(self.records):
            self.record()
            if i % 360 == 0:
                self.least_free = min(self.least_free, ram_flash.free_blocks())
            if i % day == cut_at:
                self.power_cut()
            if i % day == day - 1:
                cut_at = self.plant.wander(day)
            if damage_due and i >= self.records // 2:
                self.damage()
                damage_due = False
                fold_due = True
            if fold_due and i >= self.records * 2 // 3 and self.cut_in_a_fold():
                fold_due = False
            if i >= told:
                told += self.records * TOLD
                print(f"progress {100 * i // self.records} %")
        self.node.journal.flush()
        while self.recent:
            self.by_boot[self.plant.boot] = self.recent.pop(0)[1]
        return not (damage_due or fold_due)

    def deliver(self):
        """Bring everything to the host, whose receipts come at once. Returns how many messages it took."""
        journal = self.node.journal
        message = Message("wheelpit/1/mill/node/record", qos=1, retain=False, size=RECORDS_BYTES)
        encoder = RecordEncoder(self.plant.layout, journal.id, message)
        delivery = Delivery(journal, encoder, NoClock(), 30000)
        delivery.on_connect()
        delivery.on_host(online=True, now_ms=0)
        count = 0
        while True:
            sent = delivery.next_message(0)
            if sent is None:
                return count
            count += 1
            print("message", bytes(sent.buffer[sent.body : sent.body + sent.length]).decode())
            delivery.on_receipt("0123456789abcdef", 1, journal.id, delivery._sent, 0)


def main():
    days, kib, blocks, channels = float(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    month = Month(days, kib, blocks, FOUR if channels == 4 else TWELVE)
    complete = month.live()
    journal = month.node.journal
    index = journal._index
    grains = [0, 0, 0, 0]
    for k in range(index.count):
        grains[index.grains[k]] += 1
    held = journal.held
    messages = month.deliver()
    gc.collect()
    print(
        json.dumps(
            {
                "complete": complete,
                "messages": messages,
                "held": held,
                "lost": journal.lost,
                "bad": journal.bad,
                "failures": month.failures + journal.failures,
                "grains": grains,
                "boots": journal.boot,
                "erases": sum(month.flash.erases),
                "hottest": max(month.flash.erases),
                "programmed": month.flash.programmed,
                "least_free": month.least_free,
                "files": len(os.listdir("/flash/journal")),
                "total_mwh": sum([total[month.plant.mwh] for total in month.by_boot.values()]),
                "by_boot": {str(boot): total for boot, total in month.by_boot.items()},
                "totals": list(month.plant.layout.totals),
            }
        )
    )


main()
