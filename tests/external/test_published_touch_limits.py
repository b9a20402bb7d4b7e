"""Touch limits of extra-low voltage as the defaults of every plant."""

from __future__ import annotations

import pytest

from wheelpit.plant import demo_plant_path, limits_of, load_plant


@pytest.mark.source("EN 60204-1, 6.4.1: 60 V ripple-free DC where it is dry and no large area can be touched")
def test_the_dry_limit() -> None:
    limits = limits_of(load_plant(demo_plant_path()))
    assert limits.touch_dry_v == 60.0
    assert "dry" in limits.reason("touch_dry_v")
    assert "wet" in limits.reason("touch_dry_v")


@pytest.mark.source(
    "EN 60204-1, 6.4.1: 15 V DC in all other cases; IEC 60364-4-41, 414.4.5: 30 V (from memory)"
)
def test_the_wet_limits() -> None:
    assert limits_of(load_plant(demo_plant_path())).touch_wet_v == (15.0, 30.0)
