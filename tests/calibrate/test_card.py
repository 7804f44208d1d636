"""The printed card found under known homographies; OpenCV's board picture and camera model are the reference."""

import math

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.card import find, jacobian, locate, through, tilt_deg, u_length, upright_plane
from macrocheck.calibrate.card_board import BOARD_MM, CHECK_MM
from macrocheck.errors import InputError, NotFoundError
from tests.calibrate.cards import MARGIN_MM, Seen, board_picture, draw, pinhole, with_card
from tests.calibrate.pictures import blank
from tests.calibrate.scenes import backdrop, camera, photo_of

SIZE = np.array([1200.0, 900.0])


def _tilted(
    tilt: float, *, seed: int = 1, px_per_mm: float = 9.0, turn: float = 25.0, towards: float = 60.0
) -> Seen:
    to_px = pinhole(
        tilt=tilt,
        towards=towards,
        turn=turn,
        px_per_mm=px_per_mm,
        focal_px=1400,
        at_px=SIZE * [0.45, 0.55],
        middle=(SIZE - 1) / 2,
    )
    image = draw(backdrop(seed, 1200, 900, "ground"), to_px, px_per_mm)
    return Seen(camera(image, seed=seed, blur=1.0), to_px, tilt, f"tilt {tilt:.0f}")


def _apart(points: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(points[1:] - points[0], axis=1))


def test_corners_lie_where_opencvs_board_has_them() -> None:
    # the reference is OpenCV's CharucoBoard.generateImage: its px i covers i to i + 1, so corners fall at i - 0.5
    drawn = 10.0
    card = locate(np.asarray(board_picture(drawn), dtype=np.uint8))
    assert card is not None
    assert len(card.corners_px) == 35
    expected = (card.corners_mm + MARGIN_MM) * drawn - 0.5
    assert np.abs(card.corners_px - expected).max() < 0.05
    off = card.outline_px - ((np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * BOARD_MM + MARGIN_MM) * drawn - 0.5)
    assert np.abs(off).max() < 0.1


@pytest.mark.parametrize("tilt", [0.0, 8.0, 20.0])
@pytest.mark.parametrize("turn", [0.0, 128.0])
def test_lengths_on_a_tilted_section_come_out_true(tilt: float, turn: float) -> None:
    seen = _tilted(tilt, turn=turn)
    scale = calibrate(photo_of(seen.pixels), [parse_mark("card")])
    # points of the section all over the picture, their places known from the pinhole camera
    px = np.array(
        [[600, 450], [80, 80], [1100, 100], [1120, 830], [90, 800], [640, 450], [600, 520]], dtype=np.float64
    )
    h = np.column_stack([px, np.ones(len(px))]) @ seen.to_mm.T
    true = h[:, :2] / h[:, 2:]
    assert _apart(scale.to_mm(px)) == pytest.approx(_apart(true), rel=0.001)
    assert scale.to_px(scale.to_mm(px)) == pytest.approx(px, abs=1e-6)
    # x to the right and y down in the middle of the picture, however the card lies
    here, right, below = scale.to_mm(np.array([[599.5, 449.5], [600.5, 449.5], [599.5, 450.5]]))
    assert (right - here)[0] > 0
    assert (below - here)[1] > 0
    assert (right - here)[1] == pytest.approx((below - here)[0], abs=1e-5)
    assert scale.mm_per_px == pytest.approx(scale.mm_per_px_at((599.5, 449.5)), rel=1e-4)


