"""The report in a real browser: it fits a phone and a desk, is accessible, and nothing in it can act."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.publish.report_cases import CASES, rendered

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
SIZES = {"phone": (390, 844), "tablet": (820, 1180), "desk": (1440, 900)}


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests; without it they are skipped, except where CI promises it."""
    if not Path(CHROMIUM).exists():
        message = "Chromium is not installed, so the report was not looked at in a browser"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@dataclass
class Opened:
    """A page, and everything it did that a page of ours must not do."""

    page: Page
    address: str
    dialogs: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    refused: list[str | None] = field(default_factory=list)
    said: list[str] = field(default_factory=list)


@dataclass
class Opener:
    """Opens the page of a case from a file, as a reader does."""

    browser: Browser
    folder: Path
    contexts: list[Any] = field(default_factory=list)

    def __call__(self, case: str, size: str, *, scripts: bool = True, at: str = "") -> Opened:
        """The page of a case in a fresh window."""
        path = self.folder / f"{case.replace(' ', '-')}.html"
        path.write_text(rendered(case), encoding="utf-8")
        width, height = SIZES[size]
        context = self.browser.new_context(
            viewport={"width": width, "height": height}, java_script_enabled=scripts, reduced_motion="reduce"
        )
        self.contexts.append(context)
        page = context.new_page()
        opened = Opened(page, path.as_uri())

        def dismiss(dialog: Any) -> None:
            opened.dialogs.append(dialog.message)
            dialog.dismiss()

        page.on("dialog", dismiss)
        page.on("request", lambda request: opened.asked.append(request.url))
        page.on("requestfailed", lambda request: opened.refused.append(request.failure))
        page.on("console", lambda message: opened.said.append(message.text))
        page.on("pageerror", lambda error: opened.said.append(str(error)))
        page.goto(opened.address + at)
        return opened


@pytest.fixture
def opener(browser: Browser, tmp_path: Path) -> Iterator[Opener]:
    """Opens pages, and closes them after the test."""
    opener = Opener(browser, tmp_path)
    yield opener
    for context in opener.contexts:
        context.close()


UNFOLD = "document.querySelectorAll('details').forEach(d => d.open = true)"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("case", CASES)
def test_fits_and_keeps_quiet(opener: Opener, case: str, size: str) -> None:
    """No sideways scrolling, folded or unfolded; one request, the page itself; no word of complaint."""
    opened = opener(case, size)
    for _ in ("folded", "unfolded"):
        assert opened.page.evaluate("document.documentElement.scrollWidth") == SIZES[size][0]
        opened.page.evaluate(UNFOLD)
    # Pointer events, so that handlers smuggled into attributes would fire.
    opened.page.mouse.move(*[n / 2 for n in SIZES[size]])
    assert opened.asked == [opened.address]
    assert opened.dialogs == []
    assert opened.said == []


# Of what the template repeats for each test, the first stands for all: axe takes seconds for each thousand cells.
ONCE = {"include": [["html"]], "exclude": [[".sheet-of + .sheet-of"], [".test + .test .more"], [".test + .test .info"]]}


@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("case", ["demo", "proofers_hurried", "hostile", "no readings"])
def test_is_accessible(opener: Opener, case: str, size: str) -> None:
    """axe finds nothing to mend, with everything unfolded."""
    from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]

    opened = opener(case, size)
    opened.page.evaluate(UNFOLD)
    found = Axe().run(opened.page, context=ONCE).response["violations"]
    assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found] == []


def test_hostile_names_are_shown_and_do_nothing(opener: Opener) -> None:
    """What tries to be a script is read as a name, and no element came of it."""
    opened = opener("hostile", "desk")
    assert "<script>alert(1)</script>" in opened.page.inner_text("main")
    counts = opened.page.evaluate("['script', 'style', 'img', 'b i'].map(t => document.querySelectorAll(t).length)")
    assert counts == [1, 1, 0, 0]
    for link in opened.page.locator("main a").all()[:40]:
        link.evaluate("a => a.dispatchEvent(new MouseEvent('click', { bubbles: true, cancelable: true }))")
    assert opened.dialogs == []
    assert opened.asked == [opened.address]


def test_the_policy_stops_what_is_not_the_page_s_own(opener: Opener) -> None:
    """A script, a style or a picture put into the page does nothing, even if something got past the escaping."""
    opened = opener("two products", "desk")
    opened.page.evaluate(
        """() => {
            const script = document.createElement('script');
            script.textContent = "document.title = 'taken over'";
            const style = document.createElement('style');
            style.textContent = "h1 { color: rgb(1, 2, 3) }";
            const image = document.createElement('img');
            image.src = 'http://127.0.0.1:9/a.png';
            document.body.append(script, style, image);
        }"""
    )
    opened.page.wait_for_timeout(100)
    assert opened.page.title() == "Stress"
    assert opened.page.evaluate("getComputedStyle(document.querySelector('h1')).color") != "rgb(1, 2, 3)"
    assert opened.refused == ["csp"] * (len(opened.asked) - 1)
    assert len([text for text in opened.said if "Content Security Policy" in text]) == 3


