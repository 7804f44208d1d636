"""How fast the page is, in a real browser, on a photo of 12 Mpx: `python -m tests.review.browser.speed`.

First picture and first numbers from opening the address; from drop to new numbers in the page; time from frame to
frame while panning and zooming, without a graphics card.
"""

import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.review.browser.conftest import NAMES, SAMPLES, Review, on_screen, settle

if TYPE_CHECKING:
    from playwright.sync_api import Page

WATCH = """() => {
  window.sent = 0; window.waits = []; window.frames = [];
  const fetched = window.fetch;
  window.fetch = (path, init) => {
    if (String(path).endsWith('/edits')) window.sent = performance.now();
    return fetched(path, init);
  };
  new MutationObserver(() => {
    if (window.sent) { window.waits.push(performance.now() - window.sent); window.sent = 0; }
  }).observe(document.querySelector('.numbers'), { childList: true, subtree: true });
  let last = performance.now();
  const frame = now => { window.frames.push(now - last); last = now; requestAnimationFrame(frame); };
  requestAnimationFrame(frame);
}"""
TOE = """async () => {
  const queue = await (await fetch('/api/queue')).json();
  const state = await (await fetch('/api/photos/' + queue.items[0].id)).json();
  return state.welds[0].toe_butting;
}"""
DROPS = 40


def _row(what: str, values: list[float], unit: str = "ms") -> str:
    ordered = sorted(values)
    p95 = ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]
    return f"{what:32} n {len(ordered):4}  median {ordered[len(ordered) // 2]:6.0f}  p95 {p95:6.0f} {unit}"


def _frames(page: "Page") -> list[float]:
    frames: list[float] = page.evaluate("window.frames.splice(0)")
    return frames[2:]


def _drop_and_pan(page: "Page") -> None:
    page.wait_for_timeout(2500)
    page.evaluate(WATCH)
    toe = page.evaluate(TOE)
    for k in range(DROPS):
        here, there = (toe[0], toe[1] + (30 if k % 2 else 0)), (toe[0], toe[1] + (0 if k % 2 else 30))
        page.mouse.move(*on_screen(page, here))
        page.mouse.down()
        page.mouse.move(*on_screen(page, there))
        page.mouse.up()
        page.wait_for_function("n => window.waits.length > n", arg=k)
        page.wait_for_timeout(250)
    print(_row("drop to new numbers", page.evaluate("window.waits")))
    page.evaluate("window.frames.length = 0")
    page.mouse.move(120, 120)
    page.mouse.down()
    for k in range(60):
        page.mouse.move(120 + 6 * k, 120 + 4 * k)
    page.mouse.up()
    page.wait_for_timeout(300)
    print(_row("frame to frame, panning", _frames(page)))
    for k in range(40):
        page.mouse.wheel(0, -120 if k < 20 else 120)
        page.wait_for_timeout(40)
    print(_row("frame to frame, zooming", _frames(page)))


def main() -> None:
    """Measure and print."""
    path = os.environ.get("MACROCHECK_TEST_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)
    sandbox = [] if os.name == "nt" or os.geteuid() != 0 else ["--no-sandbox"]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        photo = Path(folder) / "12mpx.jpg"
        Image.open(SAMPLES / "T6-03-sound.jpg").resize((4000, 3000)).save(photo, quality=92)
        review = Review([str(photo), "--mark", "bar:5mm", "--joint", "tee"], Path(folder) / "keep")
        browser = driver.chromium.launch(executable_path=path, args=sandbox)
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            tiles: list[float] = []
            page.on("requestfinished", lambda r: tiles.append(time.perf_counter()) if "/tiles/" in r.url else None)
            began = time.perf_counter()
            page.goto(review.url)
            page.wait_for_selector("[data-quantity]")
            numbers = time.perf_counter() - began
            settle(page)
            print(
                f"first picture {tiles[0] - began:.2f} s, first numbers {numbers:.2f} s after opening the address"
            )
            _drop_and_pan(page)
        finally:
            browser.close()
            review.kill()
    print(f"load of the machine meanwhile: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
