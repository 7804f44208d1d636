"""The card as a pinhole camera sees it: OpenCV's own board picture under known homographies, over clutter."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, FloatArray
from macrocheck.calibrate.card_board import BOARD_MM, FIRST_ID, MARKER_MM, MARKERS, SQUARE_MM, SQUARES
from tests.calibrate.scenes import CLUTTER, backdrop, camera

MARGIN_MM = 4.0


@dataclass(frozen=True)
class Seen:
    """`to_px`: homography from board mm to px, known exactly; `tilt`: degrees."""

    pixels: ByteArray
    to_px: FloatArray
    tilt: float
    what: str

    @property
    def to_mm(self) -> FloatArray:
        """Homography from px to board mm."""
        return np.asarray(np.linalg.inv(self.to_px), dtype=np.float64)


def board_picture(px_per_mm: float) -> AnyArray:
    """The board as OpenCV draws it, with a white margin, (h, w) uint8."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    ids = np.arange(FIRST_ID, FIRST_ID + MARKERS, dtype=np.int32)
    board = cv2.aruco.CharucoBoard(SQUARES, SQUARE_MM, MARKER_MM, dictionary, ids)
    margin = round(MARGIN_MM * px_per_mm)
    size = (round(BOARD_MM[0] * px_per_mm) + 2 * margin, round(BOARD_MM[1] * px_per_mm) + 2 * margin)
    return np.asarray(board.generateImage(size, None, margin, 1))


def pinhole(
    *,
    tilt: float,
    towards: float,
    turn: float,
    px_per_mm: float,
    focal_px: float,
    at_px: FloatArray,
    middle: FloatArray,
) -> FloatArray:
    """Homography from board mm (middle of the board at `at_px`) to px, for a camera tilted so many degrees."""
    t, a, r = np.deg2rad([tilt, towards, turn])
    axis = np.array([np.cos(a), np.sin(a), 0.0])
    rotation = cv2.Rodrigues(axis * t)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, r]))[0]
    camera_matrix = np.array([[focal_px, 0, middle[0]], [0, focal_px, middle[1]], [0, 0, 1.0]])
    # the plane meets the optical axis at the distance where a millimetre across the tilt is so many px
    distance = focal_px / px_per_mm
    plane = camera_matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, distance]])
    there = np.linalg.inv(plane) @ np.array([at_px[0], at_px[1], 1.0])
    shift = np.eye(3)
    shift[:2, 2] = there[:2] / there[2] - np.array(BOARD_MM) / 2
    return np.asarray(plane @ shift)


def draw(image: AnyArray, to_px: FloatArray, px_per_mm: float, *, fine: int = 3) -> AnyArray:
    """Draw the board into a picture (h, w, 3), averaging `fine` x `fine` points a pixel."""
    height, width = image.shape[:2]
    drawn = 60.0 if px_per_mm > 30 else 24.0
    board = board_picture(drawn)
    margin = round(MARGIN_MM * drawn)
    # a board px (i, j) covers mm from i to i + 1 over `drawn`; its middle is at i + 0.5
    to_mm = np.array([[1 / drawn, 0, (0.5 - margin) / drawn], [0, 1 / drawn, (0.5 - margin) / drawn], [0, 0, 1]])
    finer = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1.0]])
    h = finer @ to_px @ to_mm
    size = (width * fine, height * fine)
    paper = cv2.warpPerspective(board, h, size, flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.full(board.shape, 255, np.uint8), h, size, flags=cv2.INTER_LINEAR)
    paper, cover = (
        np.asarray(cv2.resize(x, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)
        for x in (paper, cover)
    )
    share = cover[..., None] / 255
    return np.asarray(image * (1 - share) + (30 + paper[..., None] * 0.75) * share)


def with_card(seed: int, width: int, low: float = 6.0, high: float = 60.0) -> Seen:
    """A card somewhere, tilted by up to 20 degrees, blurred by up to 3 px."""
    rng = np.random.default_rng([5, seed])
    height = round(0.75 * width)
    scale = float(np.exp(rng.uniform(np.log(low), np.log(min(high, width / 45)))))
    tilt = float(rng.uniform(0, 20))
    size = np.array([width, height], dtype=np.float64)
    to_px = pinhole(
        tilt=tilt,
        towards=rng.uniform(0, 360),
        turn=rng.uniform(0, 360),
        px_per_mm=scale,
        focal_px=width * rng.uniform(0.8, 2.0),
        at_px=size * rng.uniform(0.3, 0.7, 2),
        middle=(size - 1) / 2,
    )
    kind = CLUTTER[seed % len(CLUTTER)]
    image = draw(backdrop(seed, width, height, kind), to_px, scale, fine=2 if width > 1500 else 3)
    blur = float(rng.uniform(0, 3))
    pixels = camera(image, seed=seed, blur=blur, noise=rng.uniform(0, 6), quality=int(rng.integers(60, 97)))
    return Seen(pixels, to_px, tilt, f"{kind} {scale:.1f} px/mm, tilt {tilt:.0f}, blur {blur:.1f}")
