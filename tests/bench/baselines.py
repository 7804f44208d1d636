"""General-purpose segmentation that anyone can reach for, given a fair chance on the same welds.

Every method gets what a person would have to give it by hand, here taken from the truth: a crop of the photo with
the weld in its middle, at most `PIXELS`, the box of the weld in it, and where it takes seeds, a stroke in the
middle of the weld and everything outside the box. It returns the region of one weld. The settings are those that
did best on hard pictures of seeds 15000 to 15011 of the project's own family.
"""

import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from tests.bench.cases import Case, CaseWeld
from tests.bench.compare import Row
from tests.bench.distance import how_far

PIXELS = 1_000_000
"""Most pixels of the crop that a method gets."""
AROUND = 0.4
"""What of the weld's longer side the crop shows beyond its box, on every side where the photo has it."""
MARGIN = 0.03
"""How far the box keeps off the weld, as a share of its longer side: nobody draws one to the pixel."""


@dataclass(frozen=True, slots=True)
class View:
    """A crop (h, w, 3) of a photo; `box` (x0, y0, x1, y1) of the weld and `stroke` in it, px of the crop.

    A crop pixel at p lies at `corner` + (p + 0.5) / `scale` - 0.5 in the photo.
    """

    rgb: ByteArray
    box: tuple[int, int, int, int]
    stroke: BoolArray
    corner: tuple[int, int]
    scale: float

    def inside(self) -> BoolArray:
        """Return (h, w): what lies in the box."""
        out = np.zeros(self.rgb.shape[:2], dtype=bool)
        x0, y0, x1, y1 = self.box
        out[y0:y1, x0:x1] = True
        return out

    def to_photo(self, points: FloatArray) -> FloatArray:
        """Map (n, 2) px of the crop to the photo."""
        return np.asarray((points + 0.5) / self.scale - 0.5 + np.asarray(self.corner))


def view_of(rgb: ByteArray, weld: CaseWeld, pixels: int = PIXELS) -> View:
    """Crop the photo around a weld and mark its box and the middle of it."""
    low, high = weld.polygon_px.min(axis=0), weld.polygon_px.max(axis=0)
    side = float((high - low).max())
    h, w = rgb.shape[:2]
    a = np.maximum(np.floor(low - AROUND * side), 0).astype(int)
    b = np.minimum(np.ceil(high + AROUND * side) + 1, [w, h]).astype(int)
    crop: ByteArray = rgb[a[1] : b[1], a[0] : b[0]]
    scale = min(1.0, float(np.sqrt(pixels / (crop.shape[0] * crop.shape[1]))))
    if scale < 1:
        small = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        crop = np.asarray(small, dtype=np.uint8)
    polygon = (weld.polygon_px - a + 0.5) * scale - 0.5
    filled = np.zeros(crop.shape[:2], np.uint8)
    cv2.fillPoly(filled, [np.rint(polygon).astype(np.int32)], 1)
    deep = cv2.distanceTransform(cv2.copyMakeBorder(filled, 1, 1, 1, 1, cv2.BORDER_CONSTANT), cv2.DIST_L2, 5)
    deep = deep[1:-1, 1:-1]
    keep = MARGIN * side * scale
    x0, y0 = np.maximum(np.floor(polygon.min(axis=0) - keep), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(polygon.max(axis=0) + keep) + 1, [crop.shape[1], crop.shape[0]]).astype(int)
    return View(
        rgb=np.ascontiguousarray(crop),
        box=(int(x0), int(y0), int(x1), int(y1)),
        stroke=deep > 0.55 * float(deep.max()),
        corner=(int(a[0]), int(a[1])),
        scale=scale,
    )


Method = Callable[[View], BoolArray]


def _smooth(view: View, sigma: float) -> ByteArray:
    """Blur by `sigma`, as a share of the box's longer side."""
    x0, y0, x1, y1 = view.box
    if sigma <= 0:
        return view.rgb
    return np.asarray(cv2.GaussianBlur(view.rgb, (0, 0), max(0.5, sigma * max(x1 - x0, y1 - y0))), dtype=np.uint8)


def grabcut(view: View, *, blur: float, stroke: bool) -> BoolArray:
    """OpenCV's GrabCut, 5 iterations from the box; `stroke`: what is in the middle is surely weld."""
    mask = np.where(view.inside(), cv2.GC_PR_FGD, cv2.GC_BGD).astype(np.uint8)
    if stroke:
        mask[view.stroke] = cv2.GC_FGD
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(1)
    cv2.grabCut(_smooth(view, blur), mask, (0, 0, 1, 1), *models, 5, cv2.GC_INIT_WITH_MASK)
    return np.asarray((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD))


def walker(view: View, *, blur: float, beta: float) -> BoolArray:
    """Random walker of scikit-image from the stroke and from outside the box, on colour."""
    from skimage.segmentation import random_walker

    labels = np.where(view.inside(), 0, 2).astype(np.int32)
    labels[view.stroke] = 1
    data = _smooth(view, blur).astype(np.float64) / 255
    with warnings.catch_warnings():  # probabilities a little over 1 do not change which label is the likeliest
        warnings.simplefilter("ignore", UserWarning)
        found = random_walker(data, labels, beta=beta, mode="cg_j", tol=1e-3, channel_axis=-1)
    return np.asarray(found == 1)


