"""The drawings: lines where they should be, whatever is missing, at every size, for every eye."""

import io
from dataclasses import replace
from itertools import combinations
from time import perf_counter

import numpy as np
import pytest
from PIL import Image

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.flags import Flag
from macrocheck.render.marks import draw_bar
from macrocheck.report.costs import cost_map
from macrocheck.report.encode import encode_jpeg, encode_png
from macrocheck.report.geometry import weld_points
from macrocheck.report.labels import place_labels, weld_labels
from macrocheck.report.overlay import draw_overlay, overlay_frame
from macrocheck.report.palette import FADED, INK, PAPER, STROKES, VERDICT_COLOUR, VERMILION
from macrocheck.report.panel import FAULTS, faults_seen, numbered_flags
from macrocheck.report.scale_picture import draw_scale, scale_frame
from macrocheck.report.sheet import shortened, text_width, wrapped
from macrocheck.results import CAUTIONS, Quantity, Verdicts, VerdictWord
from macrocheck.scale import FoundMark
from tests.report.scenes import lines_in, numbers, photo_of, result_of, scale_of, spans, tee_weld, turned, verdict

RED = (220.0, 30.0, 30.0)


def share_near(picture: ByteArray, points: FloatArray, colour: tuple[int, int, int]) -> float:
    """Share of the points that have a pixel of `colour` within 1 px."""
    return float((lines_in(picture, points, colour) < 40).mean())


@pytest.mark.parametrize("light", [False, True])
@pytest.mark.parametrize("degrees", [0, 40, 200])
def test_lines_lie_on_the_outline(light: bool, degrees: float) -> None:
    weld = tee_weld((600.0, 450.0), degrees)
    photo = photo_of((weld,), light=light)
    result = result_of(photo, (weld,))
    picture = draw_overlay(photo, result)
    frame = overlay_frame(photo, result)
    for name, curve in (("fusion", weld.fusion), ("face", weld.face)):
        assert share_near(picture, frame.place(curve), STROKES[name].colour) > 0.8, name
        # 30 px along the face's normal
        aside = frame.place(curve + 30 * turned(np.array([[0.7071, 0.7071]]), (0.0, 0.0), degrees))
        assert share_near(picture, aside, STROKES[name].colour) < 0.25, name
    throat = frame.place(np.linspace([600.0, 450.0], weld.face[20], 9)[2:-2])
    assert share_near(picture, throat, STROKES["throat"].colour) > 0.8


def test_photo_pixels_land_where_the_frame_says() -> None:
    weld = tee_weld()
    photo = photo_of((weld,))
    spot = photo.pixels.copy()
    spot[571:579, 556:564] = (255, 0, 255)
    photo = replace(photo, pixels=spot)
    result = result_of(photo, (weld,))
    frame = overlay_frame(photo, result)
    picture = draw_overlay(photo, result)[: frame.height, : frame.width].astype(int)
    y, x = np.nonzero((picture[..., 0] > 200) & (picture[..., 1] < 60) & (picture[..., 2] > 200))
    np.testing.assert_allclose([x.mean(), y.mean()], frame.place(np.array([[559.5, 574.5]]))[0], atol=0.6)


def test_unfused_spans_are_drawn_where_they_are() -> None:
    weld = tee_weld()
    photo = photo_of((weld,))
    measured = spans(numbers(), nonbutting=((1.0, 3.0),))
    result = result_of(photo, (weld,), (measured,))
    picture, frame = draw_overlay(photo, result), overlay_frame(photo, result)
    inside = frame.place(np.column_stack([np.linspace(545, 615, 8), np.full(8, 600.0)]))
    beyond = frame.place(np.column_stack([np.linspace(640, 690, 8), np.full(8, 600.0)]))
    assert share_near(picture, inside, VERMILION) > 0.7
    assert share_near(picture, beyond, VERMILION) == 0


