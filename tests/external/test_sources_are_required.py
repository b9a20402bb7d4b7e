"""The rule of this folder itself: a check without a source fails."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_CASES = """
import pytest

def test_without():
    pass

@pytest.mark.source("?")
def test_too_short():
    pass

@pytest.mark.source("common practice, no source")
def test_with():
    pass

@pytest.mark.parametrize("x", [
    pytest.param(1, marks=pytest.mark.source("A. Author, A Title, table 1")),
    2,
])
def test_each_case(x):
    pass
"""


@pytest.mark.source("pytest documentation: markers and fixtures decide the outcome of a test")
def test_a_check_without_a_source_fails(tmp_path: Path) -> None:
    shutil.copy(Path(__file__).parent / "conftest.py", tmp_path / "conftest.py")
    (tmp_path / "test_cases.py").write_text(_CASES, encoding="utf-8")
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-rA",
            "-p",
            "no:cacheprovider",
            "--strict-markers",
            str(tmp_path),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=tmp_path,
    )
    outcomes = {
        line.split("::")[1].split(" ")[0]: line.split(" ")[0]
        for line in done.stdout.splitlines()
        if line.startswith(("PASSED", "FAILED", "ERROR"))
    }
    assert outcomes == {
        "test_without": "ERROR",
        "test_too_short": "ERROR",
        "test_with": "PASSED",
        "test_each_case[1]": "PASSED",
        "test_each_case[2]": "ERROR",
    }
