"""Makes small wrongs in a copy of the firmware, one at a time, and shows which test notices each.

    .venv/bin/python tests/bench/mutations.py [--only receipt] [--no-histories]

The wrongs stand in tests/firmware/mutants.py. Each is tried twice: by the tests of the rule that it breaks, and, where
that can come upon it, by random histories of the node with the host's own booking (always the same ones, so that the
table does not change from run to run). Prints a table, writes build/mutations.json, and ends with 1 where a wrong
survives both.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

_REPO: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(_REPO / "tests" / "firmware"))

from mutants import MUTANTS  # noqa: E402 - from the folder that was just put on the path

if TYPE_CHECKING:
    from collections.abc import Sequence

    from mutants import Mutant

_OUT: Final = _REPO / "build" / "mutations.json"
_LIMIT_S: Final = 600  # a wrong that makes a test go on for ever is noticed, too
_SURVIVED: Final = "SURVIVED"
# Always the same examples, none remembered, and no search for the smallest one that fails.
_CONFTEST: Final = """\
from hypothesis import Phase, settings
settings.register_profile("same", derandomize=True, database=None, phases=[Phase.generate])
settings.load_profile("same")
"""
_FAILED: Final = re.compile(r"^FAILED (?:\S+/)?(test_\w+)\.py::(\S+)", re.MULTILINE)


class BrokenError(Exception):
    """A run that says nothing: the tests could not be collected."""


class Copy:
    """The firmware and its tests in a folder of their own; the host is the one that is installed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        ignored = shutil.ignore_patterns("__pycache__")
        for name in ("firmware", "tests/firmware"):
            shutil.copytree(_REPO / name, folder / name, ignore=ignored)
        for name in ("pyproject.toml", "tests/conftest.py"):
            shutil.copy(_REPO / name, folder / name)
        (folder / "conftest.py").write_text(_CONFTEST, encoding="utf-8")

    def noticed_by(self, files: Sequence[str], *, histories: bool) -> str:
        """Return the first test of these files that fails, "" where all pass."""
        arguments = ["-q", "-x", "-p", "no:cacheprovider", "-m", "not slow"]
        arguments += ["-k", "histor" if histories else "not histor"]
        arguments += [f"tests/firmware/{name}" for name in files]
        # A compiled file is told from its source by second and size: one change may have both of the other.
        surroundings = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
        try:
            done = subprocess.run(
                [sys.executable, "-m", "pytest", *arguments],
                cwd=self.folder, env=surroundings, capture_output=True, text=True, check=False, timeout=_LIMIT_S,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return f"did not end within {_LIMIT_S} s"
        if done.returncode == 0:
            return ""
        failed = _FAILED.search(done.stdout)
        if failed is None:
            raise BrokenError(done.stdout + done.stderr)
        return f"{failed[1]}: {failed[2]}"

    def tried(self, mutant: Mutant, *, histories: bool) -> tuple[str, str]:
        """Return what noticed a wrong: a test of its rule, and a random history; "-" where none was asked."""
        path = self.folder / "firmware" / mutant.file
        source = path.read_text(encoding="utf-8")
        changed = mutant.applied(source)
        compile(changed, mutant.file, "exec")
        path.write_text(changed, encoding="utf-8")
        try:
            by_test = self.noticed_by(mutant.tests, histories=False)
            by_history = "-"
            if histories and mutant.histories:
                by_history = self.noticed_by(mutant.histories, histories=True)
            return by_test, by_history
        finally:
            path.write_text(source, encoding="utf-8")


def say(text: str = "", end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def main() -> int:
    """Try each wrong, print and write; return 1 where one survives."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="", help="only wrongs whose name holds this text")
    parser.add_argument("--no-histories", action="store_true", help="leave the random histories out")
    told = parser.parse_args()
    chosen = [mutant for mutant in MUTANTS if told.only in mutant.name]
    if not chosen:
        parser.error(f"--only {told.only}: no wrong has such a name")
    begun = time.monotonic()
    rows = []
    rule = ""
    with tempfile.TemporaryDirectory(prefix="wheelpit-mutations-") as folder:
        copy = Copy(Path(folder))
        for number, mutant in enumerate(chosen, 1):
            say(
                f"\033[2K{number} of {len(chosen)}, {time.monotonic() - begun:.0f} s: {mutant.name}", end="\r"
            )
            by_test, by_history = copy.tried(mutant, histories=not told.no_histories)
            row = {
                "rule": mutant.rule,
                "wrong": mutant.name,
                "test": by_test or _SURVIVED,
                "history": by_history or _SURVIVED,
            }
            rows.append(row)
            if mutant.rule != rule:
                rule = mutant.rule
                say(f"\033[2K\n{rule}")
            say(f"\033[2K  {mutant.name}\n      test     {row['test']}\n      history  {row['history']}")
    survived = [row["wrong"] for row in rows if not {row["test"], row["history"]} - {_SURVIVED, "-"}]
    say(
        f"\n{len(rows)} wrongs, {len(rows) - len(survived)} noticed, {time.monotonic() - begun:.0f} s; survived: "
        + (", ".join(survived) or "none")
    )
    _OUT.parent.mkdir(exist_ok=True)
    _OUT.write_text(json.dumps({"mutations": rows, "survived": survived}, indent=2) + "\n", encoding="utf-8")
    return bool(survived)


if __name__ == "__main__":
    sys.exit(main())