@pytest.mark.parametrize("tilt", [0.0, 8.0, 20.0])
def test_tilt_is_told(tilt: float) -> None:
    scale = calibrate(photo_of(_tilted(tilt).pixels), [parse_mark("card")])
    codes = {f.code for f in scale.flags}
    assert "scale_one_mark" not in codes
    assert ("scale_tilt" in codes) == (tilt > 3)
    if tilt:
        flag = next(f for f in scale.flags if f.code == "scale_tilt")
        assert f"{tilt:.0f} degrees" in flag.text
        # what a card not quite parallel to the section costs grows with the tilt
        assert scale.u_rel > math.hypot(0.005 / 3**0.5, 0.4 * math.tan(math.radians(tilt)) * 0.0175 / 3**0.5)
    else:
        # the print, and half a millimetre that the card may lie over or under the section, 300 mm away
        assert scale.u_rel == pytest.approx(math.hypot(0.005, 0.5 / 300) / 3**0.5, rel=0.02)


def test_the_homography_is_opencvs_own() -> None:
    # the reference is OpenCV's solvePnP with the true camera matrix, from the same corners
    seen = _tilted(14.0)
    card = locate(photo_of(seen.pixels).grey)
    assert card is not None
    matrix = np.array([[1400, 0, 599.5], [0, 1400, 449.5], [0, 0, 1.0]])
    places = np.column_stack([card.corners_mm, np.zeros(len(card.corners_mm))])
    ok, turned, _ = cv2.solvePnP(places, card.corners_px, matrix, np.zeros(5))
    assert ok
    normal = cv2.Rodrigues(turned)[0][:, 2]
    pnp = math.degrees(math.acos(abs(float(normal[2]))))
    ours = tilt_deg(jacobian(upright_plane(card, (599.5, 449.5)), (599.5, 449.5)))
    assert pnp == pytest.approx(14.0, abs=0.2)
    assert ours == pytest.approx(pnp, abs=0.4)


@pytest.mark.parametrize(("text", "ratio"), [("card", 1.0), ("card:49.7mm", 0.994), ("card:1.969in", 1.000252)])
def test_what_the_caliper_said_scales_all(text: str, ratio: float) -> None:
    seen = _tilted(5.0)
    scale = calibrate(photo_of(seen.pixels), [parse_mark(text)])
    middle = (599.5, 449.5)
    true = math.sqrt(abs(float(np.linalg.det(jacobian(seen.to_mm, middle)))))
    assert scale.mm_per_px == pytest.approx(true * ratio, rel=5e-4)
    assert scale.mm_per_px_at(middle) == pytest.approx(true * ratio, rel=5e-4)


def test_a_caliper_makes_it_surer() -> None:
    assert parse_mark("card").tolerance == 0.005
    assert parse_mark("card").length_mm is None
    said = parse_mark("card:49.7mm")
    assert said.tolerance == pytest.approx(0.1 / 49.7)
    assert parse_mark("card:49.7mm+-0.05mm").tolerance == pytest.approx(0.05 / 49.7)
    assert parse_mark("card:+-0.1%").tolerance == pytest.approx(0.001)


@pytest.mark.parametrize("text", ["card:5mm", "card:497mm", "card:2in/3", "card:fifty"])
def test_a_misread_caliper_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="card"):
        parse_mark(text)


def test_a_partly_covered_card_and_one_at_the_edge() -> None:
    seen = _tilted(10.0)
    pixels = seen.pixels.copy()
    pixels[350:520, 300:560] = 90
    pixels[:, :330] = (200, 60, 40)
    scale = calibrate(photo_of(pixels), [parse_mark(f"card:{CHECK_MM}mm")])
    true = math.sqrt(abs(float(np.linalg.det(jacobian(seen.to_mm, (599.5, 449.5))))))
    assert scale.mm_per_px == pytest.approx(true, rel=0.001)


@pytest.mark.parametrize("seed", range(4))
def test_nothing_else_passes_for_a_card(seed: int) -> None:
    with pytest.raises(NotFoundError, match="printed card"):
        calibrate(photo_of(blank(seed, 800)), [parse_mark("card")])


def test_a_board_with_other_numbers_is_not_ours() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    other = cv2.aruco.CharucoBoard((7, 5), 9.0, 6.0, dictionary, np.arange(0, 17, dtype=np.int32))
    pixels = cv2.cvtColor(other.generateImage((700, 500), None, 20, 1), cv2.COLOR_GRAY2RGB)
    assert find(photo_of(np.asarray(pixels, dtype=np.uint8)), parse_mark("card")) == ()


