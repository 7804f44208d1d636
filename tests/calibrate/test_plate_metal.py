"""What is no plate though it has two long edges, and what a thickness alone does not tell."""

import json
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.plate import plates
from macrocheck.errors import NotFoundError
from macrocheck.reading import read_photo
from macrocheck.render.mark_placing import MarkKind
from macrocheck.render.marks import draw_ruler
from macrocheck.render.photo import render_photo
from macrocheck.render.samples import SAMPLES, Sample
from tests.calibrate.scenes import camera, photo_of

FOLDER = Path(__file__).parents[2] / "sample_images"
SAMPLE_IDS = [sample.coupon for sample in SAMPLES]


def _true(sample: Sample) -> float:
    truth = json.loads((FOLDER / f"{sample.stem}.truth.json").read_text(encoding="utf-8"))
    return float(truth["mm_per_px"])


@pytest.mark.parametrize("sample", SAMPLES, ids=SAMPLE_IDS)
def test_no_sample_gives_a_wrong_scale_whichever_member_was_measured(sample: Sample) -> None:
    photo = read_photo(str(FOLDER / f"{sample.stem}.jpg"))
    true = _true(sample)
    members = {sample.spec.thickness_butting, sample.spec.thickness_nonbutting}
    offered: list[float] = []
    for thickness in members:
        try:
            scale = calibrate(photo, [parse_mark(f"plate:{thickness:g}mm")])
        except NotFoundError as why:
            for offer in re.findall(r"plate:[0-9.]+mm@\d+,\d+", str(why)):
                scale = calibrate(photo, [parse_mark(offer)])
                offered.append(scale.mm_per_px / true)
        else:
            assert len(members) == 1
            assert abs(scale.mm_per_px / true - 1) < 2 * scale.u_rel
    # what is offered is a member: its own thickness over the one that was stated
    for ratio in offered:
        assert min(abs(ratio * a / b - 1) for a in members for b in members) < 0.01


@pytest.mark.parametrize(
    ("coupon", "thickness", "point"),
    [("T6-03", 6, (700, 175)), ("T6-11", 6, (507, 240)), ("T8-09", 8, (833, 921)), ("L6-01", 8, (184, 934))],
)
def test_the_member_that_shows_both_faces_is_asked_about_and_then_right(
    coupon: str, thickness: int, point: tuple[int, int]
) -> None:
    sample = next(s for s in SAMPLES if s.coupon == coupon)
    photo = read_photo(str(FOLDER / f"{sample.stem}.jpg"))
    with pytest.raises(NotFoundError, match="does not tell whether") as caught:
        calibrate(photo, [parse_mark(f"plate:{thickness}mm")])
    (offer,) = re.findall(r"plate:[0-9.]+mm@\d+,\d+", str(caught.value))
    x, y = (int(v) for v in offer.split("@")[1].split(","))
    assert (x, y) == pytest.approx(point, abs=40)
    scale = calibrate(photo, [parse_mark(offer)])
    assert scale.mm_per_px == pytest.approx(_true(sample), rel=0.004)


@pytest.mark.parametrize(
    ("coupon", "thickness", "point"),
    [("T6-16", 6, "1418,123"), ("T8-02", 8, "1242,102"), ("L6-01", 6, "839,199"), ("T6-07", 6, "753,198")],
)
def test_a_point_on_a_label_or_a_rule_makes_no_plate_of_it(coupon: str, thickness: int, point: str) -> None:
    sample = next(s for s in SAMPLES if s.coupon == coupon)
    photo = read_photo(str(FOLDER / f"{sample.stem}.jpg"))
    with pytest.raises(NotFoundError, match="was not found"):
        calibrate(photo, [parse_mark(f"plate:{thickness}mm@{point}")])


def _label(paper: float, ink: float, ground: float, text: str) -> AnyArray:
    image = np.full((600, 800, 3), int(ground), np.uint8)
    cv2.rectangle(image, (220, 240), (560, 330), (paper,) * 3, -1)
    if text:
        cv2.putText(image, text, (290, 300), cv2.FONT_HERSHEY_SIMPLEX, 1.3, (ink,) * 3, 4, cv2.LINE_AA)
    return image


@pytest.mark.parametrize(("paper", "ink", "ground"), [(245.0, 20.0, 60.0), (20.0, 240.0, 190.0)])
@pytest.mark.parametrize("blur", [0.7, 2.0])
def test_a_printed_label_is_no_plate(paper: float, ink: float, ground: float, blur: float) -> None:
    printed = photo_of(camera(_label(paper, ink, ground, "10 mm"), seed=1, blur=blur))
    assert plates(printed) == []
    # the same without the print is a plate for all that the picture tells
    bare = photo_of(camera(_label(paper, ink, ground, ""), seed=1, blur=blur))
    assert len(plates(bare)) == 1


@pytest.mark.parametrize("angle", [0.0, 33.0])
def test_a_rule_is_no_plate_and_neither_are_its_margins(angle: float) -> None:
    image, _ = draw_ruler(
        np.full((900, 1200, 3), 60.0), origin=(250.0, 250.0), pitch_px=24.0, count=31, angle_deg=angle
    )
    assert plates(photo_of(camera(image, seed=1))) == []


@pytest.mark.parametrize("seed", range(2000, 2012))
@pytest.mark.parametrize("mark", ["bar", "ruler"])
def test_rendered_sections_beside_a_label_or_a_rule(seed: int, mark: MarkKind) -> None:
    drawn = render_photo(
        seed,
        "grain" if seed % 2 else "fair",
        px_per_mm=14.0 + 2 * (seed % 10),
        size=(900, 675),
        mark=mark,
        wild=0.3,
    )
    spec = drawn.section.spec
    photo = photo_of(drawn.rgb)
    for thickness in {spec.thickness_butting, spec.thickness_nonbutting}:
        try:
            scale = calibrate(photo, [parse_mark(f"plate:{thickness:.6f}mm")])
        except NotFoundError:
            continue
        assert abs(scale.mm_per_px / drawn.mm_per_px - 1) < max(2 * scale.u_rel, 0.002)


def test_a_plate_alone_in_the_picture_is_told_by_its_thickness() -> None:
    image = np.full((600, 800, 3), 40.0)
    cv2.rectangle(image, (0, 250), (799, 349), (170.0,) * 3, -1)
    photo = photo_of(camera(image, seed=1))
    assert calibrate(photo, [parse_mark("plate:6mm")]).mm_per_px == pytest.approx(0.06, rel=0.002)
    # other metal in the picture may be the plate that was measured
    cv2.rectangle(image, (300, 0), (799, 200), (120.0,) * 3, -1)
    with pytest.raises(NotFoundError, match="plate:6mm@"):
        calibrate(photo_of(camera(image, seed=1)), [parse_mark("plate:6mm")])


def test_a_coupon_is_as_thick_as_its_faces_are_apart_and_not_its_sawn_ends() -> None:
    image = np.full((700, 900, 3), 40.0)
    cv2.rectangle(image, (250, 260), (599, 399), (170.0,) * 3, -1)
    for plate in plates(photo_of(camera(image, seed=2))):
        assert plate.thickness == pytest.approx(140, abs=1.5)
