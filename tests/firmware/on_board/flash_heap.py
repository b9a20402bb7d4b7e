"""Measures what the journal takes of the memory; prints a JSON report. Argument: KiB of the journal."""

import gc
import json
import os
import sys


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
    most = 0
    while journal._index.grains[0] < 1:
        journal.append(plant.record())
        for _ in journal.work():
            most = max(most, gc.mem_alloc())
    grown = used() - before
    print(
        json.dumps(
            {
                "code": code,
                "data": data,
                "after": grown,
                "segments": journal._index.count,
                "held": journal.held,
            }
        )
    )


main()
