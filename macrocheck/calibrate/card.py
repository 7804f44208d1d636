"""The printed card in the plane of the section: a homography, so the scale, and the tilt taken out.

The card's coded markers are read on a reduced picture, its inner corners placed on the full one to sub-pixels, and
a homography from board millimetres to pixels is fitted to all of them by least squares. The uncertainty comes from
what the corners are off that fit. The lens's distortion is taken out where the corners show it (`card_lens`).
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray, Point
from macrocheck.calibrate.card_board import BOARD_MM, CHECK_MM, FIRST_ID, MARKER_MM, MARKERS, SQUARE_MM, SQUARES
from macrocheck.calibrate.card_lens import fit_lens
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.flags import Flag
from macrocheck.photo import Photo
from macrocheck.scale import Lens, Tilt

SEARCH_PX = (1600, 2200)
"""Longer side of the reduced picture that the markers are read on first, and then where that shows none, px."""
LEAST_CORNERS = 6
"""Fewer corners leave next to nothing to tell a wrong one by (a homography has 8 unknowns, a corner 2 values)."""
WORST_RMS = 0.03
"""Corners off their fit by more than this part of a square (rms) are no flat card."""
PRIOR_PX, PRIOR_WEIGHT = 0.03, 2.0
"""What a corner is off before any is seen, px, and how many values that counts as; common practice, no source."""
TILT_SHOWS_DEG = 3.0
"""Tilts below this are hardly told from none: cos 3 deg = 0.9986."""
PARALLEL_DEG = 1.0
"""Limits within which card and section are parallel, degrees, rectangular; common practice, no source."""
_DIRECTIONS = np.arange(8) * math.pi / 8


@dataclass(frozen=True, slots=True)
class Located:
    """A card found: `corners_px` (n, 2) with their places on the board `corners_mm` (n, 2), as drawn.

    `to_px`: 3x3 homography from board mm as drawn to px. `u_corner`: standard uncertainty of a corner along one
    axis, px, from what they are off the fit. `outline_px`: (4, 2), the board's own four corners.
    """

    corners_px: FloatArray
    corners_mm: FloatArray
    to_px: FloatArray
    u_corner: float

    @property
    def outline_px(self) -> FloatArray:
        """The board's four corners, (4, 2) px."""
        wide, high = BOARD_MM
        return through(self.to_px, np.array([[0, 0], [wide, 0], [wide, high], [0, high]], dtype=np.float64))


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return the card in the picture, or nothing.

    Where the mark states what a caliper said of the check lines, the board is taken to be printed in that ratio.
    """
    card = locate(photo.grey)
    if card is None:
        return ()
    lens: Lens | None = None
    bent = fit_lens(card.corners_px, card.corners_mm, card.to_px, (photo.width, photo.height))
    if bent is not None:
        lens, straight, u_corner = bent
        card = Located(card.corners_px, card.corners_mm, straight, max(u_corner, PRIOR_PX))
    ratio = 1.0 if mark.length_mm is None else mark.length_mm / CHECK_MM
    middle = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    plane = upright_plane(card, middle, ratio)
    local = jacobian(plane, middle)
    tilt = tilt_deg(local)
    found = u_length(card, middle)
    u = math.hypot(found, u_not_parallel(tilt))
    # a ratio of lengths as sure as each of them; level with the picture only its square is known
    u_ratio = math.sqrt(2) * found
    u_tilt = math.degrees(u_ratio / max(math.sin(math.radians(tilt)), math.sqrt(u_ratio)))
    n = len(card.corners_px)
    flags: tuple[Flag, ...] = ()
    if tilt >= TILT_SHOWS_DEG:
        text = (
            f"The section was photographed at an angle of {tilt:.0f} degrees; the card takes that out as far as it "
            f"lies parallel to the section, and up to {PARALLEL_DEG:g} degree between them is in the uncertainty."
        )
        x, y = card.corners_px.mean(axis=0)
        flags = (Flag("scale_tilt", text, ((float(x), float(y)),)),)
    printed = "as drawn" if mark.length_mm is None else f"check line {mark.length_mm:g} mm"
    outline = card.outline_px
    distorted = ", lens distortion taken out" if lens is not None else ""
    return (
        Candidate(
            mm_per_px=math.sqrt(abs(float(np.linalg.det(local)))),
            u_found=u,
            points_px=card.corners_px,
            what=f"card ({printed}), {n} corners, tilt {tilt:.0f} degrees{distorted}",
            flags=flags,
            plane=plane,
            tilt=Tilt(tilt, math.hypot(u_tilt, PARALLEL_DEG / math.sqrt(3)), "the card"),
            lens=lens,
            extent_px=float(max(math.dist(outline[0], outline[2]), math.dist(outline[1], outline[3]))),
        ),
    )


def locate(grey: ByteArray) -> Located | None:
    """Find the card in a grey picture (height, width) uint8 and place its corners, or return None."""
    height, width = grey.shape
    if min(height, width) < 32:
        return None
    for reduce in dict.fromkeys(max(max(height, width) / side, 1.0) for side in SEARCH_PX):
        seen = _read(grey, reduce)
        if seen is None:
            continue
        numbers, rough = seen
        card = _fit(_places(numbers), _refined(grey, rough))
        if card is not None:
            return card
    return None


def board() -> cv2.aruco.CharucoBoard:
    """Return OpenCV's own description of the board, in mm as drawn."""
    ids = np.arange(FIRST_ID, FIRST_ID + MARKERS, dtype=np.int32)
    return cv2.aruco.CharucoBoard(SQUARES, SQUARE_MM, MARKER_MM, dictionary(), ids)