def test_labels_hide_neither_the_outline_nor_each_other() -> None:
    for degrees in (0, 75, 190, 300):
        weld = tee_weld((600.0, 450.0), degrees)
        photo = photo_of((weld,))
        result = result_of(photo, (weld,), (spans(numbers(), butting=((0.0, 1.0),), nonbutting=((3.0, 4.0),)),))
        points = [weld_points(weld, result.measurements[0], result.scale)]
        frame = overlay_frame(photo, result)
        em = frame.width / 74
        labels = weld_labels(result, 0, points[0], "mm")
        assert [lb.text for lb in labels if lb.title == "throat"] == ["3.536 ± 0.050 mm"]
        boxes = [p.place for p in place_labels(cost_map(result, points, frame, em), labels, frame, em)]
        assert len(boxes) == 7
        curve = frame.place(np.vstack([weld.face, weld.fusion]))
        for a in boxes:
            x, y = curve.T
            assert not ((x > a.x) & (x < a.x + a.width) & (y > a.y) & (y < a.y + a.height)).any()
            assert a.x >= 0
            assert a.y >= 0
            assert a.x + a.width <= frame.width
            assert a.y + a.height <= frame.height
        for a, b in combinations(boxes, 2):
            apart_x = a.x + a.width <= b.x or b.x + b.width <= a.x
            apart_y = a.y + a.height <= b.y or b.y + b.height <= a.y
            assert apart_x or apart_y


@pytest.mark.parametrize("size", [(300, 225), (200, 400), (640, 480), (900, 300)])
def test_small_pictures_are_enlarged_so_that_labels_have_room(size: tuple[int, int]) -> None:
    weld = tee_weld((size[0] * 0.45, size[1] * 0.7), leg=min(size) * 0.4)
    photo = photo_of((weld,), size)
    result = result_of(photo, (weld,))
    picture, frame = draw_overlay(photo, result), overlay_frame(photo, result)
    assert max(frame.width, frame.height) >= 1590
    assert share_near(picture, frame.place(weld.fusion), STROKES["fusion"].colour) > 0.8


def test_a_small_weld_in_a_large_picture_is_shown_large() -> None:
    weld = tee_weld((3000.0, 2000.0))
    photo = photo_of((weld,), (4000, 3000))
    result = result_of(photo, (weld,))
    frame = overlay_frame(photo, result)
    assert frame.cropped
    assert frame.zoom > 1.5
    draw_overlay(photo, result)  # fonts are loaded once a process
    start = perf_counter()
    picture = draw_overlay(photo, result)
    # 0.4 s is the aim, 0.1 to 0.2 s what two quiet cores take; room here for a busy machine.
    assert perf_counter() - start < 1.5
    assert max(picture.shape) < 4000
    assert share_near(picture, frame.place(weld.fusion), STROKES["fusion"].colour) > 0.8


def test_huge_weld_fills_the_picture_and_labels_get_margin() -> None:
    weld = tee_weld((150.0, 2800.0), leg=2700.0)
    photo = photo_of((weld,), (4000, 3000))
    result = result_of(photo, (weld,))
    frame = overlay_frame(photo, result)
    assert not frame.cropped
    assert frame.top < 0
    assert max(frame.width, frame.height) <= 2401
    picture = draw_overlay(photo, result)
    assert share_near(picture, frame.place(weld.fusion), STROKES["fusion"].colour) > 0.8


def test_whatever_is_missing_the_rest_is_drawn() -> None:
    full = tee_weld()
    everything = ("leg_butting", "leg_nonbutting", "actual_throat", "root_penetration", "size")
    nothing = numbers(**dict.fromkeys(everything))
    cases = [
        (replace(full, surface_butting=None), numbers()),
        (replace(full, surface_nonbutting=None), numbers()),
        (replace(full, surface_butting=None, surface_nonbutting=None), nothing),
        (replace(full, complete_butting=False, complete_nonbutting=False), nothing),
        (replace(full, voids=(np.array([[540.0, 560], [550, 560], [550, 570]]),),
                 haz_butting=full.fusion[45:70] - (12, 0), indications=(np.array([[510.0, 590], [530, 600]]),)),
         replace(numbers(), profiles={})),
    ]  # fmt: skip
    photo = photo_of((full,))
    for weld, measured in cases:
        result = result_of(photo, (weld,), (measured,))
        picture, frame = draw_overlay(photo, result), overlay_frame(photo, result)
        assert share_near(picture, frame.place(weld.fusion), STROKES["fusion"].colour) > 0.75
    empty = draw_overlay(photo, result_of(photo, ()))
    assert empty.dtype == np.uint8
    assert empty.shape[2] == 3


def test_toe_outside_the_picture() -> None:
    weld = replace(tee_weld((500.0, 450.0)), complete_nonbutting=False)
    photo = photo_of((weld,), (640, 480))
    face, fusion = weld.face[weld.face[:, 0] <= 639], weld.fusion[weld.fusion[:, 0] <= 639]
    cut = replace(
        weld, face=face, fusion=fusion, u_face=weld.u_face[: len(face)], u_fusion=weld.u_fusion[: len(fusion)]
    )
    result = result_of(photo, (cut,), (numbers(leg_nonbutting=None),))
    picture, frame = draw_overlay(photo, result), overlay_frame(photo, result)
    assert share_near(picture, frame.place(fusion[2:]), STROKES["fusion"].colour) > 0.8


