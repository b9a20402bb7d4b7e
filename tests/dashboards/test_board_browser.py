"""The pages in a real browser: nothing runs over the edge, nothing leaves the machine, the wheel turns truly."""

from __future__ import annotations

import datetime as dt
import threading
from contextlib import contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page, sync_playwright

import living
from wheelpit.accounts.commission.run import Bench

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.dashboards.conftest import Running, Site

pytestmark = pytest.mark.slow

ARGUMENTS: Final = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK, PHONE = (1280, 900), (390, 844)
SCREENS = pytest.mark.parametrize("screen", [DESK, PHONE], ids=["desk", "phone"])
PATIENCE_MS: Final = 90_000

EVERYTHING: Final = {
    "stage_m": 0.142,
    "water_degc": 7.9,
    "wheel_rpm": 10.4,
    "shaft_nm": 101.0,
    "alternator_rpm": 185.0,
    "alternator_degc": 41.3,
    "rectified_v": 20.83,
    "rectified_a": 13.83,
    "charge_a": 15.42,
    "battery_v": 13.52,
    "battery_a": -14.1,
    "battery_degc": 11.2,
    "dump_a": 12.4,
    "load_a": 11.3,
    "node_v": 5.02,
}

# The root of the living part, through the shadow that keeps its styles to itself.
ROOT: Final = """
const root = [...document.querySelectorAll('*')].map(e => e.shadowRoot).find(r => r && r.querySelector('.living'));
const shown = [...root.querySelectorAll('svg.elevation')].find(s => s.getBoundingClientRect().width > 0);
"""


