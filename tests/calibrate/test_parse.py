"""Reading marks as people write them."""

import dataclasses
import subprocess
import sys

import pytest

from macrocheck.calibrate import KINDS, parse_mark
from macrocheck.errors import InputError


@pytest.mark.parametrize(
    ("text", "kind", "length_mm"),
    [
        ("bar:10mm", "bar", 10.0),
        ("bar: 0.5 cm", "bar", 5.0),
        ("BAR:10mm", "bar", 10.0),
        ("ruler:1mm", "ruler", 1.0),
        # the inch is 25.4 mm exactly (international yard and pound agreement, 1959)
        ("ruler:1/16in", "ruler", 1.5875),
        ("px:0.0212mm", "px", 0.0212),
        ("px:21.2um", "px", 0.0212),
        ("points:10,20,310,420=10mm", "points", 10.0),
    ],
)
def test_marks_are_read(text: str, kind: str, length_mm: float) -> None:
    mark = parse_mark(text)
    assert mark.kind == kind
    assert mark.length_mm == pytest.approx(length_mm, rel=1e-12)
    assert mark.text == text


def test_points_keep_their_places() -> None:
    assert parse_mark("points:10,20.5,310,420=3/8in").points_px == ((10.0, 20.5), (310.0, 420.0))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("coin:1", "bar:10mm, ruler:1mm"),
        ("", "is empty"),
        ("bar", "needs its length"),
        ("bar:", "needs its length"),
        ("bar:10", "no unit"),
        ("bar:-3mm", "more than zero"),
        ("bar:ten mm", "cannot be read"),
        ("points:1,2=10mm", "two points"),
        ("points:1,2,3,4", "two points"),
        ("points:1,2,3,x=10mm", "cannot be read"),
        ("points:1,2,1.5,2=10mm", "less than 2 px"),
        ("bar:10mm+-9mm", "too wide"),
        ("ruler:1mm+-0.1mm", "percentage"),
        ("px:0.02", "no unit"),
    ],
)
def test_a_wrong_mark_gets_one_sentence(text: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_mark(text)
    sentence = str(caught.value)
    assert says in sentence
    assert "\n" not in sentence
    assert sentence.endswith(".")


def test_an_unknown_mark_lists_every_kind() -> None:
    with pytest.raises(InputError) as caught:
        parse_mark("tape:1mm")
    assert all(kind.form in str(caught.value) for kind in KINDS)


def test_stated_limits_of_error_are_rectangular() -> None:
    # JCGM 100:2008, 4.3.7: standard uncertainty of a rectangular distribution of half-width a is a / sqrt(3)
    mark = parse_mark("bar:10mm+-0.02mm")
    assert mark.tolerance == pytest.approx(0.002)
    assert mark.u_rel == pytest.approx(0.002 / 3**0.5)
    assert parse_mark("bar:10mm±0.2%").tolerance == pytest.approx(0.002)


def test_a_pixel_size_holds_to_half_its_last_digit() -> None:
    assert parse_mark("px:0.0212mm").tolerance == pytest.approx(0.5 / 212)
    assert parse_mark("px:0.02mm").tolerance == pytest.approx(0.005)
    assert parse_mark("px:0.02120mm").tolerance == pytest.approx(0.5 / 2120)


def test_a_mark_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        parse_mark("bar:10mm").length_mm = 3.0  # type: ignore[misc]


def test_reading_a_mark_loads_no_image_library() -> None:
    code = (
        "import sys; from macrocheck.calibrate import parse_mark; parse_mark('bar:10mm');"
        "print([m for m in ('cv2', 'scipy', 'skimage', 'PIL') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
