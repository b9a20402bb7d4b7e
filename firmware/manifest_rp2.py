"""Freezes the whole node into MicroPython for rp2: FROZEN_MANIFEST=this file."""

# ruff: noqa: F821 - MicroPython's build gives these names

include("$(BOARD_DIR)/manifest.py")
include("manifest.py")
module("hal.py", base_path="boards/rp2")
module("pio_edges.py", base_path="boards/rp2")
