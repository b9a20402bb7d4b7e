"""Freezes the whole node into MicroPython for esp32: FROZEN_MANIFEST=this file."""

# ruff: noqa: F821 - MicroPython's build gives these names

include("$(PORT_DIR)/boards/manifest.py")
include("manifest.py")
module("hal.py", base_path="boards/esp32")
