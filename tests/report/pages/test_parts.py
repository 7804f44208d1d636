"""The parts of a report by themselves: photographs, pictures, examination, words."""

import hashlib
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from macrocheck.errors import InputError
from macrocheck.record.engine import reading
from macrocheck.record.settings import Setting
from macrocheck.record.store import open_record
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.pages.coupon_view import coupon_grade, sides_of
from macrocheck.report.pages.drawing import LONGEST_PX, PICTURE_BYTES, SHORTEST_PX, picture_side
from macrocheck.report.pages.examination import ITEMS, examination
from macrocheck.report.pages.facts import CouponFacts, SectionFacts
from macrocheck.report.pages.gather import coupon_facts
from macrocheck.report.pages.html import _breaks
from macrocheck.report.pages.photos import Found, decode, find_photo, shrunk
from macrocheck.report.pages.pictures import QUALITIES, section_pictures
from macrocheck.report.pages.study_view import comparison_views
from macrocheck.report.pages.wording import interval_text, setting_text, with_spread
from macrocheck.report.tables import Row
from macrocheck.study.compare import By, compare
from macrocheck.study.values import Interval
from tests.report.pages.bench import settings
from tests.study.make import coupon


@pytest.fixture(scope="module")
def facts(bench: Path) -> CouponFacts:
    record = open_record(bench)
    with reading(record.engine, record.name) as conn:
        found = coupon_facts(conn, "B01")
    record.close()
    return found


def jpeg(width: int, height: int, *, orientation: int | None = None) -> bytes:
    """Return a picture that is red in its left upper quarter as it is stored, else grey."""
    pixels = np.full((height, width, 3), 120, np.uint8)
    pixels[: height // 2, : width // 2] = (220, 20, 20)
    exif = Image.Exif()
    if orientation is not None:
        exif[274] = orientation
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=95, exif=exif)
    return file.getvalue()


