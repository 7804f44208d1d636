"""The HTML page: all there, in one file, harmless."""

import html
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from macrocheck.cli import main
from macrocheck.record.store import open_record
from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.report.pages.bench import HOSTILE, Tee
from tests.report.pages.conftest import EXAMINED, report

VOID = {"meta", "link", "img", "br", "col"}


class Elements(HTMLParser):
    """Every element with its attributes, and the text; faults where tags do not match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def elements(page: str) -> Elements:
    return Elements(page)


def test_it_is_well_formed(elements: Elements) -> None:
    assert elements.open == []
    ids = [a["id"] for _, a in elements.found if "id" in a]
    assert len(ids) == len(set(ids))
    targets = {a["href"] for tag, a in elements.found if tag == "a"}
    assert targets <= {f"#{i}" for i in ids}


def test_it_needs_no_network_and_no_script(elements: Elements) -> None:
    assert not [tag for tag, _ in elements.found if tag in {"script", "iframe", "object", "embed", "form", "base"}]
    for _, attributes in elements.found:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href"):
            assert (attributes.get(name) or "#").startswith(("data:", "#"))
    policy = [a["content"] or "" for tag, a in elements.found if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0].startswith("default-src 'none'")


def test_every_picture_says_what_it_shows(elements: Elements) -> None:
    pictures = [a for tag, a in elements.found if tag == "img"]
    assert len(pictures) > 20
    assert all(a["alt"] and a["width"] and a["height"] for a in pictures)


def test_a_hostile_name_is_only_text(page: str, elements: Elements) -> None:
    assert "<script" not in page
    assert "<img src=x" not in page
    assert page.count("</style>") == 1
    assert "{{7*7}}" in html.unescape(page)  # not worked out either
    assert "onerror=alert(1)" in elements.text


@pytest.mark.parametrize(
    "part",
    [
        *CAUTIONS,
        "Coupon B01", "Gas", "CO2 100", "Amps", "160 A", "22-23 (= 22.50 ± 0.58 V)",
        "Heat input", "kJ/mm", "(assumed: usual for GMAW", "Arc power = volts x amps",
        "Scale", "0.02 mm per px", "How it was had", "Mark stated", "px:0.02mm",
        "Root penetration", "Theoretical throat",
        "5213 Insufficient throat", "at least 3.000 mm", "ISO 5817 no. 5213", "[read]", "[from memory]",
        "Flags",
        "Photograph SHA-256", "kept beside the record", "Outline", "Recorded", "by Kim", "Chain hash",
        "Measured with macrocheck 0.1.0", "number 1 of this section",
        "Not measured.", "A bar of known length (bar:5mm) was not found in lost.jpg; check the mark.",
        "By eye: 100, 104 cracks", "Check every row against your own copy",
        "What the settings did", "Clopper-Pearson", "CO2 100 less Ar 82 CO2 18",
        "Root penetration by date: control chart", "Penetration along both legs.", "over amps.",
        "Sections laid on one another by their joint roots.",
    ],
)  # fmt: skip
def test_it_says(elements: Elements, part: str) -> None:
    assert part in elements.text or part in " ".join(alts(elements))


def alts(elements: Elements) -> list[str]:
    return [a["alt"] or "" for tag, a in elements.found if tag == "img"]


def test_plots_come_before_coupons_and_the_table_first(page: str) -> None:
    places = [page.index(part) for part in ("The coupons", "What the settings did", ">Plots<", "Coupon <bdi>B01")]
    assert places == sorted(places)


def test_what_the_examination_needs(elements: Elements) -> None:
    text = elements.text
    for title, noted in EXAMINED.items():
        assert f"{title.capitalize()} {noted}" in text
    assert "Not noted on the sheet: parent metal, surface finish, etchant, etching method, etching time" in text


def test_the_hash_of_the_record_is_there(bench: Path, elements: Elements) -> None:
    from sqlalchemy import select

    from macrocheck.record import schema
    from macrocheck.record.engine import reading

    record = open_record(bench)
    with reading(record.engine, record.name) as conn:
        head = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
        hashes = [row.hash for row in conn.execute(select(schema.revision.c.hash))]
    record.close()
    assert f"revision {head.seq}, chain hash {head.hash}" in elements.text
    assert sum(h[:16] in elements.text for h in hashes) >= len(hashes)


def test_a_correction_says_who_and_why(elements: Elements) -> None:
    assert "Corrected" in elements.text
    assert f": {' '.join(HOSTILE.split())}" in elements.text


def test_a_photograph_that_is_gone(page: str) -> None:
    part = coupon_part(page, "Gone")
    assert "not kept in the record and is no longer found. The outline is drawn alone." in part
    assert part.count('src="data:image/jpeg') == 1  # the outline; nothing of the whole photograph


def test_a_result_without_its_outline_shows_what_it_has(page: str) -> None:
    assert coupon_part(page, "Plain").count('src="data:image/jpeg') >= 1


def coupon_part(page: str, name: str) -> str:
    start = page.index(f"Coupon <bdi>{name}</bdi>")
    return page[start : page.index("</article>", start)]


def test_inches(bench: Path, tmp_path: Path) -> None:
    text = Elements(
        report(bench, tmp_path / "in.html", "B01", "B02", "--unit", "in").read_text(encoding="utf-8")
    ).text
    assert "at least 0.1181 in" in text  # 3 mm
    assert "0.0007874 in per px" in text  # 0.02 mm / 25.4
    assert "15.7 in/min" in text or "400 mm/min (= 15.75 in/min)" in text
    assert "kJ/in" in text
    assert "kJ/mm" not in text
    assert not re.search(r"\d mm²", text)


def test_some_coupons_only(bench: Path, tmp_path: Path, run: Run) -> None:
    target = tmp_path / "two.html"
    ended = run("report", bench, "B02", "B05", "--to", target, "--title", "Trial <b> of March")
    assert ended.status == 0
    assert "2 coupons" in ended.out
    assert CAUTIONS[0] in ended.out
    text = target.read_text(encoding="utf-8")
    assert "Coupon <bdi>B02" in text
    assert "Coupon <bdi>B01" not in text
    assert "<title>Trial &lt;b&gt; of March</title>" in text


def test_one_coupon_has_no_comparison(bench: Path, tmp_path: Path) -> None:
    target = tmp_path / "one.html"
    with pytest.raises(SystemExit):
        main(["report", str(bench), "B02", "--to", str(target)])
    text = target.read_text(encoding="utf-8")
    assert "What the settings did" not in text
    assert '<figure class="plot">' not in text


def test_conditions(bench: Path, tmp_path: Path) -> None:
    text = report(bench, tmp_path / "w.html", "--where", "amps>=210").read_text(encoding="utf-8")
    assert "Coupon <bdi>B06" in text
    assert "Coupon <bdi>B05" not in text
    assert "amps&gt;=210" in text


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["B1", "--to", "x.html"], "There is no coupon B1 on .*did you mean B"),
        (["--to", "x.docx"], "x.docx must end in .html or .pdf"),
        (["--to", "x.html", "--where", "amps>900"], "Nothing to report: no coupon .* fits these conditions"),
        (["--to", "x.html", "--by", "weather"], "'weather' is not a setting on this record"),
        (["--to", "x.html", "--of", "beauty"], "'beauty' is not a quantity"),
        (["--to", "x.html", "--x", "beauty"], "'beauty' is not a setting on this record"),
        (["--to", "nowhere/x.html"], "cannot be written: its folder does not exist"),
    ],
)
def test_bad_input_is_one_sentence(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = run("report", bench, *arguments)
    assert ended.status == 2
    assert re.search(sentence, ended.err)
    assert ended.err.count("\n") <= 2
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("missing", ["jinja2", "matplotlib"])
def test_a_missing_extra_is_named(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    monkeypatch.setitem(__import__("sys").modules, missing, None)
    ended = run("report", bench, "--to", tmp_path / "x.html")
    assert ended.status == 2
    assert "pip install 'macrocheck[report]'" in ended.err


def test_a_record_without_sections(tmp_path: Path, run: Run) -> None:
    from macrocheck.record.entries import coupon_entry
    from macrocheck.record.store import append

    record = open_record(tmp_path / "empty.db", make=True)
    record.close()
    assert "Nothing to report" in run("report", tmp_path / "empty.db", "--to", tmp_path / "x.html").err
    record = open_record(tmp_path / "empty.db")
    append(record, [coupon_entry("A", [])])
    record.close()
    assert run("report", tmp_path / "empty.db", "--to", tmp_path / "x.html").status == 0
    assert "No section of this coupon is on the record." in (tmp_path / "x.html").read_text(encoding="utf-8")


def test_a_checked_record(bench: Path, tmp_path: Path) -> None:
    text = Elements(report(bench, tmp_path / "x.html", "Failed", "--verify").read_text(encoding="utf-8")).text
    assert "revisions and their documents: nothing was changed" in text


def test_a_record_that_was_changed(bench: Path, tmp_path: Path) -> None:
    import shutil
    import sqlite3

    copy = tmp_path / "changed.db"
    shutil.copy(bench, copy)
    with sqlite3.connect(copy) as database:
        database.execute("DROP TRIGGER coupon_no_update")
        database.execute("UPDATE coupon SET run = 'another' WHERE coupon = 'Failed'")
    database.close()
    text = Elements(report(copy, tmp_path / "x.html", "Failed", "--verify").read_text(encoding="utf-8")).text
    assert "This record was changed or is damaged." in text
    assert "faults, below" in text


def test_bead(tmp_path: Path, tee: Tee, run: Run) -> None:
    """A bead has neither legs nor a joint root: its report goes without those plots."""
    from tests.report.pages.bench import put, settings

    document: dict[str, Any] = tee.document
    bead = {**document, "welds": [{**document["welds"][0], "joint": "bead", "profile": {}}]}
    record = open_record(tmp_path / "bead.db", make=True)
    for i in range(2):
        put(
            record, Tee(tee.photo, bead, tee.outline, tee.scale), f"A{i}", tmp_path, noted=settings(gas="CO2"),
            with_outline=False,
        )  # fmt: skip
    record.close()
    assert run("report", tmp_path / "bead.db", "--to", tmp_path / "x.html", "--by", "gas").status == 0
