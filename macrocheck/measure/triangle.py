"""The largest triangles that fit the section: apex at the joint root, sides on the member surfaces.

Only the face limits them: a chord from one surface to the other fits when no point of the face between the
surfaces lies under it. Whether the metal is fused to the surfaces is another question (see `depth`).
"""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.section import Section

UNEQUAL_ROWS = 81


def _oblique(section: Section) -> FloatArray:
    """Face points (rows, n, 2) as (along nonbutting, along butting) multiples of the surface directions."""
    x, y = section.face[..., 0], section.face[..., 1]
    beta = y / np.sin(section.psi)[:, None]
    return np.stack([x - beta * np.cos(section.psi)[:, None], beta], axis=-1)


def _limits(section: Section) -> FloatArray:
    """Points (rows, k, 2) in oblique coordinates that a chord may not rise over: the face between the surfaces.

    Points outside the wedge are moved to where the face enters it; each toe counts as its foot on its surface.
    """
    points = _oblique(section)
    here, there = points[:, :-1], points[:, 1:]
    entries = []
    for axis in (0, 1):
        step = there[..., axis] - here[..., axis]
        crosses = np.asarray((here[..., axis] < 0) != (there[..., axis] < 0))
        at = np.where(crosses, -here[..., axis] / np.where(crosses, step, 1.0), 0.0)
        entry = here + at[..., None] * (there - here)
        entry[..., axis] = 0.0
        if crosses.any():
            entries.append(np.where(np.expand_dims(crosses, -1), entry, -1.0))
    feet = np.zeros((len(points), 2))
    feet[:, 1] = (section.toe_butting * section.along_butting).sum(-1)
    points[:, 0] = feet
    points[:, -1] = np.column_stack([section.toe_nonbutting[:, 0], np.zeros(len(points))])
    points = np.concatenate([points, *entries], axis=1)
    inside = np.all(points >= -1e-9, axis=-1)
    return np.where(np.expand_dims(inside, -1), np.maximum(points, 0.0), np.inf)


def isosceles(section: Section) -> tuple[FloatArray, FloatArray]:
    """Size (leg of the largest isosceles triangle) and theoretical throat, (rows,) mm each."""
    size = _limits(section).sum(axis=-1).min(axis=1)
    return size, size * np.cos(section.psi / 2)


def unequal(section: Section) -> tuple[FloatArray, FloatArray]:
    """Legs (butting, nonbutting), (rows,) mm each, of the largest-area triangle that fits.

    In oblique coordinates (a, b) the chord a u + b v = 1 fits when a u + b v >= 1 at every limiting point; its
    area grows as u v falls, and the best chord is one that touches two points. The search is the dearest step of
    all, so only the first `UNEQUAL_ROWS` rows are returned.
    """
    limits = _limits(section)[:UNEQUAL_ROWS]
    rows = np.arange(len(limits))
    a, b = np.where(np.isfinite(limits), limits, 1e9).transpose(2, 0, 1)
    low, high = np.zeros(len(limits)), np.full(len(limits), np.pi / 2)
    best_area, best = np.zeros(len(limits)), np.zeros((len(limits), 2))
    for count in (20, 8):
        angle = low[:, None] + (high - low)[:, None] * np.linspace(0.004, 0.996, count)
        touched = (np.cos(angle)[..., None] * a[:, None, :] + np.sin(angle)[..., None] * b[:, None, :]).argmin(
            axis=2
        )
        # The best chord touches two points: try the lines through what neighbouring chords touch.
        i, j = touched[:, :-1], touched[:, 1:]
        u = np.take_along_axis(b, j, axis=1) - np.take_along_axis(b, i, axis=1)
        v = np.take_along_axis(a, i, axis=1) - np.take_along_axis(a, j, axis=1)
        flip = np.where(u + v < 0, -1.0, 1.0)
        middle = (angle[:, :-1] + angle[:, 1:]) / 2
        edge = (i != j) & (u * flip > 1e-12) & (v * flip > 1e-12)
        u, v = np.where(edge, u * flip, np.cos(middle)), np.where(edge, v * flip, np.sin(middle))
        free = (u[..., None] * a[:, None, :] + v[..., None] * b[:, None, :]).min(axis=2)
        pick = (free**2 / (u * v)).argmax(axis=1)
        chord = np.column_stack([(free / v)[rows, pick], (free / u)[rows, pick]])
        better = chord.prod(axis=1) > best_area
        best_area = np.where(better, chord.prod(axis=1), best_area)
        best = np.where(better[:, None], chord, best)
        low, high = angle[rows, pick], angle[rows, pick + 1]
    return best[:, 0], best[:, 1]
