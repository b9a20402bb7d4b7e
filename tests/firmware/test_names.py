"""The firmware's copy of the contract's names."""

from __future__ import annotations

import importlib
from typing import Any, get_args

import pytest

from wheelpit.contract import names as contract

names: Any = importlib.import_module("node.names")


def test_channels_and_their_steps_are_the_contracts() -> None:
    assert tuple(contract.CHANNELS) == names.CHANNELS
    assert {
        name: 1 / steps for name, steps in zip(names.CHANNELS, names.STEPS, strict=True)
    } == pytest.approx({channel.name: channel.step for channel in contract.CHANNELS.values()})


def test_totals_pairs_and_codes_are_the_contracts() -> None:
    assert tuple(contract.TOTALS) == names.TOTALS
    assert tuple((pair, *both) for pair, both in contract.PAIRS.items()) == names.PAIRS
    assert set(names.CLOCKS) == set(get_args(contract.Clock))
    assert set(names.STATES) == set(get_args(contract.WheelState))
    assert set(names.FAULTS) == set(get_args(contract.Fault))
    assert names.SEQ_PER_BOOT == contract.SEQ_PER_BOOT


def test_a_node_with_everything_counts_every_total() -> None:
    layout = names.layout_of(list(contract.CHANNELS))
    assert layout.channels == tuple(contract.CHANNELS)
    assert layout.totals == tuple(contract.TOTALS)


def test_a_total_is_only_counted_where_its_channels_are() -> None:
    layout = names.layout_of(["charge_a", "dump_a", "rectified_v"])
    assert layout.channels == ("rectified_v", "charge_a", "dump_a")
    assert layout.totals == ("charging_ms", "charge_flips", "charge_mas")
    assert layout.index("charge_a") == 1
    assert layout.index("battery_v") == -1


def test_a_layout_is_told_by_its_masks() -> None:
    layout = names.layout_of(["wheel_rpm", "battery_v", "charge_a", "battery_degc"])
    again = names.Layout(layout.channel_mask, layout.total_mask)
    assert (again.channels, again.steps, again.totals) == (layout.channels, layout.steps, layout.totals)
    assert again.steps == (1000, 1000, 1000, 100)