def dictionary() -> cv2.aruco.Dictionary:
    """Return the markers' code: 4 x 4 bits, 50 numbers."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


def upright_plane(card: Located, at: Point, ratio: float = 1.0) -> FloatArray:
    """Return the 3x3 homography px -> mm, turned so that x is right and y is down at a point of the picture."""
    plane = np.asarray(np.linalg.inv(card.to_px), dtype=np.float64)
    local = jacobian(plane, at)
    u, _, vt = np.linalg.svd(local)  # the nearest rotation, by polar decomposition
    turn = np.eye(3)
    turn[:2, :2] = ratio * (u @ vt).T
    turned = turn @ plane
    return np.asarray(turned / turned[2, 2], dtype=np.float64)


def jacobian(homography: FloatArray, at: Point) -> FloatArray:
    """Return the (2, 2) derivative of a homography at a point."""
    x, y, w = homography @ np.array([at[0], at[1], 1.0])
    there = np.array([[x / w], [y / w]])
    return np.asarray((homography[:2, :2] - there * homography[2:, :2]) / w)


def through(homography: FloatArray, points: FloatArray) -> FloatArray:
    """Map (n, 2) points through a 3x3 homography."""
    h = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(h[:, :2] / h[:, 2:3])


def tilt_deg(local: FloatArray) -> float:
    """Return the tilt between picture and plane from the derivative px -> mm in the middle of the picture, degrees.

    On the optical axis lengths along the tilt are shortened by its cosine and those across it are not.
    """
    long, short = np.linalg.svd(local, compute_uv=False)
    return math.degrees(math.acos(min(float(short / long), 1.0)))


def u_not_parallel(tilt: float) -> float:
    """Return the relative standard uncertainty from a card that is not quite parallel to the section.

    A length along the tilt changes by tan(tilt) times the angle between the two; half of that over all directions.
    """
    return 0.5 * math.tan(math.radians(tilt)) * math.radians(PARALLEL_DEG) / math.sqrt(3)


def u_length(card: Located, at: Point) -> float:
    """Return the relative standard uncertainty of a short length at a point of the picture, from the corners alone.

    Root mean square over all directions of the length; least-squares covariance of the homography's 8 unknowns
    (JCGM 102:2011, 6.2) carried through to the local scale.
    """
    mean, size = card.corners_mm.mean(axis=0), float(np.ptp(card.corners_mm))
    ease = np.array([[1 / size, 0, -mean[0] / size], [0, 1 / size, -mean[1] / size], [0, 0, 1]])
    h = card.to_px @ np.linalg.inv(ease)
    h = h / h[2, 2]
    eased = through(ease, card.corners_mm)
    steps = np.abs(h).max(axis=1, keepdims=True) * np.full((3, 3), 1e-6)
    of_corners, of_lengths = [], []
    for k in range(8):
        step = np.zeros((3, 3))
        step.flat[k] = steps.flat[k]
        plus, minus = h + step, h - step
        twice = 2 * steps.flat[k]
        of_corners.append((through(plus, eased) - through(minus, eased)).ravel() / twice)
        of_lengths.append((_log_lengths(plus, at) - _log_lengths(minus, at)) / twice)
    design, lengths = np.array(of_corners).T, np.array(of_lengths).T
    # a column at its own size keeps the normal equations well conditioned
    unit = np.linalg.norm(design, axis=0)
    cov = card.u_corner**2 * np.linalg.pinv((design / unit).T @ (design / unit))
    spread = np.einsum("ij,jk,ik->i", lengths / unit, cov, lengths / unit)
    return float(np.sqrt(spread.mean()))


def _log_lengths(to_px: FloatArray, at: Point) -> FloatArray:
    local = jacobian(np.asarray(np.linalg.inv(to_px), dtype=np.float64), at)
    return np.asarray(np.log(np.linalg.norm(local @ np.array([np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)]), axis=0)))


def _read(grey: ByteArray, reduce: float) -> tuple[Any, FloatArray] | None:
    """Read the markers on the picture reduced so many times: corner numbers (n,), rough places (n, 2) px."""
    small = grey
    if reduce > 1:
        size = (round(grey.shape[1] / reduce), round(grey.shape[0] / reduce))
        small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = 7, 63
    settings.adaptiveThreshWinSizeStep = 14
    settings.minMarkerPerimeterRate = 0.02
    naming = cv2.aruco.CharucoParameters()
    naming.minMarkers = 1  # a corner beside one whole marker counts: at the picture's edge there are many of those
    detector = cv2.aruco.CharucoDetector(board(), naming, settings)
    corners, numbers, _, _ = detector.detectBoard(small)
    if np.size(numbers) < LEAST_CORNERS:  # None where there is none
        return None
    rough = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    scale = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    return np.asarray(numbers).ravel(), (rough + 0.5) * scale - 0.5


def _places(numbers: Any) -> FloatArray:
    corners = np.asarray(board().getChessboardCorners(), dtype=np.float64)[:, :2]
    return np.asarray(corners[numbers])


def _refined(grey: ByteArray, rough: FloatArray) -> FloatArray:
    """Place corners to sub-pixels; the window keeps clear of the markers in the white squares."""
    gaps = np.linalg.norm(rough[:, None] - rough[None], axis=2)
    gaps[np.eye(len(rough), dtype=bool)] = np.inf
    square = float(np.median(gaps.min(axis=1)))
    clear = (SQUARE_MM - MARKER_MM) / 2 / SQUARE_MM * square
    half = int(np.clip(round(clear), 2, 30))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 0.001)
    start = np.ascontiguousarray(rough, dtype=np.float32).reshape(-1, 1, 2)
    done = cv2.cornerSubPix(grey, start, (half, half), (-1, -1), stop)
    return np.asarray(done, dtype=np.float64).reshape(-1, 2)


def _fit(places: FloatArray, corners: FloatArray) -> Located | None:
    """Fit the homography by least squares, without corners that are far off it (covered, glared on)."""
    first, inside = cv2.findHomography(places, corners, cv2.RANSAC, 3.0)
    fitted = np.asarray(first, dtype=np.float64)
    if fitted.shape != (3, 3):  # None where the corners fit none
        return None
    keep = np.asarray(inside).ravel() > 0
    for _ in range(3):
        if keep.sum() < max(LEAST_CORNERS, 0.6 * len(places)):
            return None
        found, _ = cv2.findHomography(places[keep], corners[keep], 0)
        fitted = np.asarray(found, dtype=np.float64)
        if fitted.shape != (3, 3):
            return None
        off = np.linalg.norm(through(fitted, places) - corners, axis=1)
        # 1.18 sigma is the median distance of a two-dimensional normal distribution
        limit = max(5.0 * float(np.median(off[keep])) / 1.18, 4 * PRIOR_PX)
        again = off <= limit
        if (again == keep).all():
            break
        keep = again
    if keep.sum() < max(LEAST_CORNERS, 0.6 * len(places)):
        return None
    off = through(fitted, places[keep]) - corners[keep]
    freedom = off.size - 8
    variance = (float((off**2).sum()) + PRIOR_WEIGHT * PRIOR_PX**2) / (freedom + PRIOR_WEIGHT)
    card = Located(corners[keep], places[keep], fitted, math.sqrt(variance))
    square = math.sqrt(abs(float(np.linalg.det(jacobian(fitted, tuple(places[keep].mean(axis=0))))))) * SQUARE_MM
    return card if math.sqrt(float((off**2).mean())) < WORST_RMS * square else None
