"""The helpers of whole arrays against plain loops over their definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.twin.fast.columns import chance, held_while_idle, switched, wander


def test_a_wander_has_mean_0_deviation_1_and_forgets_itself() -> None:
    going = wander(chance(1, "test"), 400_000, step_s=10, time_s=300, start=0.0)
    assert abs(going.mean()) < 0.05
    assert going.std() == pytest.approx(1, abs=0.02)
    apart = 30  # one time constant
    kept = np.corrcoef(going[:-apart], going[apart:])[0, 1]
    assert kept == pytest.approx(math.exp(-1), abs=0.02)


@pytest.mark.parametrize(("step_s", "time_s"), [(10.0, 300.0), (1.0, 300.0), (3600.0, 60.0), (60.0, 1e6)])
def test_a_wander_is_the_same_as_step_by_step(step_s: float, time_s: float) -> None:
    count = 3000
    decay = math.exp(-step_s / time_s)
    going = wander(chance(7, "test"), count, step_s=step_s, time_s=time_s, start=1.5)
    kicks = chance(7, "test").standard_normal(2 * count)[:count] * math.sqrt(1 - decay * decay)
    value, plain = 1.5, []
    for kick in kicks.tolist():
        value = decay * value + kick
        plain.append(value)
    assert np.allclose(going, plain, atol=1e-8)


def test_chance_depends_on_seed_purpose_and_number() -> None:
    drawn = {
        float(chance(seed, purpose, number).random())
        for seed in (1, 2)
        for purpose in ("a", "b")
        for number in (0, 1)
    }
    assert len(drawn) == 8
    assert chance(1, "a").random() == chance(1, "a").random()


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1), st.booleans())
def test_a_switch_is_the_same_as_step_by_step(
    steps: list[tuple[bool, bool]],
    at_first: bool,  # noqa: FBT001 - hypothesis gives by position
) -> None:
    found = switched(
        np.array([on for on, _ in steps]), np.array([off for _, off in steps]), at_first=at_first
    )
    stands, plain = at_first, []
    for on, off in steps:
        stands = True if on else stands and not off
        plain.append(stands)
    assert found.tolist() == plain


@given(
    st.lists(st.tuples(st.floats(0, 60), st.booleans()), min_size=1, max_size=60),
    st.floats(0, 60),
    st.floats(1, 2000),
)
def test_a_capacitor_is_the_same_as_step_by_step(
    steps: list[tuple[float, bool]], before: float, time_s: float
) -> None:
    volts = np.array([value for value, _ in steps])
    loaded = np.array([load for _, load in steps])
    found = held_while_idle(volts, loaded, step_s=10, time_s=time_s, before=before)
    held, plain = before, []
    for value, load in steps:
        held = value if load else max(value, held * math.exp(-10 / time_s))
        plain.append(held)
    assert np.allclose(found, plain, atol=2e-3)


def test_a_capacitor_holds_over_a_month_of_steps() -> None:
    count = 260_000
    volts = np.where(np.arange(count) < 1000, 20.0, 0.0)
    loaded = np.arange(count) < 1000
    found = held_while_idle(volts, loaded, step_s=10, time_s=485, before=0.0)
    assert found[999] == 20
    assert found[1048] == pytest.approx(20 * math.exp(-490 / 485), rel=1e-3)
    assert found[-1] < 0.01
