"""The wheel against what has been published of overshot wheels, and against energy."""

from __future__ import annotations

import math

import pytest

from wheelpit.physics.belt import driven_speed
from wheelpit.physics.wheel import ceiling_speed, rim_speed
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.operating import OperatingPoint, operating_point

_RPM = 2 * math.pi / 60


@pytest.mark.source(
    "w^2 D / 2 = g at the rim, any textbook of mechanics: 42.29, 29.90, 24.42, 21.15, 18.91 rpm for 1 to 5 m"
)
@pytest.mark.parametrize(("diameter_m", "rpm"), [(1, 42.29), (2, 29.90), (3, 24.42), (4, 21.15), (5, 18.91)])
def test_ceiling_speed(diameter_m: float, rpm: float) -> None:
    assert ceiling_speed(diameter_m) / _RPM == pytest.approx(rpm, abs=0.006)


@pytest.mark.source(
    "Smeaton's three feet a second (in J. Bigelow, Elements of Technology): 8.73, 5.82, 4.37 rpm for 2 to 4 m"
)
@pytest.mark.parametrize(("diameter_m", "rpm"), [(2, 8.73), (3, 5.82), (4, 4.37)])
def test_rim_speed(diameter_m: float, rpm: float) -> None:
    assert rim_speed(diameter_m, rpm * _RPM) == pytest.approx(3 * 0.3048, rel=1.5e-3)


@pytest.mark.source("makers of belts: n2 = n1 d1/d2 (1 - s); 30 rpm, 5:1 and 2 % give 147 rpm")
def test_speed_with_slip() -> None:
    assert driven_speed(30 * _RPM, 5.0, 0.02) / _RPM == pytest.approx(147.0)


@pytest.mark.source(
    "T. Young, A Course of Lectures on Natural Philosophy, lecture XXVII: rims move two to six feet a second; E. Quaranta "
    "and R. Revelli, Renewable Energy (2015): overshot wheels reach 85 to 90 %"
)
@pytest.mark.parametrize("flow_l_s", [2, 4, 8, 12, 20])
def test_the_model_wheel_turns_and_gives_as_overshot_wheels_do(flow_l_s: float) -> None:
    point = operating_point(load_plant(demo_plant_path()), flow_l_s)
    assert isinstance(point, OperatingPoint)
    assert 0.61 <= point.rim_m_s <= 1.83
    assert 0.3 <= point.wheel_w / point.water_w <= 0.90
