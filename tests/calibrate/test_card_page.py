"""The printed page, rasterised and measured; poppler's pdftoppm is the independent reader of the PDF."""

import math
import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.card import board, locate
from macrocheck.calibrate.card_board import BOARD_MM, CHECK_MM
from macrocheck.calibrate.card_page import BOARD_AT, CARD_MM, PAPERS, TOP_MM, Paper, black_cells, check_lines, page
from tests.calibrate.scenes import photo_of

DPI = 300
PX_PER_MM = DPI / 25.4
"""Pixels per millimetre: the inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""


@pytest.fixture(scope="module", params=["a4", "letter"])
def printed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Paper, ByteArray]:
    """The page as poppler draws it, grey, at `DPI`."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed")
    paper: Paper = request.param
    folder = tmp_path_factory.mktemp("page")
    (folder / "card.pdf").write_bytes(page(paper))
    command = ["pdftoppm", "-r", str(2 * DPI), "-gray", "-singlefile", "-png", "card.pdf", "card"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    grey = cv2.imread(str(folder / "card.png"), cv2.IMREAD_GRAYSCALE)
    # poppler places edges to a quarter of a pixel; drawn twice as fine and averaged they are softer and truer
    assert grey is not None
    half = (grey.shape[1] // 2, grey.shape[0] // 2)
    return paper, np.asarray(cv2.resize(grey[: 2 * half[1], : 2 * half[0]], half, interpolation=cv2.INTER_AREA))


def _photographed(grey: ByteArray) -> ByteArray:
    """As sharp as a good lens makes it: no photograph has edges as hard as a raster's."""
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), dtype=np.uint8)


def _card_left(paper: Paper) -> float:
    return (PAPERS[paper][0] - CARD_MM[0]) / 2


def test_the_paper_is_the_standards(printed: tuple[Paper, ByteArray]) -> None:
    # ISO 216: A4 is 210 by 297 mm; letter is 8.5 by 11 inches
    paper, grey = printed
    wide, high = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11 * 25.4)}[paper]
    assert grey.shape[1] == pytest.approx(wide * PX_PER_MM, abs=1)
    assert grey.shape[0] == pytest.approx(high * PX_PER_MM, abs=1)


def test_the_media_box_is_in_seventy_seconds_of_an_inch() -> None:
    # ISO 32000-1:2008, 8.3.2.3: the default unit of user space is 1/72 inch
    found = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", page("a4"))
    assert found is not None
    assert float(found[1]) == pytest.approx(210 / 25.4 * 72, abs=1e-3)
    assert float(found[2]) == pytest.approx(297 / 25.4 * 72, abs=1e-3)


def test_the_boards_corners_lie_where_they_should(printed: tuple[Paper, ByteArray]) -> None:
    paper, grey = printed
    card = locate(_photographed(grey))
    assert card is not None
    assert len(card.corners_px) == 35
    # px i covers i to i + 1, so a place of p mm lies at p * PX_PER_MM - 0.5; the reference is OpenCV's board
    true = np.asarray(board().getChessboardCorners(), dtype=np.float64)[:, :2]
    origin = np.array([_card_left(paper), TOP_MM]) + BOARD_AT
    # poppler's quarter of a pixel at 600 dpi is 0.011 mm
    assert np.abs((card.corners_px + 0.5) / PX_PER_MM - origin - true).max() < 0.015  # mm
    assert card.u_corner < 0.1


def _ticks(profile: FloatArray) -> FloatArray:
    """Middles of the dark ticks on a line beside the check line, mm."""
    dark = (255 - profile) > 60
    edges = np.flatnonzero(np.diff(np.concatenate([[0], dark.astype(int), [0]])))
    weight = 255 - profile
    middles = []
    for a, b in edges.reshape(-1, 2):
        span = np.arange(max(a - 1, 0), min(b + 1, len(profile)))
        middles.append(float((span * weight[span]).sum() / weight[span].sum()))
    return np.array(middles) / PX_PER_MM


