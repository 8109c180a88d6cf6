"""Make docs/report.png anew: the top of the demo's report on a desk, questions and the first buyer's chart.

    .venv/bin/python docs/make_picture.py

Needs Chromium (on Debian: sudo apt install chromium). The picture depends on the fonts of the machine.
"""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path

from playwright.sync_api import sync_playwright

from evenbench.analysis import analyse
from evenbench.publish.report import write_report
from evenbench.record.folder import open_study

DOCS = Path(__file__).resolve().parent
DEMO = DOCS.parent / "src" / "evenbench" / "demo"
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
WIDTH, HEIGHT = 1240, 900
SCALE = 0.85  # keeps the file small enough for a README, and its smallest text readable


def main() -> None:
    """Render the demo's report and photograph it down to the end of the first buyer's chart."""
    analysis = analyse(*open_study(DEMO, today=date(2026, 12, 31)))
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        report = write_report(analysis, Path(folder) / "report.html")
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, device_scale_factor=SCALE)
        page.goto(report.as_uri())
        bottom = page.locator(".buyer .key").first.evaluate("e => e.getBoundingClientRect().bottom")
        page.screenshot(
            path=DOCS / "report.png",
            full_page=True,
            clip={"x": 0, "y": 0, "width": WIDTH, "height": bottom + 8},
        )
        browser.close()


if __name__ == "__main__":
    main()