def test_a_point_leads_to_its_readings(opener: Opener) -> None:
    """A click on a run's ring goes to the row that it was computed from, and marks it."""
    opened = opener("demo", "desk")
    ring = opened.page.locator("#at-shower-uptake-ostrel .c-strip a").last
    target = ring.get_attribute("href") or ""
    ring.locator(".run").click()
    row = opened.page.locator(target)
    assert opened.page.evaluate("location.hash") == target
    assert row.is_visible()
    assert row.evaluate("e => Math.abs(e.getBoundingClientRect().top) < innerHeight")
    assert row.locator("td").first.evaluate("e => getComputedStyle(e).backgroundColor") != "rgba(0, 0, 0, 0)"


def test_a_link_into_something_folded_unfolds_it(opener: Opener) -> None:
    opened = opener("demo", "desk", at="#at-shower-held-ostrel")
    assert opened.page.locator("#at-shower-held-ostrel").is_visible()
    assert opened.page.evaluate("document.querySelector('#result-shower-held').open") is True


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_works_without_scripts(opener: Opener, size: str) -> None:
    """Contents, answers, charts and figures are all there."""
    opened = opener("demo", size, scripts=False)
    contents = opened.page.locator(".for-phone" if size == "phone" else ".for-desk")
    assert contents.is_visible()
    if size == "phone":
        contents.locator("summary").click()
    contents.get_by_role("link", name="Benefit and harm").click()
    assert opened.page.locator("#together").is_visible()
    assert opened.page.locator("#at-shower-uptake-ostrel .dot").is_visible()


def test_the_contents_stay_in_view_on_a_desk_and_fold_on_a_phone(opener: Opener) -> None:
    desk, phone = opener("demo", "desk").page, opener("demo", "phone").page
    desk.evaluate("scrollTo(0, 4000)")
    assert desk.locator(".for-desk").evaluate("e => e.getBoundingClientRect().top >= 0")
    assert desk.locator(".for-phone").is_hidden()
    assert phone.locator(".for-desk").is_hidden()
    assert phone.locator(".for-phone ol").first.is_hidden()


@pytest.mark.parametrize("size", SIZES)
def test_drawn_places_are_those_of_the_axis(opener: Opener, size: str) -> None:
    """Pixels: dots lie where the tick labels over them say that their printed levels are, within a pixel."""
    opened = opener("demo", size)
    rows = opened.page.evaluate(
        """() => {
            const chart = document.querySelector('#result-shower-uptake table.chart');
            const middle = e => { const b = e.getBoundingClientRect(); return (b.left + b.right) / 2 };
            const ticks = [...chart.querySelectorAll('.axis text')].map(t => [Number(t.textContent), middle(t)]);
            return [...chart.querySelectorAll('tbody tr')].map(row => ({
                level: Number(row.querySelector('.c-level data').value), at: middle(row.querySelector('.dot')), ticks
            }));
        }"""
    )
    assert len(rows) == 15
    for row in rows:
        (a, x), (b, y) = row["ticks"][0], row["ticks"][-1]
        assert row["at"] == pytest.approx(x + (row["level"] - a) / (b - a) * (y - x), abs=1.0)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("case", ["demo", "hostile", "huge", "thirty products"])
def test_cells_of_a_row_do_not_overlap(opener: Opener, case: str, size: str) -> None:
    """Nothing printed in a chart's row lies on something else printed there, nor do neighbouring tick labels touch."""
    overlaps = opener(case, size).page.evaluate(
        """() => {
            const boxes = cell => {
                const range = document.createRange();
                const found = [];
                const walk = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
                while (walk.nextNode()) {
                    const node = walk.currentNode;
                    if (!node.data.trim() || node.parentElement.closest('.unseen, svg')) continue;
                    range.selectNodeContents(node);
                    found.push(...range.getClientRects());
                }
                return found.filter(b => b.width > 1 && b.height > 1);
            };
            const crossing = (a, b) => a.left < b.right - 1 && b.left < a.right - 1
                && a.top < b.bottom - 1 && b.top < a.bottom - 1;
            const out = [];
            for (const row of document.querySelectorAll('.chart tbody tr')) {
                const cells = [...row.children].map(boxes);
                cells.forEach((mine, k) => cells.slice(k + 1).forEach(other => {
                    if (mine.some(a => other.some(b => crossing(a, b)))) out.push(row.textContent.slice(0, 80));
                }));
            }
            for (const axis of document.querySelectorAll('.chart .axis')) {
                const labels = [...axis.querySelectorAll('text')].map(t => t.getBoundingClientRect());
                labels.slice(1).forEach((b, k) => { if (b.left < labels[k].right + 1) out.push('ticks'); });
            }
            return out;
        }"""
    )
    assert overlaps == []
