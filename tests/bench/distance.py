"""How far an outline lies from the true one, in mm: what holds for any method that ends in a region."""

import numpy as np
from scipy.spatial import cKDTree

from macrocheck.arrays import FloatArray
from tests.bench.cases import CaseWeld
from tests.bench.compare import overlap_share, polygon_of

STEP = 0.5
"""Spacing of the points at which distances are taken, px."""


def dense(line: FloatArray, *, closed: bool) -> FloatArray:
    """Return points (n, 2) along a polyline (k, 2), at most `STEP` px apart."""
    points = np.asarray(line, dtype=np.float64)
    if closed:
        points = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / STEP)) + 1))
    return np.column_stack([np.interp(at, along, points[:, k]) for k in (0, 1)])


def true_fusion(weld: CaseWeld) -> FloatArray:
    """Return the true fusion boundary (n, 2), px, from the nonbutting toe through the root to the butting toe."""
    if weld.outline is None:
        msg = "this family gives no outline of its own"
        raise ValueError(msg)
    return weld.outline.fusion


def true_face(weld: CaseWeld) -> FloatArray:
    """Return the true weld face (n, 2), px, from the butting to the nonbutting toe."""
    if weld.outline is None:
        msg = "this family gives no outline of its own"
        raise ValueError(msg)
    return weld.outline.face


def how_far(weld: CaseWeld, found: FloatArray, mm_per_px: float) -> dict[str, float]:
    """Compare a found closed outline (n, 2), px, with the true one.

    `fusion_mean`, `fusion_median`, `fusion_p95`, `fusion_max`: from points of the true fusion boundary to the found
    outline, mm; `face_max`: the same of the weld face. `outline_mean`: between the whole outlines, both ways, mm.
    `iou`: of the regions.
    """
    got = dense(found, closed=True)
    near_found = cKDTree(got)
    fusion = near_found.query(dense(true_fusion(weld), closed=False))[0] * mm_per_px
    face = near_found.query(dense(true_face(weld), closed=False))[0] * mm_per_px
    true = dense(weld.polygon_px, closed=True)
    there = near_found.query(true)[0] * mm_per_px
    back = cKDTree(true).query(got)[0] * mm_per_px
    return {
        "fusion_mean": float(np.mean(fusion)),
        "fusion_median": float(np.median(fusion)),
        "fusion_p95": float(np.percentile(fusion, 95)),
        "fusion_max": float(np.max(fusion)),
        "face_max": float(np.max(face)),
        "outline_mean": float(0.5 * (np.mean(there) + np.mean(back))),
        "iou": overlap_share(polygon_of(weld.polygon_px), polygon_of(found)),
    }