@pytest.fixture
def page(needs: Callable[[str], str]) -> Iterator[Callable[[tuple[int, int]], Page]]:
    """Return a function that opens an empty page of a size; `page.told` collects what it asked for and said."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=needs("chromium"), args=ARGUMENTS)

        def open_page(screen: tuple[int, int]) -> Page:
            width, height = screen
            made = browser.new_page(viewport={"width": width, "height": height})
            made.set_default_timeout(PATIENCE_MS)
            return made

        yield open_page
        browser.close()


@contextmanager
def speaking(site: Site, values: dict[str, float | None]) -> Iterator[None]:
    """Let a node speak twice a second: the same values, but for its own supply."""
    end = threading.Event()
    site.speak(values, ago_s=0)

    def speak() -> None:
        supply_v = 5.0
        while not end.wait(0.5):
            supply_v = 5.0 + (supply_v - 4.9) % 0.3
            site.speak({**values, "node_v": supply_v}, ago_s=0)

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join()


def run(page: Page, script: str) -> Any:
    """Run a script that sees `root` and `shown`, and return what it returns."""
    return page.evaluate(f"() => {{ {ROOT} {script} }}")


def foreign(urls: list[str]) -> list[str]:
    return [
        url
        for url in urls
        if urlsplit(url).hostname != "127.0.0.1" and not url.startswith(("data:", "blob:"))
    ]


@SCREENS
def test_the_first_page_fits_and_asks_nobody_else(
    year: Site, running: Running, page: Callable[[tuple[int, int]], Page], screen: tuple[int, int]
) -> None:
    year.raise_alarm("stall", "high", "The wheel stopped suddenly", "Water off first. It leaps. Chock it.")
    urls: list[str] = []
    with speaking(year, dict(EVERYTHING)):
        it = page(screen)
        it.on("request", lambda request: urls.append(request.url))
        it.on("websocket", lambda socket: urls.append(socket.url))
        it.goto(running.url)
        it.wait_for_selector(".elevation .turn", state="attached")
        it.wait_for_selector("canvas, svg.marks")
        assert _overflow(it) <= 0
        assert run(it, "return shown.closest('div').className") == ("wide" if screen == DESK else "narrow")
        assert _overlaps(it) == []
        assert run(it, "return Math.min(...[...shown.querySelectorAll('text')].map(t => t.getScreenCTM().a * "
                       "parseFloat(getComputedStyle(t).fontSize)))") >= 11  # fmt: skip
        assert run(it, "return root.querySelector('.headline').textContent").startswith("Giving ")
        _can_be_read_on_either_ground(it)
    assert urls
    assert foreign(urls) == []


@SCREENS
def test_the_days_and_the_bench_fit_and_ask_nobody_else(
    year: Site, running: Running, page: Callable[[tuple[int, int]], Page], screen: tuple[int, int]
) -> None:
    urls: list[str] = []
    it = page(screen)
    it.on("request", lambda request: urls.append(request.url))
    it.on("websocket", lambda socket: urls.append(socket.url))
    it.goto(f"{running.url}/days")
    it.wait_for_selector("canvas, svg.marks")
    it.get_by_text("year", exact=True).click()
    it.get_by_text("not at all").wait_for()
    assert _overflow(it) <= 0
    with it.expect_download() as download:
        it.get_by_text("Download these days as CSV").click()
    assert download.value.suggested_filename.startswith("sallow-ghyll-")
    it.get_by_role("link", name="Bench").click()
    _give_a_reading(it, running.bench())
    assert Bench(year.plant, year.state, dt.datetime.now(dt.UTC)).answers.number("turns.wheel") == 20
    assert _overflow(it) <= 0
    _can_be_read_on_either_ground(it)
    assert foreign(urls) == []


def _give_a_reading(page: Page, address: str) -> None:
    """Come to the bench tests without the code, then with it; give one reading and see its trough fill."""
    page.get_by_label("Code").wait_for()
    assert page.get_by_label("Code").count() == page.locator("input").count() == 1
    page.goto(f"{address}&step=turns")
    field = page.get_by_label("Turns of the wheel")
    field.fill("20")
    field.press("Enter")
    page.get_by_title("1 of").wait_for(state="attached")


def test_the_wheel_turns_at_two_speeds_without_a_jump(
    site: Site, running: Running, page: Callable[[tuple[int, int]], Page]
) -> None:
    site.make_ledger()
    it = page(DESK)
    for rpm in (10.0, 6.5):
        with speaking(site, {"wheel_rpm": rpm}):
            if it.url == "about:blank":
                it.goto(running.url)
            seconds = 60 / rpm
            it.wait_for_function(
                f"""() => {{ {ROOT.replace("shown =", "shown = root &&")}
                const t = shown && shown.querySelector('.turn');
                return t && Math.abs(parseFloat(getComputedStyle(t).animationDuration) - {seconds}) < 0.001 }}"""
            )
            # Watched until the page has been drawn anew twice; the same frame gives the angle and its time.
            angles = it.evaluate(
                f"""async () => {{ {ROOT} const found = []; const ids = new Map(); const begin = performance.now();
                while (ids.size < 3 && performance.now() - begin < {PATIENCE_MS}) {{
                  const now = [...root.querySelectorAll('.turn')].find(t => t.getBoundingClientRect().width > 0);
                  if (!ids.has(now)) ids.set(now, ids.size);
                  const m = new DOMMatrix(getComputedStyle(now).transform);
                  found.push([document.timeline.currentTime, Math.atan2(m.b, m.a) * 180 / Math.PI, ids.get(now)]);
                  await new Promise(done => setTimeout(done, 100));
                }} return found }}"""
            )
            assert angles[-1][2] == 2, "the page was not drawn anew while it was watched"
            for (t1, a1, _), (t2, a2, _) in pairwise(angles):
                turned = (a2 - a1) % 360
                expected = 360 * (t2 - t1) / 1000 / seconds
                assert abs((turned - expected + 180) % 360 - 180) < 3


def test_an_old_word_stops_the_drawn_wheel_and_a_dead_board_is_said(
    site: Site, running: Running, page: Callable[[tuple[int, int]], Page]
) -> None:
    site.make_ledger()
    it = page(DESK)
    with speaking(site, {"wheel_rpm": 10.0}):
        it.goto(running.url)
        it.wait_for_selector(".wide .turn:not(.still)")
    it.wait_for_selector(".wide .turn.still")
    assert run(it, "return shown.querySelectorAll('.old, .gone').length") > 0
    running.process.terminate()
    it.wait_for_selector(".living.silent .lost", timeout=(living.LOST_S + 60) * 1000)
    assert "The board has not answered" in run(it, "return root.querySelector('.lost').textContent")


def _can_be_read_on_either_ground(page: Page) -> None:
    """Check the contrast of all words, WCAG 2.2, success criterion 1.4.3, as it is and after nightfall."""
    assert _pale(page) == []
    page.emulate_media(color_scheme="dark")
    page.wait_for_function("getComputedStyle(document.querySelector('.stApp')).colorScheme === 'dark'")
    assert _pale(page) == []


def _pale(page: Page) -> list[str]:
    """Return the words of a page, also of its drawings, that stand out too little from their ground."""
    found = page.evaluate(
        """() => {
        const parts = colour => (colour.match(/[\\d.]+/g) || []).map(Number);
        const linear = p => p / 255 <= 0.04045 ? p / 255 / 12.92 : ((p / 255 + 0.055) / 1.055) ** 2.4;
        const luminance = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
        const above = e => e.parentElement || (e.getRootNode().host ?? null);
        const ground = e => {
          for (; e; e = above(e)) {
            const colour = parts(getComputedStyle(e).backgroundColor);
            if (colour.length && (colour[3] ?? 1) > 0.99) return colour;
          }
          return [255, 255, 255];
        };
        const all = root => [...root.querySelectorAll('*')].flatMap(e => [e, ...(e.shadowRoot ? all(e.shadowRoot) : [])]);
        const pale = [];
        for (const e of all(document.querySelector('.stApp'))) {
          const words = [...e.childNodes].filter(n => n.nodeType === 3).map(n => n.data.trim()).join('');
          const style = getComputedStyle(e);
          // An alarm's tag is a drawing under its word, not a ground.
          if (!words || !e.checkVisibility() || e.matches('style, script, .tagword')) continue;
          const under = ground(e), [r, g, b, a = 1] = parts(e.matches('text, tspan') ? style.fill : style.color);
          const seen = [r, g, b].map((p, i) => a * p + (1 - a) * under[i]);
          const [light, dark] = [luminance(seen), luminance(under)].sort((x, y) => y - x);
          const contrast = (light + 0.05) / (dark + 0.05);
          if (contrast < 4.5) pale.push(words + ' (' + contrast.toFixed(1) + ')');
        }
        return pale; }"""
    )
    return [str(words) for words in found]


def _overflow(page: Page) -> float:
    """Return by how many pixels the widest scrolling part of a page is wider than it shows."""
    found = page.evaluate(
        """() => Math.max(...[document.documentElement, ...document.querySelectorAll('section, .stMain')]
             .map(e => e.scrollWidth - e.clientWidth))"""
    )
    return float(found)


def _overlaps(page: Page) -> list[str]:
    """Return the pairs of texts of the drawing that touch, and the texts that leave it."""
    found = run(
        page,
        """const box = shown.getBoundingClientRect();
        const texts = [...shown.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]);
        const out = texts.filter(([, r]) => r.left < box.left - 1 || r.right > box.right + 1).map(([t]) => t + ' leaves');
        texts.forEach(([t1, a], i) => texts.slice(i + 1).forEach(([t2, b]) => {
          const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
          const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
          // Boxes of letters have room above and below: the lines of one block may share a little of it.
          if (wide > 1 && high > 6) out.push(t1 + ' / ' + t2);
        }));
        return out;""",
    )
    return [str(pair) for pair in found]