def chan_vese(view: View, *, blur: float, rounds: int, start: str) -> BoolArray:
    """Morphological Chan-Vese of scikit-image on grey, within the box, from the stroke or from an ellipse in it."""
    from skimage.segmentation import morphological_chan_vese

    x0, y0, x1, y1 = view.box
    grey = cv2.cvtColor(_smooth(view, blur), cv2.COLOR_RGB2GRAY)[y0:y1, x0:x1].astype(np.float64) / 255
    stroke = view.stroke[y0:y1, x0:x1]
    begin = stroke.astype(np.int8)
    if start == "ellipse":
        y, x = np.mgrid[-1 : 1 : grey.shape[0] * 1j, -1 : 1 : grey.shape[1] * 1j]
        begin = (x**2 + y**2 < 0.7).astype(np.int8)
    grow: Callable[..., ByteArray] = morphological_chan_vese
    found = grow(grey, num_iter=rounds, init_level_set=begin, smoothing=1) > 0
    out = np.zeros(view.rgb.shape[:2], dtype=bool)
    # which of the two phases is the weld is told by the stroke
    out[y0:y1, x0:x1] = found if found[stroke].mean() >= 0.5 else ~found
    return out


def watershed(view: View, *, blur: float, colours: int) -> BoolArray:
    """K-means on Lab colours, then OpenCV's watershed from the stroke's colours and from outside the box."""
    smooth = _smooth(view, blur)
    lab = cv2.cvtColor(smooth, cv2.COLOR_RGB2LAB).reshape(-1, 3).astype(np.float32)
    cv2.setRNGSeed(1)
    rule = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.5)
    guess = np.zeros((len(lab), 1), np.int32)
    _, name, _ = cv2.kmeans(lab, colours, guess, rule, 2, cv2.KMEANS_PP_CENTERS)
    name = name.reshape(view.rgb.shape[:2])
    counts = np.bincount(name[view.stroke], minlength=colours)
    own = np.isin(name, np.flatnonzero(counts >= 0.25 * counts.sum())) & view.inside()
    x0, y0, x1, y1 = view.box
    room = max(2.0, 0.03 * max(x1 - x0, y1 - y0))
    sure = cv2.distanceTransform(own.astype(np.uint8), cv2.DIST_L2, 5) > room
    markers = np.zeros(view.rgb.shape[:2], np.int32)
    markers[sure | view.stroke] = 1
    other = cv2.distanceTransform((~own).astype(np.uint8), cv2.DIST_L2, 5) > room
    markers[(other & ~view.stroke) | ~view.inside()] = 2
    cv2.watershed(np.ascontiguousarray(smooth), markers)
    return np.asarray(markers == 1)


def region_outline(region: BoolArray, view: View) -> FloatArray | None:
    """Return the outer outline (n, 2), photo px, of the part of a region that holds most of the stroke."""
    count, parts = cv2.connectedComponents(region.astype(np.uint8), connectivity=4)
    share = np.bincount(parts[view.stroke], minlength=count)
    share[0] = 0
    if share.max() == 0:
        return None
    part = (parts == int(np.argmax(share))).astype(np.uint8)
    lines, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(lines, key=len).reshape(-1, 2).astype(np.float64)
    return view.to_photo(_half_out(line)) if len(line) >= 8 else None


def _half_out(line: FloatArray) -> FloatArray:
    """Move an outline through the middles of a region's own outermost pixels by the half pixel they reach out."""
    ahead, behind = np.roll(line, -2, axis=0), np.roll(line, 2, axis=0)
    along = ahead - behind
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    area = float(np.sum(line[:, 0] * np.roll(line[:, 1], -1) - np.roll(line[:, 0], -1) * line[:, 1]))
    return np.asarray(line + 0.5 * normal * (1 if area > 0 else -1))


def baseline_row(case: Case, index: int, name: str, method: Method) -> Row:
    """Run one method on one weld; `seconds` of processor time are of the method alone."""
    weld = case.welds[index]
    view = view_of(case.rgb, weld)
    row: Row = {"seed": case.seed, "weld": index, "method": name, "pixels": view.rgb.shape[0] * view.rgb.shape[1]}
    begun = time.process_time()  # the machine may be busy with other work
    region = method(view)
    row["seconds"] = time.process_time() - begun
    line = region_outline(region, view)
    if line is None:
        return {**row, "found": False, "reason": "nothing left of the region"}
    return {**row, "found": True, "off": how_far(weld, line, case.mm_per_px)}


METHODS: dict[str, Method] = {
    "GrabCut": partial(grabcut, blur=0.0, stroke=True),
    "GrabCut, blurred first": partial(grabcut, blur=0.004, stroke=True),
    "random walker": partial(walker, blur=0.004, beta=40000),
    "morphological Chan-Vese": partial(chan_vese, blur=0.004, rounds=150, start="ellipse"),
    "watershed on colours": partial(watershed, blur=0.002, colours=6),
}
"""Name -> method with its settings."""
