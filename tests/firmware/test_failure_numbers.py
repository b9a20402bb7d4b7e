"""Each failure of the field that is known by number has at least one test whose name carries it.

`python tests/firmware/failure_numbers.py` prints which.
"""

from __future__ import annotations

import pytest
from failure_numbers import FAILURES, ON_HARDWARE, listed, numbered


@pytest.mark.parametrize("number", FAILURES, ids=lambda number: f"F{number} {FAILURES[number]}")
def test_each_failure_has_a_test_that_carries_its_number(number: int) -> None:
    assert numbered()[number], f"no test is called test_f{number:02}_..."


def test_no_test_carries_a_number_that_nobody_knows() -> None:
    assert set(numbered()) | set(ON_HARDWARE) <= set(FAILURES)


def test_the_list_names_each_failure_its_tests_and_what_only_a_board_shows() -> None:
    text = listed([12])
    assert FAILURES[12] in text
    assert "test_soak.py::test_f12_" in text
    assert ON_HARDWARE[12] in text
