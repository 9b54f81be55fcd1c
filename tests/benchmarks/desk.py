"""How long the desk keeps a person waiting: first view, corrections, pointing, weight of the page.

    python tests/benchmarks/desk.py [--page samples/able.png]

Drives Debian's chromium through Playwright. Times are of this computer as it is: run it with nothing else going on.
"""

import argparse
import re
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "desk"))
from conftest import SAMPLE, Running  # the desk as the tests start it
from test_browser import READY, dropped

POINT = """() => new Promise(done => {
  const rows = [...document.querySelectorAll(".measure")]; const took = [];
  const next = i => {
    if (i === rows.length) return done(took);
    const began = performance.now();
    rows[i].dispatchEvent(new PointerEvent("pointerenter"));
    requestAnimationFrame(() => setTimeout(() => { took.push(performance.now() - began); next(i + 1); }));
  };
  next(0);
})"""


def main() -> None:
    """Print one line a figure."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--page", type=Path, default=SAMPLE)
    content = asked.parse_args().page.read_bytes()
    with tempfile.TemporaryDirectory() as place, sync_playwright() as tools:
        desk = Running(Path(place) / "records.sqlite").start()
        try:
            browser = tools.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            _measure(desk, browser.new_page(viewport={"width": 1280, "height": 800}), content)
            browser.close()
        finally:
            desk.stop()


def _measure(desk: Running, page: Page, content: bytes) -> None:
    page.goto(desk.link)
    page.wait_for_timeout(8000)  # the measuring process warms up while a person reads the page
    views = []
    for _ in range(5):
        page.goto(desk.url)
        began = time.perf_counter()
        dropped(page, "scan.png", content)
        page.wait_for_selector(READY)
        views.append(time.perf_counter() - began)
    sys.stdout.write(f"drop to first measured view: {statistics.median(views):.2f} s (of {len(views)})\n")
    page.focus("#paper")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    for name in ("Join with the next word", "Line of writing up", "Minute 1 ends here"):
        took = []
        for _ in range(5):
            for act in (lambda n=name: page.click(f"text={n}"), lambda: page.click("#undo")):
                began = time.perf_counter()
                with page.expect_response(lambda r: re.search(r"/(correct|step)$", r.url) is not None) as answer:
                    act()
                answer.value.finished()
                took.append(time.perf_counter() - began)
                page.wait_for_timeout(100)
        sys.stdout.write(f"{name}, and undo: {1000 * statistics.median(took):.0f} ms\n")
    took = page.evaluate(POINT)
    sys.stdout.write(f"pointing at a measure until drawn: {statistics.median(took):.0f} ms, worst {max(took):.0f} ms\n")


if __name__ == "__main__":
    main()
