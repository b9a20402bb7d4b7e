"""Fills the flash, first with the journal alone, then with something else; prints a JSON report."""

import json
import os

import ram_flash
from flash_plant import FOUR, Node, Plant

BLOCKS = 40
KIB = 424  # more than there is


def fill():
    """Write files until there is no room left."""
    count = 0
    try:
        while True:
            with open(f"/flash/other{count}", "wb") as file:
                file.write(b"x" * 4096)
            count += 1
    except OSError:
        pass
    return count


def main():
    report = {}
    flash = ram_flash.RamFlash(BLOCKS)
    ram_flash.make(flash)
    ram_flash.mount(flash)
    node = Node(Plant(FOUR), KIB)
    node.start()
    least = BLOCKS
    for _ in range(4000):
        node.record()
        least = min(least, ram_flash.free_blocks())
    report["least_free"] = least
    report["lost_before"] = node.journal.lost

    fill()
    for _ in range(300):
        node.record()
        while ram_flash.free_blocks():
            if not fill():
                break
    report["free_when_full"] = ram_flash.free_blocks()
    report["failures"] = node.journal.failures
    report["said"] = node.said[-1] if node.said else ""
    report["newest_when_full"] = node.journal.newest & 0xFFFFFF
    report["made_when_full"] = node.plant.n

    for name in os.listdir("/flash"):
        if name.startswith("other"):
            os.remove("/flash/" + name)
    for _ in range(200):
        node.record()
    node.journal.flush()
    ram_flash.unmount()
    ram_flash.mount(flash)
    report["made_after"] = node.plant.n
    node.start()
    report["newest_after"] = node.journal.newest & 0xFFFFFF
    node.record()
    node.journal.flush()
    report["failures_after"] = node.journal.failures
    print(json.dumps(report))


main()