def test_a_bent_card_is_refused() -> None:
    board = board_picture(12.0)
    y, x = np.mgrid[0 : board.shape[0], 0 : board.shape[1]].astype(np.float32)
    bent = cv2.remap(board, x, y + 40 * np.sin(x / 150).astype(np.float32), cv2.INTER_LINEAR)
    assert locate(np.asarray(bent, dtype=np.uint8)) is None


def test_scale_is_as_sure_as_it_says() -> None:
    errors, ratios = [], []
    directions = np.arange(8) * np.pi / 8
    along = np.array([np.cos(directions), np.sin(directions)])
    for seed in range(100, 116):
        seen = with_card(seed, 700)
        card = locate(photo_of(seen.pixels).grey)
        assert card is not None, seen.what
        middle = ((seen.pixels.shape[1] - 1) / 2, (seen.pixels.shape[0] - 1) / 2)
        got = jacobian(upright_plane(card, middle), middle)
        true = jacobian(seen.to_mm, middle)
        length = np.linalg.norm(got @ along, axis=0) / np.linalg.norm(true @ along, axis=0) - 1
        errors.extend(np.abs(length))
        ratios.extend(length / u_length(card, middle))
    assert np.percentile(errors, 95) < 0.001
    # 16 pictures: a true ratio of 1 scatters by about 0.25 (chi-square, some two values a picture)
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.6


def _bar_on(seen: Seen, length_mm: float) -> tuple[FloatArray, str]:
    """Two points of the tilted section so far apart, and the mark that states their distance."""
    ends = through(seen.to_px, np.array([[10.0, 10.0], [10.0 + length_mm, 10.0]]))
    (x1, y1), (x2, y2) = ends
    return ends, f"points:{x1:.2f},{y1:.2f},{x2:.2f},{y2:.2f}"


def test_another_mark_is_compared_in_the_cards_plane(monkeypatch: pytest.MonkeyPatch) -> None:
    # as sure as a bar's ends, so that 16 degrees of tilt (up to 4 %) would show as a disagreement
    monkeypatch.setattr("macrocheck.calibrate.stated.U_CLICK_PX", 0.1)
    seen = _tilted(16.0)
    photo = photo_of(seen.pixels)
    ends, points = _bar_on(seen, 50.0)
    flat = calibrate(photo, [parse_mark(f"{points}=50mm")])
    card = calibrate(photo, [parse_mark("card:50.0mm")])
    assert abs(flat.mm_per_px / card.mm_per_px - 1) > 0.005
    both = calibrate(photo, [parse_mark("card"), parse_mark(f"{points}=50mm")])
    codes = [f.code for f in both.flags]
    assert "scale_marks_disagree" not in codes
    assert codes.count("scale_tilt") == 1
    assert both.plane is not None
    assert both.tilt is not None
    assert both.tilt.deg == pytest.approx(16.0, abs=0.5)
    # the points are surer than a card nobody measured: they set the size, the card the plane
    assert both.u_rel < 0.002
    assert both.mm_per_px == pytest.approx(card.mm_per_px, rel=1e-3)
    assert _apart(both.to_mm(ends)) == pytest.approx(50.0, rel=1e-4)


def test_another_mark_that_disagrees_with_the_card_is_flagged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.calibrate.stated.U_CLICK_PX", 0.1)
    seen = _tilted(16.0)
    _, points = _bar_on(seen, 50.0)
    scale = calibrate(photo_of(seen.pixels), [parse_mark("card:50.0mm"), parse_mark(f"{points}=52mm")])
    flag = next(f for f in scale.flags if f.code == "scale_marks_disagree")
    assert "4.00 %" in flag.text  # 52 / 50 - 1
    assert scale.u_rel > 0.019
