"""The pictures of the page in the documentation: `python -m tests.review.browser.pictures docs/pictures`.

Real runs of the program on the samples: the page after a toe was dragged, on a tablet held upright, and empty.
"""

import os
import shutil
import sys
import tempfile
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image
from playwright.sync_api import sync_playwright

from macrocheck.cli.files import write_files
from macrocheck.pipeline import measure_photo
from macrocheck.reading import read_photo
from tests.review.browser.conftest import NAMES, SAMPLES, Review, edited, on_screen

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

MARKS = {
    "T6-03-sound": "bar:5mm",
    "T6-07-cold-lap-butting": "ruler:1mm",
    "L6-01-lap": "ruler:1mm",
    "T8-09-both-sides": "bar:10mm",
    "T6-14-weak-etch": "bar:5mm",
}
LIMITS, GIVEN = "iso5817-fillet-c", {"t": "6mm", "a": "4mm"}
TOE = """async () => {
  const queue = await (await fetch('/api/queue')).json();
  const state = await (await fetch('/api/photos/' + queue.last)).json();
  return state.welds[0].toe_nonbutting;
}"""


def _results(folder: Path) -> list[str]:
    """Measure the samples, each with its own mark; return the result files."""
    for name, mark in MARKS.items():
        photo = SAMPLES / f"{name}.jpg"
        result = measure_photo(photo, mark=mark, limits=LIMITS, given=GIVEN)
        write_files(read_photo(photo), result, folder, name, unit="mm", keep=None)
    return [str(folder / f"{name}.result.json") for name in MARKS]


def _go(page: "Page", name: str) -> None:
    page.locator(f".tile[title*='{name}']").click()
    page.locator(".sheet h1", has_text=name).wait_for()
    page.wait_for_selector("[data-quantity]")
    page.wait_for_timeout(1500)


def _keep(page: "Page", to: Path) -> None:
    with Image.open(BytesIO(page.screenshot())) as shot:
        shot.convert("RGB").save(to, quality=88, optimize=True)
    print(to)


def _page(page: "Page", to: Path) -> None:
    _go(page, "T6-03")
    page.get_by_role("button", name="Accept").click()
    page.locator(".progress", has_text="1 of 5").wait_for()
    _go(page, "T6-07")
    page.locator(".notice button").click()
    x, y = on_screen(page, page.evaluate(TOE))
    page.mouse.move(x, y)
    page.mouse.down()
    for step in (3, 6, 9):
        page.mouse.move(x + step, y)
    edited(page, page.mouse.up)
    page.mouse.move(*on_screen(page, page.evaluate(TOE)))
    page.wait_for_timeout(900)
    _keep(page, to)


def _start(page: "Page", to: Path) -> None:
    page.get_by_label("Mark", exact=True).select_option("ruler")
    for name, text in (("Length of the mark", "1mm"), ("nominal throat a", "4mm"), ("thickness t", "6mm")):
        page.get_by_label(name).fill(text)
        page.get_by_label(name).press("Tab")
        if name == "Length of the mark":
            page.get_by_label("Limits").select_option(LIMITS)
        page.wait_for_timeout(700)
    page.locator("h2", has_text="Measured with").click()
    _keep(page, to)


def _pictures(browser: "Browser", review: Review, empty: Review, to: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 720})
    page.goto(review.url)
    page.wait_for_selector("[data-quantity]")
    _page(page, to / "review.jpg")
    page.goto(empty.url)
    page.wait_for_selector(".drop")
    _start(page, to / "review-start.jpg")
    page.close()
    page = browser.new_page(viewport={"width": 820, "height": 1180}, has_touch=True)
    page.goto(review.url)
    page.wait_for_selector("[data-quantity]")
    _go(page, "L6-01")
    _keep(page, to / "review-tablet.jpg")


def main() -> None:
    """Make the pictures."""
    to = Path(sys.argv[1])
    path = os.environ.get("MACROCHECK_TEST_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)
    sandbox = [] if os.name == "nt" or os.geteuid() != 0 else ["--no-sandbox"]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        work = Path(folder)
        review = Review(_results(work), work / "keep")
        empty = Review([], work / "empty")
        browser = driver.chromium.launch(executable_path=path, args=[*sandbox, "--disable-dev-shm-usage"])
        try:
            _pictures(browser, review, empty, to)
        finally:
            browser.close()
            review.kill()
            empty.kill()


if __name__ == "__main__":
    main()