@pytest.mark.parametrize("upright", [False, True])
def test_the_check_lines_are_fifty_millimetres(printed: tuple[Paper, ByteArray], upright: bool) -> None:
    paper, grey = printed
    picture = grey.T if upright else grey
    start = np.add(check_lines()[upright], (_card_left(paper), TOP_MM))
    along, across = (start[1], start[0]) if upright else (start[0], start[1])
    # 2 mm beside the line only its end ticks are in the way
    rows = picture[round((across + 1.6) * PX_PER_MM) : round((across + 2.4) * PX_PER_MM)]
    window = slice(round((along - 3) * PX_PER_MM), round((along + CHECK_MM + 3) * PX_PER_MM))
    ticks = _ticks(rows[:, window].mean(axis=0))
    assert len(ticks) == 2
    assert ticks[1] - ticks[0] == pytest.approx(50.0, abs=0.02)
    # and the line itself runs from tick to tick
    line = picture[round(across * PX_PER_MM) - 2 : round(across * PX_PER_MM) + 3, window].min(axis=0)
    assert (line < 128).sum() / PX_PER_MM == pytest.approx(50.2, abs=0.2)


def test_photographed_as_it_is_printed_it_gives_the_rasters_scale(printed: tuple[Paper, ByteArray]) -> None:
    _, grey = printed
    scale = calibrate(photo_of(np.repeat(_photographed(grey)[:, :, None], 3, axis=2)), [parse_mark("card:50.0mm")])
    x, y = scale.marks[0].points_px.mean(axis=0)
    assert scale.mm_per_px_at((x, y)) == pytest.approx(25.4 / DPI, rel=2e-4)
    # the middle of the page lies beside the card: less sure there
    assert scale.mm_per_px == pytest.approx(25.4 / DPI, rel=1e-3)


def test_the_pattern_is_opencvs() -> None:
    # the reference is OpenCV's CharucoBoard.generateImage at 10 px per mm
    cells = np.full((round(BOARD_MM[1] * 10), round(BOARD_MM[0] * 10)), 255, np.uint8)
    for x, y, w, h in black_cells():
        cells[round(y * 10) : round((y + h) * 10), round(x * 10) : round((x + w) * 10)] = 0
    drawn = np.asarray(board().generateImage(cells.shape[::-1]), dtype=np.uint8)
    assert (cells != drawn).mean() < 0.002


def test_nothing_runs_off_the_page_and_all_is_said(printed: tuple[Paper, ByteArray], tmp_path: Path) -> None:
    paper, grey = printed
    border = round(12 * PX_PER_MM)  # printers leave some 4 to 6 mm blank; common practice, no source
    frame = grey.copy()
    frame[border:-border, border:-border] = 255
    assert frame.min() == 255
    (tmp_path / "card.pdf").write_bytes(page(paper))
    said = subprocess.run(["pdftotext", "-layout", "card.pdf", "-"], cwd=tmp_path, check=True, capture_output=True)
    text = " ".join(said.stdout.decode().split())
    for words in ("Print at 100 %", "no scaling", "caliper", "plane of the section", "card:49.7mm"):
        assert words in text
    assert "not a qualification" in text


def test_the_same_page_is_the_same_bytes() -> None:
    assert page("a4") == page("a4")
    assert page("a4") != page("letter")


def test_three_by_four_squares_are_enough_as_the_page_says() -> None:
    grey = np.asarray(board().generateImage((1080, 810), None, 0, 1), dtype=np.uint8)
    piece = np.full((900, 1200), 255, np.uint8)
    piece[150:555, 300:840] = grey[135:540, 270:810]  # 15 px a mm: 4 by 3 squares
    card = locate(piece)
    assert card is not None
    assert math.sqrt(abs(float(np.linalg.det(card.to_px[:2, :2])))) == pytest.approx(15, rel=0.002)
