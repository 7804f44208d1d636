"""The PDF: tagged, numbered, with its fonts inside, of the paper asked for; checked with tools of their own."""

import builtins
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from macrocheck.errors import InputError
from macrocheck.report.pages.pdf import need_library, pdf_bytes
from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.report.pages.bench import HOSTILE
from tests.report.pages.conftest import report

pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")


@pytest.fixture(scope="module")
def printed(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    try:
        need_library()
    except InputError as error:
        pytest.skip(str(error))
    target = tmp_path_factory.mktemp("pdf") / "report.pdf"
    return report(bench, target, "B01", HOSTILE[:99], "Failed", "--by", "gas", "--of", "root_penetration")


@pytest.fixture(scope="module")
def pages(printed: Path) -> Any:
    return pypdf.PdfReader(printed)


@pytest.fixture(scope="module")
def texts(pages: Any) -> list[str]:
    return [page.extract_text() for page in pages.pages]


def test_it_is_tagged_and_says_what_it_is(pages: Any) -> None:
    root = pages.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/StructTreeRoot"]["/K"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert pages.metadata.title == "Report on 3 coupons of bench.db"
    assert b"pdfuaid" in root["/Metadata"].get_data()  # ISO 14289-1, clause 5: the identification schema


def test_every_picture_is_tagged_with_its_words(pages: Any) -> None:
    figures = [e for e in elements(pages.trailer["/Root"]["/StructTreeRoot"]) if e.get("/S") == "/Figure"]
    assert len(figures) >= 6
    assert all(e.get("/Alt") for e in figures)


def elements(node: Any) -> list[Any]:
    """Return every structure element under a node."""
    children = node.get("/K", [])
    found = []
    for child in children if isinstance(children, list) else [children]:
        one = child.get_object() if hasattr(child, "get_object") else child
        if hasattr(one, "get") and "/S" in one:
            found += [one, *elements(one)]
    return found


def test_headings_and_tables_are_tagged(pages: Any) -> None:
    kinds = {e["/S"] for e in elements(pages.trailer["/Root"]["/StructTreeRoot"])}
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/TR"} <= kinds


def test_pages_are_numbered(texts: list[str]) -> None:
    assert len(texts) >= 6
    for number, text in enumerate(texts, start=1):
        assert f"{number} of {len(texts)}" in text


def test_words_can_be_found(texts: list[str]) -> None:
    text = " ".join(" ".join(texts).split())
    assert " ".join(CAUTIONS[0].split()) in text
    assert "5213 Insufficient throat" in text
    assert "alert(document.domain)" in text


def test_fonts_are_inside(printed: Path, pages: Any) -> None:
    names = set()
    for page in pages.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            one = font.get_object()
            for inner in one.get("/DescendantFonts", [one]):
                descriptor = inner.get_object()["/FontDescriptor"]
                assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor)
                names.add(one["/BaseFont"])
    assert names
    if shutil.which("pdffonts"):
        rows = subprocess.run(["pdffonts", str(printed)], capture_output=True, text=True, check=True).stdout
        assert all(re.search(r" yes +yes +yes ", row) for row in rows.splitlines()[2:])


