"""Measures what the journal takes of the memory, and of the time to boot; prints a JSON report. Argument: its KiB."""

import gc
import json
import os
import sys
import time


def used():
    gc.collect()
    return gc.mem_alloc()


def main():
    kib = int(sys.argv[1])
    import ram_flash  # noqa: PLC0415 - measured

    flash = ram_flash.RamFlash(kib // 4 + 16)
    ram_flash.make(flash)
    ram_flash.mount(flash)
    import node.journal  # noqa: PLC0415 - others need it anyway

    before = used()
    import node.flash  # noqa: PLC0415 - measured

    code = used() - before
    from flash_plant import FOUR, Plant  # noqa: PLC0415 - measured

    plant = Plant(FOUR)
    before = used()
    journal = node.flash.FlashJournal(
        node.flash.Folder("/flash/journal"), kib, plant.layout, os.urandom, lambda: plant.up_ms, print
    )
    data = used() - before
    while journal._index.grains[0] < 1:
        journal.append(plant.record())
        for _ in journal.work():
            pass
    grown = used() - before
    segments = journal._index.count
    journal.flush()
    journal = None
    gc.collect()
    begun = time.ticks_ms()
    journal = node.flash.FlashJournal(
        node.flash.Folder("/flash/journal"), kib, plant.layout, os.urandom, lambda: plant.up_ms, print
    )
    scan_ms = time.ticks_diff(time.ticks_ms(), begun)
    print(
        json.dumps(
            {
                "code": code,
                "data": data,
                "after": grown,
                "segments": segments,
                "held": journal.held,
                "scan_ms": scan_ms,
            }
        )
    )


main()
