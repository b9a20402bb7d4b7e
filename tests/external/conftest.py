"""Every check in this folder compares with something outside the project, and says what.

Mark a test, a class, a module (`pytestmark`) or one case (`pytest.param(..., marks=...)`) with
`@pytest.mark.source("author, title, table or clause")`; a fact of the trade that nobody published is marked
`@pytest.mark.source("common practice, no source")`. A test here without a source fails.
"""

from __future__ import annotations

from typing import Final

import pytest

_LEAST_LETTERS: Final = 10  # shorter is no source anybody could find


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "source(text): where the expected values come from; see tests/external"
    )


@pytest.fixture(autouse=True)
def _has_a_source(request: pytest.FixtureRequest) -> None:
    told = [mark.args[0] for mark in request.node.iter_markers("source") if mark.args]
    if not told:
        pytest.fail('no source: add @pytest.mark.source("...") that says where the expected values come from')
    for text in told:
        if not isinstance(text, str) or len(text.strip()) < _LEAST_LETTERS:
            pytest.fail(f"source {text!r}: name author, title and place, so that it can be found")