def test_a_general_validator_passes_it(printed: Path) -> None:
    if not shutil.which("qpdf"):
        pytest.skip("qpdf is not installed")
    checked = subprocess.run(["qpdf", "--check", str(printed)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "No syntax or stream encoding errors found" in checked.stdout


def test_it_holds_no_script(printed: Path, pages: Any) -> None:
    content = printed.read_bytes()
    assert b"/JavaScript" not in content
    assert "/OpenAction" not in pages.trailer["/Root"]
    assert "/Names" not in pages.trailer["/Root"] or "/JavaScript" not in pages.trailer["/Root"]["/Names"]


@pytest.mark.parametrize(("paper", "size"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_paper(bench: Path, tmp_path: Path, paper: str, size: tuple[float, float], printed: Path) -> None:
    """ISO 216 A4; ANSI letter of 8.5 by 11 in."""
    assert printed.exists()
    made = pypdf.PdfReader(report(bench, tmp_path / "p.pdf", "Failed", "--paper", paper))
    box = made.pages[0].mediabox
    assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(size, abs=0.1)


def test_nothing_runs_out_of_the_page(printed: Path, tmp_path: Path) -> None:
    """Outside the margins there is only white: nothing is cut off."""
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    import numpy as np
    from PIL import Image

    subprocess.run(["pdftoppm", "-r", "40", "-gray", str(printed), str(tmp_path / "p")], check=True)
    pictures = sorted(tmp_path.glob("p-*.pgm"))
    assert pictures
    for picture in pictures:
        grey = np.asarray(Image.open(picture))
        edge = round(12 / 25.4 * 40)  # margins are 16 mm
        assert grey[:, :edge].min() > 250, picture.name
        assert grey[:, -edge:].min() > 250, picture.name


def test_pictures_are_fetched_from_nowhere_else(printed: Path, tmp_path: Path) -> None:
    """A page of somebody else's making gets no file of this machine into the PDF."""
    assert printed.exists()
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg"><text y="20">hidden words</text></svg>')
    made = tmp_path / "x.pdf"
    made.write_bytes(pdf_bytes(f'<html lang="en"><title>t</title><img src="{secret.as_uri()}" alt="a"><p>seen'))
    text = pypdf.PdfReader(made).pages[0].extract_text()
    assert "seen" in text
    assert "hidden" not in text


def test_a_missing_extra_is_named(bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    ended = run("report", bench, "--to", tmp_path / "x.pdf")
    assert ended.status == 2
    assert "pip install 'macrocheck[report]'" in ended.err


def test_missing_system_libraries_are_one_sentence(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without_pango(name: str, *rest: Any, **more: Any) -> Any:
        if name == "weasyprint":
            msg = "cannot load library 'libpango-1.0-0'"
            raise OSError(msg)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without_pango)
    ended = run("report", bench, "--to", tmp_path / "x.pdf")
    assert ended.status == 2
    assert "Pango" in ended.err
    assert ended.err.count("\n") == 1


@pytest.fixture(scope="module")
def by_chapters(bench: Path, tmp_path_factory: pytest.TempPathFactory, printed: Path) -> Any:
    """The same report, laid out in chapters and joined."""
    assert printed.exists()
    target = tmp_path_factory.mktemp("chapters") / "report.pdf"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("macrocheck.cli.report._MANY_SECTIONS", 1)
        patch.setattr("macrocheck.report.pages.chapters.SECTIONS", 1)
        report(bench, target, "B01", HOSTILE[:99], "Failed", "--by", "gas", "--of", "root_penetration")
    return target


def test_joined_chapters_say_what_the_whole_says(pages: Any, by_chapters: Path) -> None:
    made = pypdf.PdfReader(by_chapters)
    assert len(made.pages) == len(pages.pages)
    for one, other in zip(pages.pages, made.pages, strict=True):
        words = [sorted(re.sub(r"\d\d:\d\d UTC", "", p.extract_text()).split()) for p in (one, other)]
        assert words[0] == words[1]
    assert made.metadata.title == pages.metadata.title
    kinds = [Counter(e["/S"] for e in elements(r.trailer["/Root"]["/StructTreeRoot"])) for r in (pages, made)]
    assert kinds[0] == kinds[1]
    assert set(made.named_destinations) == set(pages.named_destinations)
    assert titles(made.outline) == titles(pages.outline)


def titles(outline: Any) -> list[Any]:
    return [titles(item) if isinstance(item, list) else item.title for item in outline]


def test_joined_chapters_are_tagged_and_linked_throughout(by_chapters: Path) -> None:
    """ISO 32000-1, 14.7.4.4: a page's marked content and a link find their element by number, in rising order."""
    made = pypdf.PdfReader(by_chapters)
    numbers = made.trailer["/Root"]["/StructTreeRoot"]["/ParentTree"]["/Nums"]
    parents = dict(zip((int(n) for n in numbers[::2]), numbers[1::2], strict=True))
    assert list(parents) == sorted(parents)
    assert len(parents) == len(numbers) // 2
    links = 0
    for number, page in enumerate(made.pages, start=1):
        for element in parents[int(page["/StructParents"])].get_object():
            assert element.get_object()["/Pg"].get_object()["/StructParents"] == page["/StructParents"]
        for note in (n.get_object() for n in page.get("/Annots", [])):
            links += 1
            assert note["/Dest"] in made.named_destinations
            assert parents[int(note["/StructParent"])].get_object()["/S"] == "/Link"
        assert f"{number} of {len(made.pages)}" in page.extract_text()
    assert links > 3
    test_a_general_validator_passes_it(by_chapters)


def test_joined_chapters_look_like_the_whole(printed: Path, by_chapters: Path, tmp_path: Path) -> None:
    """Pixel by pixel, but for the first and last page, which say when they were made; page numbers and all."""
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    import numpy as np
    from PIL import Image

    for name, file in (("one", printed), ("two", by_chapters)):
        subprocess.run(["pdftoppm", "-r", "50", "-gray", str(file), str(tmp_path / name)], check=True)
    ones, twos = (sorted(tmp_path.glob(f"{name}-*.pgm")) for name in ("one", "two"))
    assert len(ones) == len(twos)
    for one, two in zip(ones[1:-1], twos[1:-1], strict=True):
        a, b = (np.asarray(Image.open(p), np.float64) for p in (one, two))
        assert np.abs(a - b).max() < 64, one.name
    foot = np.asarray(Image.open(twos[0]), np.float64)[-round(15 / 25.4 * 50) :]
    assert foot[:, -foot.shape[1] // 4 :].min() < 200  # the number stands at the foot, to the right


def test_a_missing_joiner_is_named(bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.cli.report._MANY_SECTIONS", 1)
    monkeypatch.setitem(sys.modules, "pikepdf", None)
    ended = run("report", bench, "--to", tmp_path / "x.pdf")
    assert ended.status == 2
    assert "A PDF of many coupons needs an extra: pip install 'macrocheck[report]'" in " ".join(ended.err.split())
    assert not (tmp_path / "x.pdf").exists()


def _killed(_: str) -> bytes:
    os._exit(9)


def test_a_process_that_is_killed_ends_in_a_sentence(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("macrocheck.cli.report._MANY_SECTIONS", 1)
    monkeypatch.setattr("macrocheck.report.pages.chapters.pdf_bytes", _killed)
    ended = run("report", bench, "B01", "--to", tmp_path / "x.pdf")
    assert ended.status != 0
    assert "most likely for want of memory; write an .html" in " ".join(ended.err.split())
    assert not (tmp_path / "x.pdf").exists()
