"""The wrongs of the campaign fit the source as it is; whether a test notices each is for the campaign to say."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from mutants import FIRMWARE, MUTANTS


def test_every_wrong_changes_exactly_one_place_and_names_tests_that_exist() -> None:
    here = Path(__file__).parent
    for mutant in MUTANTS:
        source = (FIRMWARE / mutant.file).read_text(encoding="utf-8")
        changed = mutant.applied(source)
        assert changed != source
        compile(changed, mutant.file, "exec")
        assert mutant.tests
        for name in (*mutant.tests, *mutant.histories):
            assert (here / name).is_file(), name
    assert [name for name, count in Counter(mutant.name for mutant in MUTANTS).items() if count > 1] == []
