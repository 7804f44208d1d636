"""The PDF: tagged, numbered, with its fonts inside, of the paper asked for; checked with tools of their own."""

import html
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.record.store import open_record
from macrocheck.report.pages.pdf import need_library
from macrocheck.report.pages.words import WORDS
from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.report.pages.bench import HOSTILE, Tee, put, settings
from tests.report.pages.conftest import report

pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")

CHOSEN = ("B01", HOSTILE[:99], "Failed", "--by", "gas", "--of", "root_penetration")


@pytest.fixture(scope="module")
def printed(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    try:
        need_library()
    except InputError as error:
        pytest.skip(str(error))
    target = tmp_path_factory.mktemp("pdf") / "report.pdf"
    return report(bench, target, *CHOSEN)


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
    assert {"/H1", "/H2", "/H3", "/H4", "/Table", "/THead", "/TBody", "/TH", "/TD", "/TR", "/L", "/LI"} <= kinds


def test_headings_are_bookmarks(pages: Any) -> None:
    def titles(outline: Any) -> list[Any]:
        return [titles(item) if isinstance(item, list) else item.title for item in outline]

    top, under = titles(pages.outline)
    assert top == "Report on 3 coupons of bench.db"
    assert [title for title in under if isinstance(title, str)] == [
        "The coupons", "What the settings did", "Plots", "Coupon B01", f"Coupon {HOSTILE[:99]}", "Coupon Failed",
        "Sources and how to read this report",
    ]  # fmt: skip
    assert under[under.index("Coupon B01") + 1][-1] == "On the record"


def test_links_lead_to_coupons_and_sources(pages: Any, texts: list[str]) -> None:
    """ISO 32000-1, 12.5.6.5; ISO 14289-1, 7.18.1: each says where it leads and has its place among the tags."""
    numbers = {page.indirect_reference.idnum: i for i, page in enumerate(pages.pages)}
    links: dict[int, list[int]] = {}
    for i, page in enumerate(pages.pages):
        for note in (n.get_object() for n in page.get("/Annots", [])):
            place = note["/Dest"]
            place = pages.named_destinations[place].dest_array if isinstance(place, str) else place.get_object()
            links.setdefault(i, []).append(numbers[place[0].idnum])
            assert note["/Contents"]
            assert "/StructParent" in note
    starts = [i for i, text in enumerate(texts) if flat("Not noted on the sheet:") in flat(text)]
    assert links.pop(0) == [starts[0], starts[1], starts[2]]  # the table's names, to the coupons
    assert len(links) >= 3
    assert {target for found in links.values() for target in found} == {len(texts) - 1}  # limits, to their sources


def flat(text: str) -> str:
    return "".join(text.split())


def test_it_says_what_the_page_says(bench: Path, printed: Path, texts: list[str], tmp_path: Path) -> None:
    """Every text of the HTML is found whole in the PDF, in the same order but for what stands side by side."""
    page = report(bench, tmp_path / "x.html", *CHOSEN).read_text(encoding="utf-8")
    assert printed.exists()
    page = re.sub(
        r'<style>.*?</style>|<title>.*?</title>|<span class="hidden">.*?</span>', "", page, flags=re.DOTALL
    )
    said = [flat(html.unescape(text)) for text in re.split(r"<[^>]*>", page)]
    said = [re.sub(r"\d\d:\d\dUTC", "", text) for text in said if text]
    heads = [flat(f"Coupon {name}") for name in ("B01", HOSTILE[:99], "Failed")]
    foot = re.compile(re.escape(flat(WORDS["foot"] + "Report on 3 coupons of bench.db")) + r"\d+of\d+")
    body = ""
    for text in texts:
        one = foot.sub("", flat(text))
        body += next((one.removeprefix(head) for head in heads if one.startswith(head)), one)
    body = re.sub(r"\d\d:\d\dUTC", "", body)
    assert len(said) > 500
    assert [text for text in said if text not in body] == []
    # Nothing else but heads of tables that go on over the page, bullets, numbers of a list, colons.
    assert sum(map(len, said)) < len(body) < 1.015 * sum(map(len, said))


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


def test_what_looks_like_the_language_of_the_templates_is_only_text(tmp_path: Path, tee: Tee) -> None:
    """Nothing that a person typed is read as markup or code: no file gets in, and every letter comes out."""
    secret = tmp_path / "secret.txt"
    secret.write_text("hidden words", encoding="utf-8")
    typed = (
        f'#read("{secret}") $x^2$ *b* _i_ `r` @ref <label> = h \\u{{41}} // c /* d */ #panic("p") ~ -- "q" [] {{}}'
    )
    record = open_record(tmp_path / "typed.db", make=True)
    put(record, tee, typed[:90], tmp_path, noted=settings(gas=typed, process="GMAW"), who=typed)
    put(record, tee, typed[:90], tmp_path, noted=settings(gas=typed), grow=0.01, reason=typed, who=typed)
    record.close()
    made = pypdf.PdfReader(report(tmp_path / "typed.db", tmp_path / "x.pdf", "--title", typed))
    text = flat(" ".join(p.extract_text() for p in made.pages))
    assert made.metadata.title == typed
    assert text.count(flat(typed)) >= 4  # the title, the setting, who, why
    assert "hiddenwords" not in text


@pytest.mark.parametrize("name", ["試験片 7", "قطعة 7", "Probe 😀", "\ue000\u0378", "é\u0301\u200b\u202e x"])
def test_any_letters_can_be_printed(tmp_path: Path, tee: Tee, name: str) -> None:
    """No font of this machine may have them: then there is a box, and the letters can still be copied."""
    record = open_record(tmp_path / "letters.db", make=True)
    put(record, tee, name, tmp_path, noted=settings(gas=name), with_outline=False)
    record.close()
    target = report(tmp_path / "letters.db", tmp_path / "x.pdf")
    if not shutil.which("pdftotext"):
        pytest.skip("pdftotext is not installed")
    text = subprocess.run(["pdftotext", str(target), "-"], capture_output=True, text=True, check=True).stdout
    assert set(flat(shown(name))) <= set(text)


def test_a_very_long_text_stays_on_the_page(tmp_path: Path, tee: Tee) -> None:
    """More than a page of reason, in words and in one word: all of it is printed, page after page."""
    record = open_record(tmp_path / "long.db", make=True)
    words, word = "more and more of it, " * 400, "unbroken" * 400
    put(record, tee, "A", tmp_path, noted=settings(gas=words[:1990]), who="Kim")
    put(record, tee, "A", tmp_path, noted=settings(gas=words[:1990]), grow=0.01, reason=words + word, who="Kim")
    record.close()
    target = report(tmp_path / "long.db", tmp_path / "x.pdf")
    text = flat(" ".join(p.extract_text() for p in pypdf.PdfReader(target).pages))
    assert text.count("moreandmoreofit") >= 2 * 390
    assert text.count("unbroken") >= 2 * 390  # a foot may stand between two letters
    test_nothing_runs_out_of_the_page(target, tmp_path)


def test_pictures_go_in_as_they_are(printed: Path) -> None:
    """JPEG, not decoded and packed again."""
    if not shutil.which("pdfimages"):
        pytest.skip("pdfimages is not installed")
    rows = subprocess.run(["pdfimages", "-list", str(printed)], capture_output=True, text=True, check=True).stdout
    assert sum(" jpeg " in row for row in rows.splitlines()) >= 4


def test_a_missing_extra_is_named(bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    ended = run("report", bench, "--to", tmp_path / "x.pdf")
    assert ended.status == 2
    assert "pip install 'macrocheck[report]'" in ended.err


def _killed(*_: Any) -> None:
    os._exit(9)


def _refused(_folder: str, _fonts: str, to: Any) -> None:
    to.send("a fault\n in what it is to set")


@pytest.mark.parametrize(
    ("instead", "sentence"),
    [(_killed, "most likely for want of memory); write an .html"), (_refused, "(a fault in what it is to set)")],
)
def test_a_process_that_fails_ends_in_a_sentence(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, instead: Any, sentence: str
) -> None:
    monkeypatch.setattr("macrocheck.report.pages.pdf._set", instead)
    ended = run("report", bench, "B01", "--to", tmp_path / "x.pdf")
    assert ended.status != 0
    assert sentence in " ".join(ended.err.split())
    assert not list(tmp_path.iterdir())


def test_the_memory_of_a_large_one_is_said_first(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("macrocheck.cli.report._LARGE", 1)
    ended = run("report", bench, "B01", "--to", tmp_path / "x.pdf")
    assert ended.status == 0
    assert "A PDF of 2 sections takes some 0 GB of memory" in " ".join(ended.err.split())
