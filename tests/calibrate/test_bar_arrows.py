"""Arrows drawn into a picture are no bars, and do not hide one; bars laid into rendered photographs of sections."""

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.errors import NotFoundError
from macrocheck.render.marks import draw_bar
from tests.calibrate.laid_bars import with_laid_bar
from tests.calibrate.scenes import camera, photo_of

if TYPE_CHECKING:
    from macrocheck.arrays import AnyArray


def _with_arrow(degrees: float, thick: int, head: float, tone: float) -> "AnyArray":
    """An arrow as OpenCV draws it, its barbs `head` of its length, on (720, 960, 3)."""
    image = np.full((720, 960, 3), 90.0)
    a = np.deg2rad(degrees)
    middle = np.array([470.0, 300.0])
    tail, tip = (np.rint(middle + s * 110 * np.array([np.cos(a), np.sin(a)])).astype(int) for s in (-1, 1))
    mask: AnyArray = np.zeros(image.shape[:2], np.uint8)
    cv2.arrowedLine(mask, tail.tolist(), tip.tolist(), (255,), thick, cv2.LINE_AA, 0, head)
    part = mask[..., None] / 255.0
    return image * (1 - part) + tone * part


@pytest.mark.parametrize("degrees", [0.0, 64.0, -148.0])
@pytest.mark.parametrize("thick", [3, 6])
@pytest.mark.parametrize("head", [0.15, 0.3])
def test_an_arrow_is_no_bar(degrees: float, thick: int, head: float) -> None:
    image = _with_arrow(degrees, thick, head, 245.0)
    with pytest.raises(NotFoundError):
        calibrate(photo_of(camera(image, seed=3)), [parse_mark("bar:10mm")])
    both, drawn = draw_bar(image, start=(120.4, 660.2), length_px=230.7, thickness_px=5.0, colour=(20, 20, 20))
    scale = calibrate(photo_of(camera(both, seed=3)), [parse_mark("bar:10mm")])
    assert scale.mm_per_px == pytest.approx(10 / drawn.length_px, rel=0.002)


@pytest.mark.parametrize("seed", [0, 4, 5, 15, 49])
def test_an_arrow_drawn_by_hand_is_no_bar(seed: int) -> None:
    """Red, its barbs at unlike angles, one up to 32 degrees wider than the other."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 4, (320, 320, 3))
    image = np.clip(np.full((320, 320, 3), (80, 74, 96)) + noise, 0, 255).astype(np.uint8)
    turn, length, thick = rng.uniform(0, 2 * np.pi), rng.uniform(110, 170), int(rng.integers(2, 5))
    along = np.array([np.cos(turn), np.sin(turn)]) * length / 2

    def line(start: "AnyArray", end: "AnyArray") -> None:
        ends = (np.rint(p).astype(int).tolist() for p in (start, end))
        cv2.line(image, next(ends), next(ends), (40, 30, 230), thick, cv2.LINE_AA)

    line(160 - along, 160 + along)
    barb = rng.uniform(0.15, 0.3) * length
    for side in (1, -1):
        angle = turn + np.pi + side * np.deg2rad(rng.uniform(28, 60))
        line(160 + along, 160 + along + barb * np.array([np.cos(angle), np.sin(angle)]))
    packed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])[1]
    seen: AnyArray = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))
    with pytest.raises(NotFoundError):
        calibrate(photo_of(seen[..., ::-1].astype(np.uint8)), [parse_mark("bar:10mm")])


@pytest.mark.parametrize("dark", [75.0, 90.0])
@pytest.mark.parametrize("edge", [270, 280])
def test_an_arrow_whose_head_lies_on_another_ground_is_no_bar(dark: float, edge: int) -> None:
    """Black, from a pale plate up to a ground that is nearly as dark as the arrow."""
    image = np.full((720, 960, 3), 200.0)
    image[:edge] = dark
    mask: AnyArray = np.zeros(image.shape[:2], np.uint8)
    for end in ((470, 400), (438, 247), (502, 247)):
        cv2.line(mask, (470, 215), end, (255,), 4, cv2.LINE_AA)
    part = mask[..., None] / 255.0
    with pytest.raises(NotFoundError):
        calibrate(photo_of(camera(image * (1 - part) + 10.0 * part, seed=3)), [parse_mark("bar:10mm")])


@pytest.mark.parametrize("thick", [3, 6])
def test_the_same_shaft_without_barbs_is_a_bar(thick: int) -> None:
    image = np.full((720, 960, 3), 90.0)
    image, _ = draw_bar(image, start=(300.0, 300.0), length_px=220.0, angle_deg=64.0, thickness_px=float(thick))
    scale = calibrate(photo_of(camera(image, seed=3)), [parse_mark("bar:10mm")])
    assert scale.mm_per_px == pytest.approx(10 / 220.0, rel=0.003)


@pytest.mark.parametrize("seed", [15017, 15022, 15030, 15044])
def test_bars_in_photographs_with_arrows(seed: int) -> None:
    picture, text = with_laid_bar(seed)
    mark = parse_mark(text)
    scale = calibrate(photo_of(picture.pixels), [mark])
    assert mark.length_mm is not None
    assert scale.mm_per_px == pytest.approx(mark.length_mm / picture.length_px, rel=0.003), picture.what
