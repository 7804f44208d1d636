"""What the program says, in the page's words: everything that it can say is looked through."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import macrocheck
from macrocheck.calibrate import calibrate, parse_mark, settle_height
from macrocheck.errors import MacrocheckError
from macrocheck.reading import read_photo
from macrocheck.review.folder import KeepFolder
from macrocheck.review.wording import page_words
from tests.review.conftest import SAMPLES, opened

PACKAGE = Path(macrocheck.__file__).parent
KEEP = "/home/kim/.local/state/macrocheck/review"
SPEAKERS = (
    "calibrate", "grade", "segment", "measure", "record", "reading.py", "outline_file.py", "outline_features.py",
    "outline_correction.py", "units.py", "writing.py", "review",
)  # fmt: skip
"""Whoever speaks on the page."""
NEVER_THERE = {
    "card_page.py",  # the printed card's own text
    "crate.py", "export.py", "crate_metadata.py",  # written by another command
    "serve.py", "folder.py", "guard.py",  # said before there is a page, or to whoever is not let in
}  # fmt: skip
NEVER_SAID = ("holds several results", "is not a result of macrocheck", "--keep-photos", "--photos")
"""Of files that only the command line names, and of what `attach` and `verify` alone are asked."""


def _sentences() -> Iterator[str]:
    """Every sentence of the program that an error, a flag or a verdict can carry, with a word for each blank."""
    for name in SPEAKERS:
        place = PACKAGE / name
        for path in [place] if place.is_file() else sorted(place.glob("*.py")):
            if path.name in NEVER_THERE or path.name == "wording.py":
                continue
            tree = ast.parse(path.read_text(encoding="utf-8"))
            nodes = list(ast.walk(tree))
            parts = {id(v) for n in nodes if isinstance(n, ast.JoinedStr) for v in n.values}
            parts |= {id(n.value) for n in nodes if isinstance(n, ast.Expr)}  # descriptions
            for node in nodes:
                if id(node) in parts:
                    continue
                if isinstance(node, ast.JoinedStr):
                    yield "".join(
                        str(part.value) if isinstance(part, ast.Constant) else "x" for part in node.values
                    )
                elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                    yield node.value


def test_no_sentence_of_the_program_names_an_option_or_a_command_on_the_page() -> None:
    commands = r"macrocheck (?:attach|compare|limits|measure|photos|plot|record|relate|repeat|report|run|scale)"
    said = [s for s in _sentences() if re.search(rf"(?<!\w)--[a-z]|{commands}", s)]
    said = [s for s in said if not any(never in s for never in NEVER_SAID)]
    assert len(said) >= 8  # or nothing was looked through
    for sentence in said:
        words = page_words(sentence, KEEP)
        assert not re.search(rf"(?<!\w)--[a-z]|{commands}|LENGTH|\[given\]", words), (
            f"say this in the page's words in review/wording.py, or why it is never said there: {words}"
        )


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            f"A bar of known length (bar:10mm) was not found in {KEEP}/pictures/0123abcd/T6 07.jpg; check the "
            "mark, or use another: ruler:1mm, points:x1,y1,x2,y2=10mm, px:0.0212mm, card:49.7mm.",
            "A bar of known length (bar 10mm) was not found in T6 07.jpg; check the mark, choose another, or set "
            "the scale on the photo.",
        ),
        (
            f"{KEEP}/pictures/0123abcd/T6 07.jpg: no weld was found in the picture; photograph the etched section "
            "closer, or draw the outline by hand and give it with --outline",
            "No weld was found in the picture; photograph the etched section closer, or draw the weld by hand.",
        ),
        (
            f"{KEEP}/results/T6-07.result.json cannot be written: the disk is full; nothing was changed.",
            "T6-07.result.json cannot be written: the disk is full; nothing was changed.",
        ),
        (
            f"The folder {KEEP} cannot be written to: the disk is full.",
            "The folder that the page keeps its work in cannot be written to: the disk is full.",
        ),
        (
            "t is not given; state it with --given t=LENGTH or in [given]",
            "t is not given; fill it in",
        ),
        (
            "The point 900,20 of points:10,20,900,20=10mm lies outside the picture (800 x 600 px).",
            "The point 900,20 of two points 10mm apart lies outside the picture (800 x 600 px).",
        ),
        ("the toe lies outside the picture", "the toe lies outside the picture"),
    ],
)
def test_in_the_pages_words(said: str, words: str) -> None:
    assert page_words(said, KEEP, f"{KEEP}/pictures/0123abcd/T6 07.jpg", "T6 07.jpg") == words


def test_what_calibrate_really_says() -> None:
    """The patterns fit the sentences as they are raised, not only as they were copied here."""
    photo = read_photo(SAMPLES / "T6-03-sound.jpg")

    def said(*marks: str, **height: str) -> str:
        with pytest.raises(MacrocheckError) as refused:
            calibrate(photo, [parse_mark(m) for m in marks], **height)
        return page_words(str(refused.value), KEEP, photo.path, "T6-03-sound.jpg")

    assert said("ruler:1mm").endswith(
        "was not found in T6-03-sound.jpg; check the mark, choose another, or set the scale on the photo."
    )
    assert "leave its height empty" in said("bar:5mm", mark_offset="5mm", camera_distance="300mm")
    assert said("density").endswith("; choose another mark, or set the scale on the photo.")
    with pytest.raises(MacrocheckError) as refused:
        settle_height("5mm", None)
    assert page_words(str(refused.value), KEEP).endswith("which is not stated; fill in both.")


def test_refusals_on_the_page_name_no_folder_of_the_program(tmp_path: Path) -> None:
    keep = tmp_path / "keep"
    for page in opened(keep):

        def words(answer_text: str) -> str:
            assert str(keep) not in answer_text
            assert "--" not in answer_text
            return answer_text

        nothing = page.http.post("/api/photos?name=a.jpg", content=b"\xff\xd8\xff nothing")
        assert words(nothing.json()["text"]).startswith("a.jpg ")
        page.http.post("/api/photos?name=b.jpg", content=(SAMPLES / "T6-03-sound.jpg").read_bytes())
        page.post("/api/queue", {"settings": {"marks": ["ruler:1mm"]}, "untouched": True})
        state = page.photo()
        assert words(state["scale_problem"]) == (
            "A rule with that much between its ticks (rule 1mm) was not found in b.jpg; check the mark, choose "
            "another, or set the scale on the photo."
        )
        assert str(keep) not in str(state)
        limits = page.edit(
            state, {"kind": "settings", "settings": {"limits": "iso5817-fillet-c", "marks": ["bar:5mm"]}}
        )
        texts = [v["text"] for q in limits["welds"][0]["quantities"] for v in q["verdicts"]]
        assert any("fill it in" in text for text in texts)
        assert not any("--given" in text for text in texts)
        toml = page.http.post(
            "/api/limits?name=mine.toml",
            content=b'name = "x"\n[[limit]]\nname = "a"\nquantity = "zzz"\nat_least = "1mm"\n',
        )
        assert toml.status_code == 422
        words(toml.json()["text"])


def test_the_folder_of_the_work_is_one_of_the_programs(tmp_path: Path) -> None:
    with KeepFolder(tmp_path / "keep") as keep:
        text = f"{keep.results / 'a.result.json'} cannot be written: the disk is full; nothing was changed."
        assert page_words(text, str(keep.path)).startswith("a.result.json cannot")
