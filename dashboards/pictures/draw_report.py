"""Draws the pages of a month's report as they leave a printer: `python dashboards/pictures/draw_report.py`.

Needs Chromium on the path. The plant and its month are the demo's.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Final

from playwright.sync_api import sync_playwright

from wheelpit.demo.past import give_past
from wheelpit.plant import demo_plant_path
from wheelpit.plant.load import load_plant
from wheelpit.report import gather
from wheelpit.report.period import sheet_of
from wheelpit.report.sheet import render
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

HERE: Final = Path(__file__).resolve().parent
YEAR, MONTH = 2026, 11
# A4 at 96 dots an inch, as browsers reckon, without the margins that the sheet gives itself on paper.
_WIDTH: Final = 794
_HEIGHT: Final = 1123
_FLAGS: Final = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
)


def page_of() -> str:
    """Return the report of the invented plant's month."""
    with tempfile.TemporaryDirectory(prefix="wheelpit-report-") as name:
        folder = Path(name)
        plant = load_plant(demo_plant_path())
        sys.stderr.write("simulating and booking six weeks ...\n")
        give_past(folder / FILE, plant, 45, dt.date(YEAR, MONTH + 1, 1))
        return render(sheet_of(gather.month(LedgerReader(folder / FILE), folder, plant, YEAR, MONTH)))


def main() -> None:
    """Draw the pages."""
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("chromium is not on the path")
    text = page_of()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(_FLAGS))
        page = browser.new_page(viewport={"width": _WIDTH, "height": _HEIGHT})
        page.set_content(text)
        for number in (1, 2):
            file = HERE / f"report-{number}.png"
            top = (number - 1) * _HEIGHT
            page.screenshot(
                path=file, full_page=True, clip={"x": 0, "y": top, "width": _WIDTH, "height": _HEIGHT}
            )
            sys.stderr.write(f"{file.name} drawn\n")
        browser.close()


if __name__ == "__main__":
    main()
