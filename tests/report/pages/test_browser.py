"""The page in a real browser: no message, no request, nothing that a hostile name could start."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.report.pages.bench import HOSTILE
from tests.report.pages.conftest import report

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = os.environ.get("MACROCHECK_TEST_BROWSER") or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed")
    with sync_api.sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def seen(browser: Any, page: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, list[str]]]:
    """The page as opened from the disk, and whatever the browser had to say."""
    file = tmp_path_factory.mktemp("seen") / "report.html"
    file.write_text(page, encoding="utf-8")
    tab = browser.new_page(viewport={"width": 1280, "height": 900})
    said: list[str] = []
    tab.on("console", lambda message: said.append(f"console: {message.text}"))
    tab.on("pageerror", lambda error: said.append(f"error: {error}"))
    tab.on("dialog", lambda dialog: said.append(f"dialog: {dialog.message}"))
    tab.on("requestfailed", lambda request: said.append(f"failed: {request.url[:80]}"))
    tab.on(
        "request",
        lambda r: None if r.url.startswith("data:") or r.url == file.as_uri() else said.append(f"request: {r.url}"),
    )
    tab.goto(file.as_uri(), wait_until="load")
    yield tab, said
    tab.close()


def test_no_message_and_no_request(seen: tuple[Any, list[str]]) -> None:
    tab, said = seen
    tab.wait_for_timeout(300)
    assert said == []


def test_a_hostile_name_is_read_as_text(seen: tuple[Any, list[str]]) -> None:
    tab, said = seen
    assert HOSTILE[:90] in tab.locator("article.coupon", has_text="onerror").first.inner_text()
    assert tab.locator("script").count() == 0
    assert said == []


def test_every_picture_is_decoded(seen: tuple[Any, list[str]]) -> None:
    tab, _ = seen
    for picture in tab.locator("img").all():
        picture.scroll_into_view_if_needed()
        assert picture.evaluate("e => e.complete && e.naturalWidth > 0")


@pytest.mark.parametrize("width", [1280, 760, 390])
def test_nothing_is_wider_than_the_window(seen: tuple[Any, list[str]], width: int) -> None:
    tab, _ = seen
    tab.set_viewport_size({"width": width, "height": 900})
    assert tab.evaluate("document.documentElement.scrollWidth") <= width


def test_it_prints_from_the_browser(browser: Any, bench: Path, tmp_path: Path) -> None:
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    tab = browser.new_page()
    tab.goto(report(bench, tmp_path / "x.html", "B01", "Failed", "--paper", "letter").as_uri())
    tab.pdf(path=tmp_path / "x.pdf", prefer_css_page_size=True)
    tab.close()
    printed = pypdf.PdfReader(tmp_path / "x.pdf")
    box = printed.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((8.5 * 72, 11 * 72), abs=1.0)  # letter
    starts = [" ".join(p.extract_text().split())[:100] for p in printed.pages]
    assert any("Coupon B01 " in text for text in starts)  # a coupon begins a page
