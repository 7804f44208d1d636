"""The largest triangles that fit the section: apex at the joint root, sides on the member surfaces.

Only the face limits them: a chord from one surface to the other fits when no point of the face between the
surfaces lies under it. Whether the metal is fused to the surfaces is another question (see `depth`).
"""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.section import Section


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
        entries.append(np.where(np.expand_dims(crosses, -1), entry, -1.0))
    feet = np.zeros((len(points), 2))
    feet[:, 1] = (section.toe_butting * section.along_butting).sum(-1)
    points[:, 0] = feet
    points[:, -1] = np.column_stack([section.toe_nonbutting[:, 0], np.zeros(len(points))])
    points = np.concatenate([points, *entries], axis=1)
    inside = (points >= -1e-9).all(axis=-1)
    return np.where(inside[..., None], np.maximum(points, 0.0), np.inf)


def isosceles(section: Section) -> tuple[FloatArray, FloatArray]:
    """Size (leg of the largest isosceles triangle) and theoretical throat, (rows,) mm each."""
    size = _limits(section).sum(axis=-1).min(axis=1)
    return size, size * np.cos(section.psi / 2)


def unequal(section: Section) -> tuple[FloatArray, FloatArray]:
    """Legs (butting, nonbutting), (rows,) mm each, of the largest-area triangle that fits.

    In oblique coordinates (a, b) the chord a u + b v = 1 fits when a u + b v >= 1 at every limiting point; its
    area grows as u v falls, and the best chord is one that touches two points (or a toe's foot, twice).
    """
    limits = _limits(section)
    rows = np.arange(len(limits))
    lowest = np.full(len(limits), 0.0)
    highest = np.full(len(limits), np.pi / 2)
    best_area = np.zeros(len(limits))
    best = np.zeros((len(limits), 2))
    a, b = np.where(np.isfinite(limits), limits, 1e9).transpose(2, 0, 1)
    for count in (20, 12):
        turn = np.linspace(0.004, 0.996, count)
        angle = lowest[:, None] + (highest - lowest)[:, None] * turn
        u, v = np.cos(angle), np.sin(angle)
        reach = u[:, :, None] * a[:, None, :] + v[:, :, None] * b[:, None, :]
        touching = reach.argmin(axis=2)
        least = np.take_along_axis(reach, touching[..., None], axis=2)[..., 0]
        pick = (least**2 / (u * v)).argmax(axis=1)
        lowest, highest = (
            angle[rows, np.maximum(pick - 1, 0)],
            angle[rows, np.minimum(pick + 1, count - 1)],
        )
        candidates = [(u[rows, pick], v[rows, pick])]
        for other in (np.maximum(pick - 1, 0), np.minimum(pick + 1, count - 1)):
            i, j = touching[rows, pick], touching[rows, other]
            du, dv = b[rows, j] - b[rows, i], a[rows, i] - a[rows, j]
            flip = np.where(du + dv < 0, -1.0, 1.0)
            fits = (i != j) & (du * flip > 1e-12) & (dv * flip > 1e-12)
            candidates.append((np.where(fits, du * flip, 1.0), np.where(fits, dv * flip, 1.0)))
        for cu, cv in candidates:
            free = (cu[:, None] * a + cv[:, None] * b).min(axis=1)
            chord = np.column_stack([free / cv, free / cu])
            area = chord.prod(axis=1)
            better = area > best_area
            best_area = np.where(better, area, best_area)
            best = np.where(better[:, None], chord, best)
    return best[:, 0], best[:, 1]
