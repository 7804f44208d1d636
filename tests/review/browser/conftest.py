"""A real browser (Chromium driven by Playwright) on a real `macrocheck review`; skipped where there is none.

CI says where its Chromium is in MACROCHECK_TEST_BROWSER; named there, it must work.
"""

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Dialog, Page, Response

SAMPLES = Path(__file__).parents[3] / "sample_images"
NAMES = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="package")
def browser() -> Iterator["Browser"]:
    """Start Chromium once for all tests here."""
    missing = "Playwright is not installed: pip install '.[dev]'"
    playwright = pytest.importorskip("playwright.sync_api", reason=missing)
    path = os.environ.get("MACROCHECK_TEST_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        pytest.skip(f"no Chromium on this machine ({', '.join(NAMES)}): apt-get install chromium")
    # Chromium's sandbox refuses to run as root, as in CI; the page opened is our own.
    sandbox = [] if os.name == "nt" or os.geteuid() != 0 else ["--no-sandbox"]
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=path, args=[*sandbox, "--disable-dev-shm-usage"])
        yield chromium
        chromium.close()


class Review:
    """One running `macrocheck review`."""

    def __init__(self, args: list[str], keep: Path) -> None:
        command = [
            sys.executable,
            "-m",
            "macrocheck",
            "review",
            *args,
            "--keep",
            str(keep),
            "--no-browser",
            "--by",
            "A. Bench",
        ]
        self.keep = keep
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        assert self._process.stdout is not None
        said = []
        for line in self._process.stdout:
            said.append(line)
            found = re.search(r"http://127\.0\.0\.1:\d+/\?key=\S+", line)
            if found:
                self.url = found[0]
                return
        pytest.fail(f"the program did not start: {''.join(said)}")

    def kill(self) -> None:
        """End it as a power cut would."""
        self._process.kill()
        self._process.wait(20)
        assert self._process.stdout is not None
        self._process.stdout.close()

    @property
    def running(self) -> bool:
        return self._process.poll() is None


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Review]]:
    """Return a function that starts the program with some photos and arguments; the keep folder stays the same."""
    running: list[Review] = []

    def begin(*args: str | Path) -> Review:
        running.append(Review([str(a) for a in args], tmp_path / "keep"))
        return running[-1]

    yield begin
    for review in running:
        if review.running:
            review.kill()


class Watched:
    """A page of the browser, and everything it complained of or asked of others."""

    def __init__(self, context: "BrowserContext") -> None:
        self.page = context.new_page()
        self.page.set_default_timeout(15_000)
        self.complaints: list[str] = []
        self.asked: set[str] = set()
        self.expected = "(?!)"
        """Pattern of what the browser reports of itself in this test: a refusal, a server that is gone."""
        self.page.on("console", lambda m: self.complaints.append(f"{m.type}: {m.text} {m.location.get('url', '')}"))
        self.page.on("pageerror", lambda e: self.complaints.append(f"error: {e}"))
        self.page.on("dialog", self._refuse)
        self.page.on("request", lambda r: self.asked.add(r.url.split("/")[2] if "//" in r.url else r.url[:5]))

    def _refuse(self, dialog: "Dialog") -> None:
        self.complaints.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def open(self, review: Review) -> "Page":
        """Go to the printed address and wait for the first photo's numbers."""
        self.page.goto(review.url)
        self.page.wait_for_selector("[data-quantity]")
        return self.page


@pytest.fixture
def watch(browser: "Browser") -> Iterator[Callable[..., Watched]]:
    """Return a function that opens a fresh window; at the end none may have complained or asked another machine."""
    contexts, windows = [], []

    def window(width: int = 1280, height: int = 720, *, touch: bool = False) -> Watched:
        context = browser.new_context(
            viewport={"width": width, "height": height}, has_touch=touch, accept_downloads=True
        )
        contexts.append(context)
        windows.append(Watched(context))
        return windows[-1]

    yield window
    for context in contexts:
        context.close()
    for seen in windows:
        assert [c for c in seen.complaints if not re.search(seen.expected, c)] == []
        assert all(re.fullmatch(r"127\.0\.0\.1:\d+|blob:|data:", host) for host in seen.asked), seen.asked


def on_screen(page: "Page", at: tuple[float, float]) -> tuple[float, float]:
    """Where a place of the photo (px) is in the window, CSS px."""
    photo = page.locator(".photo")
    settle(page)
    box = photo.bounding_box()
    assert box is not None
    cx, cy = map(float, (photo.get_attribute("data-centre") or "").split(","))
    resolution = float(photo.get_attribute("data-resolution") or "nan")
    return (
        box["x"] + box["width"] / 2 + (at[0] - cx) / resolution,
        box["y"] + box["height"] / 2 + (at[1] - cy) / resolution,
    )


def settle(page: "Page") -> None:
    """Wait until the photo no longer moves on the screen."""
    photo, last = page.locator(".photo"), ""
    for _ in range(60):
        now = f"{photo.get_attribute('data-centre')} {photo.get_attribute('data-resolution')}"
        if now == last and "None" not in now:
            return
        last = now
        time.sleep(0.06)
    pytest.fail("the photo never came to rest")


def shown(page: "Page", key: str) -> str:
    """The value of a quantity as the page shows it."""
    return page.locator(f"[data-quantity={key}] .now").first.inner_text()


def edited(page: "Page", act: Callable[[], None]) -> "Response":
    """Do something that edits, and wait for the answer and for the page to show it."""
    before = page.locator(".photo").get_attribute("data-revision")
    with page.expect_response(lambda r: r.url.endswith("/edits")) as answer:
        act()
    assert answer.value.ok, answer.value.text()
    page.wait_for_function("before => document.querySelector('.photo').dataset.revision !== before", arg=before)
    return answer.value