@pytest.mark.parametrize(("zoom", "factor"), [(1.0, 1), (0.6, 2), (0.5, 2), (0.3, 4), (0.1, 8), (2.0, 1)])
def test_a_jpeg_is_decoded_no_larger_than_needed(zoom: float, factor: int) -> None:
    small = decode(jpeg(640, 480), "a.jpg", (640, 480), zoom)
    assert small.factor == factor
    assert small.pixels.shape == (480 // factor, 640 // factor, 3)
    assert small.pixels[5, 5].tolist() == pytest.approx([220, 20, 20], abs=12)


@pytest.mark.parametrize("factor", [1, 4])
def test_a_turned_jpeg_comes_upright(factor: int) -> None:
    """EXIF 2.3: orientation 6 is a camera turned so that the stored left lower corner is the upper left one."""
    small = decode(jpeg(640, 480, orientation=6), "a.jpg", (480, 640), 1 / factor)
    assert small.factor == factor
    h, w = small.pixels.shape[:2]
    assert (h, w) == (640 // factor, 480 // factor)
    assert small.pixels[5, w - 5].tolist() == pytest.approx([220, 20, 20], abs=12)


def test_another_size_is_refused() -> None:
    with pytest.raises(InputError, match="another size"):
        decode(jpeg(640, 480), "a.jpg", (640, 482), 1.0)
    with pytest.raises(InputError, match="cannot be read as a picture"):
        decode(b"\xff\xd8 no picture", "a.jpg", (640, 480), 1.0)


def test_png_too(tmp_path: Path) -> None:
    Image.new("RGB", (300, 200), (1, 2, 3)).save(tmp_path / "a.png")
    small = decode((tmp_path / "a.png").read_bytes(), "a.png", (300, 200), 0.1)
    assert (small.factor, small.pixels.shape) == (1, (200, 300, 3))


def test_shrinking_keeps_the_mean() -> None:
    pixels = np.random.default_rng(1).integers(0, 255, (901, 1203, 3)).astype(np.uint8)
    small, zoom = shrunk(pixels, 360)
    assert small.shape == (270, 360, 3)
    assert zoom == pytest.approx(360 / 1203)
    assert small.mean() == pytest.approx(pixels.mean(), abs=1.0)


def test_the_outline_lies_on_the_weld(facts: CouponFacts, bench: Path) -> None:
    """The weld is darker than the plates: drawn at a tenth, its inside is dark where the outline says."""
    section = facts.sections[0]
    record = open_record(bench)
    found = find_photo(section, record.photos)
    record.close()
    assert found.content is not None
    pictures = section_pictures(section, found, long_px=700, most_bytes=10**7, unit="mm")
    main = pictures.main
    assert main is not None
    assert pictures.note == ""
    assert max(main.width, main.height) == pytest.approx(700, abs=3)
    assert main.mm_per_px is not None
    with Image.open(io.BytesIO(main.content)) as image:
        rgb = np.asarray(image.convert("RGB")).astype(int)
    blue = (np.abs(rgb - (86, 180, 233)).max(axis=2) < 60).sum()  # the face's own colour
    face_mm = 250 * np.sqrt(2) * 0.02
    assert blue > 0.5 * face_mm / main.mm_per_px


def test_a_changed_or_lost_photograph(facts: CouponFacts, bench: Path, tmp_path: Path) -> None:
    section = facts.sections[0]
    record = open_record(bench, photos=tmp_path)
    assert section.photo is not None
    gone = replace(section, document=None)
    assert find_photo(gone, record.photos).why_not.endswith("is no longer found.")
    kept = record.photos.place(section.photo)
    assert kept is not None
    kept.write_bytes(b"another")
    assert "was changed since" in find_photo(gone, record.photos).why_not
    assert find_photo(section, record.photos).content is not None  # it still lies where it was measured
    loose = replace(section, photo=replace(section.photo, kept="no"), document=moved(section, tmp_path / "x.jpg"))
    assert "no longer found" in find_photo(loose, record.photos).why_not
    (tmp_path / "x.jpg").write_bytes(b"not it")
    assert "another file lies where it was" in find_photo(loose, record.photos).why_not
    record.close()


def moved(section: SectionFacts, path: Path) -> dict[str, Any]:
    assert section.document is not None
    return {**section.document, "photo": {**section.document["photo"], "path": str(path)}}


def test_without_the_photograph_the_outline_is_drawn(facts: CouponFacts) -> None:
    found = Found(None, "It is lost.")
    pictures = section_pictures(facts.sections[0], found, long_px=700, most_bytes=10**7, unit="mm")
    assert pictures.note == "It is lost. The outline is drawn alone."
    assert pictures.main is not None
    assert pictures.whole is None
    with Image.open(io.BytesIO(pictures.main.content)) as image:
        assert np.asarray(image.convert("L")).std() > 15


def test_pictures_keep_to_their_weight(facts: CouponFacts) -> None:
    found = Found(None, "x")
    heavy = section_pictures(facts.sections[0], found, long_px=900, most_bytes=10**7, unit="mm").main
    light = section_pictures(facts.sections[0], found, long_px=900, most_bytes=1, unit="mm").main
    assert heavy is not None
    assert light is not None
    assert len(light.content) < 0.75 * len(heavy.content)
    assert list(QUALITIES) == sorted(QUALITIES, reverse=True)


def test_more_pictures_are_smaller() -> None:
    assert picture_side(1) == LONGEST_PX
    assert picture_side(10_000) == SHORTEST_PX
    sides = [picture_side(n) for n in (1, 50, 200, 400, 1000)]
    assert sides == sorted(sides, reverse=True)
    assert 4 / 3 * PICTURE_BYTES * 1.2 < 50_000_000  # with base64, a tenth over, and room for the rest under 60 MB


def test_examination_items() -> None:
    noted = settings(**{"Etchant": "nital", "etch time": "10 s", "wire": "ER70S-6", "base metal": "S355"})
    parted = examination(noted)
    assert [(i.title, s.text) for i, s in parted.noted] == [
        ("Parent metal", "S355"),
        ("Etchant", "nital"),
        ("Etching time", "10 s"),
    ]
    assert parted.missing == ("Surface finish", "Etching method", "Magnification")
    assert [s.name for s in parted.others] == ["wire"]


def test_every_core_item_of_the_report_is_known() -> None:
    """ISO 17639's report: parent metal, etchant, surface finish, etching method and time (read in an extract)."""
    core = {item.title for item in ITEMS if item.core}
    assert {"Parent metal", "Etchant", "Surface finish", "Etching method", "Etching time"} <= core


@pytest.mark.parametrize(
    ("setting", "unit", "text"),
    [
        (Setting("wire_diameter", "0.9 mm", 0.9, unit="mm"), "mm", "0.9 mm"),
        (Setting("wire_diameter", "0.9 mm", 0.9, unit="mm"), "in", "0.9 mm (= 0.03543 in)"),
        (Setting("wire_diameter", ".035 in", 0.889, unit="mm"), "mm", ".035 in (= 0.889 mm)"),
        (Setting("amps", "180", 180.0, unit="A"), "mm", "180 A"),
        (Setting("volts", "22-23", 22.5, 22, 23, 0.29, "V"), "mm", "22-23 (= 22.50 ± 0.58 V)"),
        (Setting("travel_speed", "400 mm/min", 400.0, unit="mm/min"), "in", "400 mm/min (= 15.75 in/min)"),
        (Setting("deposition_efficiency", "95 %", 0.95, unit="1"), "mm", "95 %"),
        (Setting("note", "as\x00is", None), "mm", "as\\x00is"),
        (Setting("passes", "1", 1.0, origin="assumed"), "mm", "1 (assumed)"),
    ],
)
def test_settings_as_written_and_as_numbers(setting: Setting, unit: LengthUnit, text: str) -> None:
    assert setting_text(setting, unit) == text


def test_inch_factors() -> None:
    """Inch 25.4 mm, pound 0.45359237 kg (international yard and pound agreement, 1959), both exact."""
    heat = Setting("heat_input", "=", 1.0, unit="kJ/mm", origin="derived")
    assert setting_text(heat, "in") == "25.4 kJ/in"
    melt = Setting("melt_off_rate", "=", 4.5359237, unit="kg/h", origin="derived")
    assert setting_text(melt, "in") == "10 lb/h"
    flow = Setting("gas_flow", "35 cfh", 35 * 28.316846592 / 60, unit="L/min")
    assert setting_text(flow, "in") == "35 cfh (= 35 ft³/h)"


def test_digits_follow_the_spread() -> None:
    assert with_spread(0.91349, 0.042, "mm", "mm") == "0.913"
    assert with_spread(None, 0.042, "mm", "mm") == "–"
    assert interval_text(Interval(0.4049, 0.6051), "mm", "mm") == "0.40 to 0.61"
    assert interval_text(Interval(None, 1.0), "mm", "mm") == "–"
    assert interval_text(Interval(0.004, 0.9), "mm", "mm") == "0.004 to 0.900"  # leaves out 0, and shows it
    assert interval_text(Interval(-0.004, 0.9), "mm", "mm") == "0.00 to 0.90"


def test_both_sides_in_one_row() -> None:
    rows = [
        Row("leg_butting", "Leg, butting", "5.00", "0.06", "mm"),
        Row("size", "Size", "5.0", "0.1", "mm"),
        Row("leg_nonbutting", "Leg, nonbutting", "5.10", "0.06", "mm"),
    ]
    names, paired, single = sides_of(rows)
    assert names == ("butting", "nonbutting")
    assert [(p.name, p.first and p.first.value, p.second and p.second.value) for p in paired] == [
        ("Leg", "5.00", "5.10")
    ]
    assert [r.key for r in single] == ["size"]
    names, paired, _ = sides_of([Row("toe_angle_left", "Toe angle, left", "130", "3", "°")])
    assert names == ("left", "right")
    assert paired[0].second is None


def test_grade_of_a_coupon(facts: CouponFacts) -> None:
    good = replace(facts.sections[0], document={**(facts.sections[0].document or {}), "grade": "accept"})
    failed = replace(good, document=None)
    assert coupon_grade(replace(facts, sections=(good, good))) == "accept"
    assert coupon_grade(replace(facts, sections=(good, failed))) == "undecided"
    assert coupon_grade(replace(facts, sections=(failed,))) == "failed"
    assert coupon_grade(replace(facts, sections=())) == "failed"


def test_photograph_digests_are_of_the_bytes(facts: CouponFacts, bench: Path) -> None:
    record = open_record(bench)
    found = find_photo(facts.sections[0], record.photos)
    record.close()
    assert found.content is not None
    assert facts.sections[0].photo is not None
    assert hashlib.sha256(found.content).hexdigest() == facts.sections[0].photo.sha256


def test_only_a_long_word_may_be_broken() -> None:
    assert not _breaks("B01 and B02, 0.9 mm")
    assert _breaks("see " + "x" * 30) == ' class="long"'


def test_what_is_said_of_groups_is_in_their_unit_and_names_them() -> None:
    coupons = [
        coupon(f"{gas}{i}", {"gas": gas}, [start + 0.5 * i], words=["undecided"], at_least=4.0)
        for gas, start, count in (("Ar", 4.2, 3), ("CO2", 4.3, 4))
        for i in range(count)
    ]
    made = [compare(coupons, by=[By("gas")], quantities=["size"], lengths=unit) for unit in ("mm", "in")]
    (view,) = comparison_views(made[0], made[1], "in")
    said = [note for note in view.notes if "4 coupons tell the scatter poorly" in note]
    assert [note.partition(":")[0] for note in said] == ["CO2"]
    assert any("at least 0.157 in with 95 % confidence" in note for note in view.notes)  # 4 mm
    assert not any(" mm" in note for note in view.notes)