def test_two_welds_flags_verdicts_and_inches() -> None:
    one, two = tee_weld((700.0, 600.0)), tee_weld((500.0, 600.0), mirror=True)
    flag = Flag("low_contrast", "The fusion boundary is hardly visible here.", ((740.0, 640.0), (750.0, 641.0)))
    one = replace(one, flags=(flag,))
    photo = photo_of((one, two))
    word_list: list[VerdictWord] = ["accept", "undecided", "reject"]
    verdicts = Verdicts(
        (tuple(verdict("size", w, limit=f"limit {i} {w}") for i, w in enumerate(word_list * 7)),
         (verdict("leg_butting", "accept", mark="from memory"),)),
        "reject", "bench limits", "guard band",
    )  # fmt: skip
    measured = (replace(numbers(), flags=(flag,)), numbers())
    scale = scale_of(flags=(Flag("scale_one_mark", "One mark cannot tell."),))
    result = result_of(photo, (one, two), measured, verdicts=verdicts, scale=scale)
    numbered = numbered_flags(result)
    assert [(n.number, n.flag.code, n.weld) for n in numbered] == [
        (1, "scale_one_mark", None),
        (2, "low_contrast", 0),
    ]
    picture, frame = draw_overlay(photo, result, unit="in"), overlay_frame(photo, result, unit="in")
    for weld in (one, two):
        assert share_near(picture, frame.place(weld.fusion), STROKES["fusion"].colour) > 0.7
    panel = picture[:, frame.width :] if picture.shape[1] > frame.width else picture[frame.height :]
    for word in ("undecided", "reject", "accept"):
        assert (np.abs(panel.astype(int) - VERDICT_COLOUR[word]).max(axis=2) < 8).sum() > 100, word


@pytest.mark.parametrize("at", [(230.0, 130.0), (230.0, 700.0), (480.0, 860.0)])
def test_a_marks_label_covers_neither_the_mark_nor_its_figure(at: tuple[float, float]) -> None:
    photo = photo_of((tee_weld(),))
    plain, bar = draw_bar(photo.pixels, start=at, length_px=300.0, colour=RED)
    drawn, _ = draw_bar(photo.pixels, start=at, length_px=300.0, colour=RED, label="10 mm", label_height_px=30.0)
    photo = replace(photo, pixels=drawn)
    scale = scale_of(marks=(FoundMark("bar", "bar:10mm", bar.points_px, 10 / 300, 0.002),))
    picture, frame = draw_scale(photo, scale), scale_frame(photo, scale)
    y, x = np.nonzero(np.abs(drawn.astype(int) - plain).max(axis=2) > 60)
    figure = frame.place(np.column_stack([x, y]).astype(np.float64)).round().astype(int)
    seen, was = (one[figure[:, 1], figure[:, 0]].astype(int) for one in (picture, frame.render(photo.pixels)))
    assert len(figure) > 500
    assert (np.abs(seen - was).max(axis=1) < 40).mean() > 0.97
    line = frame.place(np.linspace(bar.points_px[0], bar.points_px[1], 20)[1:-1])
    assert share_near(picture, line, STROKES["throat"].colour) > 0.9


def test_scale_picture_shows_the_marks_where_they_were_found() -> None:
    photo = photo_of((tee_weld(),))
    ticks = np.column_stack([np.linspace(200, 600, 11), np.full(11, 800.0)])
    bar = FoundMark("bar", "bar:10mm", np.array([[100.0, 100.0], [500.0, 140.0]]), 0.025, 0.002)
    rule = FoundMark("ruler", "ruler:1mm", ticks, 0.025, 0.001)
    scale = scale_of(marks=(bar, rule))
    picture, frame = draw_scale(photo, scale), scale_frame(photo, scale)
    line = frame.place(np.linspace([130.0, 103.0], [470.0, 137.0], 20))
    assert share_near(picture, line, STROKES["throat"].colour) > 0.9
    assert share_near(picture, frame.place(ticks[1:-1]), STROKES["throat"].colour) > 0.85
    stated = draw_scale(photo, scale_of())
    assert stated.shape[0] > stated.shape[1] * 0.7
    single = FoundMark("points", "points", np.array([[100.0, 100.0]]), 0.025, 0.002)
    assert draw_scale(photo, scale_of(marks=(single,))).ndim == 3


