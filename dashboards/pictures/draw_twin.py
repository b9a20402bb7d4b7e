"""Draws one day and one year of the simulated plant: twin-day.png and twin-year.png, beside this file.

    python dashboards/pictures/draw_twin.py

Needs the system's Chromium, which turns the drawn SVG into a PNG, and what the tests need.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
from pathlib import Path
from typing import Any, Final

import numpy as np
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import palette  # the board's own colours
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.fast.years import Year

HERE: Final = Path(__file__).resolve().parent
FIRST_DAY: Final = dt.date(2025, 1, 1)
DAY: Final = 29  # ice grows in the buckets and grips the wheel at dawn
WIDTH, PANEL, LEFT, RIGHT, TOP, GAP = 1000, 130, 70, 30, 74, 46
Values = Any


def collect() -> tuple[dict[str, Values], dict[str, Values]]:
    """Run the year; return ten-second columns of one day, and daily figures of the year."""
    run = Year(load_plant(demo_plant_path()), kind="everything", first_day=FIRST_DAY)
    rows: dict[str, list[Values]] = {
        name: [] for name in ("end", "flow", "rpm", "battery_v", "charge_a", "give")
    }
    counted, boot = 0, 0
    for part in run.records():
        total = part.total["charge_mwh"]
        rows["give"].append(np.diff(total, prepend=counted if part.boot == boot else 0) / 1000)
        counted, boot = int(total[-1]), part.boot
        rows["end"].append(part.end_ms)
        rows["flow"].append(part.truth["flow_l_s"])
        for name, channel in (("rpm", "wheel_rpm"), ("battery_v", "battery_v"), ("charge_a", "charge_a")):
            rows[name].append(part.mean[channel])
    columns = {name: np.concatenate(parts) for name, parts in rows.items()}
    begin_ms = int(dt.datetime.combine(FIRST_DAY, dt.time(), dt.UTC).timestamp() * 1000)
    day = (columns["end"] - 1 - begin_ms) // 86_400_000
    chosen = day == DAY
    of_day = {name: values[chosen] for name, values in columns.items()}
    of_day["at"] = (of_day["end"] - begin_ms) / 86_400_000 - DAY
    count = np.bincount(day, minlength=365)
    known = np.isfinite(columns["rpm"])
    of_year = {
        "at": (np.arange(365) + 0.5) / 365,
        "flow": np.bincount(day, columns["flow"], 365) / np.maximum(count, 1),
        "give": np.bincount(day, columns["give"], 365),
        "rpm": np.bincount(day[known], columns["rpm"][known], 365)
        / np.maximum(np.bincount(day[known], minlength=365), 1),
        "measured": 100 * count / 8640,
    }
    return of_day, of_year


def panel(
    at: Values, values: Values, title: str, number: int, *, bars: bool = False, low: float = 0.0
) -> str:
    """Return one panel of a sheet: its axis from `low` to a round figure, its line or bars."""
    top = TOP + number * (PANEL + GAP)
    most = float(np.nanmax(values))
    step = 10 ** np.floor(np.log10(most)) if most > 0 else 1.0
    full = float(np.ceil(most / step) * step) if not low else float(np.ceil(most))
    xs = LEFT + at * (WIDTH - LEFT - RIGHT)
    ys = top + PANEL * (1 - np.clip((values - low) / (full - low), 0, 1))
    floor = top + PANEL
    if bars:
        wide = (WIDTH - LEFT - RIGHT) / len(values) * 0.8
        drawn = "".join(
            f'<rect x="{x - wide / 2:.1f}" y="{y:.1f}" width="{wide:.2f}" height="{floor - y:.1f}" fill="{palette.WATER}"/>'
            for x, y in zip(xs, ys, strict=True)
        )
    else:
        # A gap stays a gap: a new stroke begins after it.
        parts, pen = [], "M"
        for x, y in zip(xs, ys, strict=True):
            if not np.isfinite(y):
                pen = "M"
                continue
            parts.append(f"{pen}{x:.1f} {y:.1f}")
            pen = "L"
        drawn = f'<path d="{" ".join(parts)}" fill="none" stroke="{palette.WATER}" stroke-width="1.2"/>'
    return (
        f'<text x="{LEFT}" y="{top - 8}" font-weight="600">{title}</text>'
        f'<line x1="{LEFT}" y1="{floor}" x2="{WIDTH - RIGHT}" y2="{floor}" stroke="{palette.SLATE}"/>'
        f'<line x1="{LEFT}" y1="{top}" x2="{WIDTH - RIGHT}" y2="{top}" stroke="{palette.STONE}"/>'
        f'<text x="{LEFT - 8}" y="{top + 5}" text-anchor="end" fill="{palette.QUIET}">{full:g}</text>'
        f'<text x="{LEFT - 8}" y="{floor + 5}" text-anchor="end" fill="{palette.QUIET}">{low:g}</text>{drawn}'
    )


def sheet(title: str, panels: list[str], ticks: list[tuple[float, str]]) -> str:
    """Return the whole drawing."""
    height = TOP + len(panels) * (PANEL + GAP)
    marks = "".join(
        f'<text x="{LEFT + at * (WIDTH - LEFT - RIGHT):.1f}" y="{height - 24}" text-anchor="middle" '
        f'fill="{palette.QUIET}">{text}</text>'
        for at, text in ticks
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" font-size="14" '
        f'font-family="DejaVu Sans, sans-serif" fill="{palette.SLATE}">'
        f'<rect width="{WIDTH}" height="{height}" fill="{palette.PAPER}"/>'
        f'<text x="{LEFT}" y="28" font-size="18" font-weight="600">{title}</text>{"".join(panels)}{marks}</svg>'
    )


def main() -> None:
    """Draw both."""
    of_day, of_year = collect()
    months = [
        ((dt.date(2025, m, 15) - FIRST_DAY).days / 365, f"{dt.date(2025, m, 1):%b}") for m in range(1, 13)
    ]
    date = FIRST_DAY + dt.timedelta(days=DAY)
    sheets = {
        "twin-day": sheet(
            f"One simulated day, {date:%d %B %Y}",
            [
                panel(of_day["at"], of_day["flow"], "Stream at the wheel, L/s", 0),
                panel(of_day["at"], of_day["rpm"], "Wheel speed, rpm", 1),
                panel(of_day["at"], of_day["charge_a"], "Current from the charge controller, A", 2),
                panel(of_day["at"], of_day["battery_v"], "Battery voltage, V", 3, low=11.0),
            ],
            [(hour / 24, f"{hour}:00") for hour in range(0, 25, 4)],
        ),
        "twin-year": sheet(
            "One simulated year with everything in it",
            [
                panel(of_year["at"], of_year["flow"], "Stream at the wheel, daily mean, L/s", 0),
                panel(
                    of_year["at"],
                    of_year["give"],
                    "Energy from the charge controller, Wh a day",
                    1,
                    bars=True,
                ),
                panel(of_year["at"], of_year["rpm"], "Wheel speed, daily mean, rpm", 2),
                panel(of_year["at"], of_year["measured"], "Measured, % of the day", 3, bars=True),
            ],
            months,
        ),
    }
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        for name, svg in sheets.items():
            page = browser.new_page(viewport={"width": WIDTH, "height": TOP + 4 * (PANEL + GAP)})
            page.set_content(f'<body style="margin:0">{svg}</body>')
            page.screenshot(path=HERE / f"{name}.png")
        browser.close()


if __name__ == "__main__":
    main()
