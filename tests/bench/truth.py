"""The truth table: what the accounts say of simulated plants, against what truly happened there.

Collects the parts tests/bench/truth_<part>.py, each with `run(quick, say) -> {key: (value, unit)}`, prints one table and
writes build/truth.json.

    .venv/bin/python tests/bench/truth.py [--quick] [PART ...]
"""

from __future__ import annotations

import importlib.util
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

_HERE: Final = Path(__file__).resolve().parent
_REPO: Final = _HERE.parents[1]
_QUICK: Final = "--quick"

Rows = dict[str, tuple[float, str]]

# What each figure should be; keys that are not here are only told.
GOALS: Final[dict[str, tuple[str, float]]] = {
    "arithmetic_error_pct_max": ("<=", 0.1),
    "days_inside_interval_pct": ("93..97", 95.0),
    "seasons_inside_interval_pct": ("93..97", 95.0),
    "interval_width_ratio": ("<=", 1.3),
    "time_ledger_error_pct_max": ("<=", 0.2),
    "stops_within_1s_pct": (">=", 95.0),
    "soc_rms_points": ("<=", 8.0),
    "slip_found_min": ("<=", 10.0),
    "loss_found_days_weir": ("<=", 14.0),
    "loss_claimed_early": ("<=", 0.0),
    "false_drift_claims": ("<=", 0.0),
    "false_drift_claims_torque": ("<=", 0.0),
    "missed_energy_inside_pct": (">=", 90.0),
    "clogging_found_noted_pct": (">=", 85.0),
    "false_clogging": ("<=", 0.0),
    "held_back_inside_pct": (">=", 90.0),
    "false_held_back": ("<=", 0.0),
    "matching_regret_pct": ("<=", 1.0),
}
_MARGIN: Final = 2.0  # points on either side of 95 %


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def parts() -> dict[str, Path]:
    """Return the parts that there are, by name."""
    return {path.stem.removeprefix("truth_"): path for path in sorted(_HERE.glob("truth_*.py"))}


def run_part(path: Path, *, quick: bool, tell: Callable[[str], None]) -> Rows:
    """Run one part."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    if spec is None or spec.loader is None:
        msg = f"{path} cannot be loaded"
        raise ImportError(msg)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    found: Rows = module.run(quick, tell)
    return found


def met(key: str, value: float) -> str:
    """Return whether a figure is what it should be, in a word."""
    goal = GOALS.get(key)
    if goal is None:
        return ""
    sign, wanted = goal
    if sign == "<=":
        return "met" if value <= wanted else f"MISSED, {sign} {wanted:g}"
    if sign == ">=":
        return "met" if value >= wanted else f"MISSED, {sign} {wanted:g}"
    return "met" if abs(value - wanted) <= _MARGIN else f"MISSED, {sign}"


def main() -> None:
    """Run what is asked for, print and write."""
    words = [word for word in sys.argv[1:] if word != _QUICK]
    known = parts()
    unknown = [word for word in words if word not in known]
    if unknown:
        say(f"no part {', '.join(unknown)}; there are {', '.join(known)}")
        sys.exit(2)
    rows: Rows = {}
    for name in words or known:
        begun = time.perf_counter()
        say(f"{name} ...")
        rows |= run_part(known[name], quick=_QUICK in sys.argv, tell=say)
        say(f"{name}: {time.perf_counter() - begun:.0f} s")
    say("")
    for key, (value, unit) in rows.items():
        say(f"{key:<40}{value:>12.4g} {unit:<14}{met(key, value)}")
    build = _REPO / "build"
    build.mkdir(exist_ok=True)
    file = build / "truth.json"
    held = json.loads(file.read_text()) if words and file.is_file() else {}
    written = {key: {"value": round(value, 5), "unit": unit} for key, (value, unit) in rows.items()}
    file.write_text(json.dumps(held | written, indent=1) + "\n")


if __name__ == "__main__":
    main()