def test_encoded_pictures_read_back() -> None:
    photo = photo_of((tee_weld(),), (320, 240))
    np.testing.assert_array_equal(np.asarray(Image.open(io.BytesIO(encode_png(photo.pixels)))), photo.pixels)
    red = np.zeros((64, 64, 3), np.uint8)
    red[..., 0] = 200
    back = np.asarray(Image.open(io.BytesIO(encode_jpeg(red)))).astype(int)
    assert np.abs(back - red).max() < 6


def test_text_wraps_and_shortens() -> None:
    lines = wrapped(" ".join(CAUTIONS), 14, 200)
    assert max(text_width(line, 14) for line in lines) <= 200
    assert " ".join(lines) == " ".join(CAUTIONS)
    assert "".join(wrapped("x" * 90, 14, 100)) == "x" * 90
    assert text_width(shortened("a very long file name.jpg", 14, 100), 14) <= 100


# Simulation of dichromats: Machado, Oliveira, Fernandes, IEEE TVCG 15(6), 2009, severity 1.0, on linear RGB
# (numbers as republished in several public libraries).
_EYES = {
    "full": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
}


def _linear(colour: tuple[int, int, int]) -> FloatArray:
    c = np.asarray(colour) / 255
    return np.asarray(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4))  # IEC 61966-2-1


def _lab(linear: FloatArray) -> FloatArray:
    from skimage.color import xyz2lab

    xyz = np.clip(linear, 0, 1) @ np.array(
        [[0.4124, 0.2126, 0.0193], [0.3576, 0.7152, 0.1192], [0.1805, 0.0722, 0.9505]]
    )
    return np.asarray(xyz2lab(xyz[None])[0])


def _contrast(a: FloatArray, b: FloatArray) -> float:
    """Contrast ratio of two linear colours as WCAG 2.1 defines it."""
    la, lb = (float(np.clip(c, 0, 1) @ [0.2126, 0.7152, 0.0722]) for c in (a, b))
    return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)


@pytest.mark.parametrize("eye", sorted(_EYES))
def test_lines_differ_for_every_eye(eye: str) -> None:
    seen = {name: _EYES[eye] @ _linear(stroke.colour) for name, stroke in STROKES.items()}
    for (a, ca), (b, cb) in combinations(seen.items(), 2):
        if STROKES[a].colour == STROKES[b].colour:
            assert (STROKES[a].style, STROKES[a].width) != (STROKES[b].style, STROKES[b].width) or {a, b} <= {
                "leg", "width", "throat", "height"
            }  # fmt: skip
            continue
        if {STROKES[a].colour, STROKES[b].colour} <= {(255, 255, 255), PAPER}:
            continue
        # 10 in CIE 1976 dE is plain to see; 2.3 is just noticeable (Mahy et al. 1994, from memory).
        assert float(np.hypot.reduce(_lab(ca) - _lab(cb))) > 10, (a, b, eye)


@pytest.mark.parametrize("eye", sorted(_EYES))
def test_lines_and_text_stand_out_from_their_rim_and_paper(eye: str) -> None:
    ink, paper = (_EYES[eye] @ _linear(c) for c in (INK, PAPER))
    # WCAG 2.1: 3:1 for graphics (1.4.11), 4.5:1 for text (1.4.3).
    for stroke in STROKES.values():
        assert _contrast(_EYES[eye] @ _linear(stroke.colour), ink) >= 3, stroke.name
    assert _contrast(ink, paper) >= 4.5
    assert _contrast(_EYES[eye] @ _linear(FADED), paper) >= 4.5


def test_styles_differ_where_lines_run_together() -> None:
    """Fusion boundary, face, surface, unfused stretch and throat are told apart without any colour."""
    looks = {
        (STROKES[n].style, STROKES[n].width) for n in ("fusion", "face", "surface", "unfused", "throat", "root")
    }
    assert len(looks) == 6


def test_faults_that_are_there_for_certain_are_listed() -> None:
    quantities = {key: Quantity(0.0, 0.02, 0.04, "mm") for key in FAULTS}
    assert faults_seen(quantities) == set()
    quantities["undercut_butting"] = Quantity(0.80, 0.06, 0.12, "mm")
    quantities["largest_void"] = Quantity(0.10, 0.06, 0.12, "mm")
    quantities["root_gap"] = Quantity(None, None, None, "mm", "not seen")
    assert faults_seen(quantities) == {"undercut_butting"}
    del quantities["undercut_butting"]
    assert faults_seen(quantities) == set()
