"""Width of the heat-affected zone: fusion boundary to its outer edge."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.curves import arc_length
from macrocheck.measure.root import Root
from macrocheck.measure.section import Section


def haz_width(section: Section, root: Root, member: int) -> FloatArray | None:
    """Mean distance (rows,) mm from the fusion boundary in a member to the zone's outer edge.

    `member`: 0 butting, 1 nonbutting; its part of the boundary runs from its toe to the weld root. Every place on
    it counts by its length, but those whose nearest point of the outer edge is an end of that curve have no
    zone opposite and do not count. None where no edge was found or none lies opposite.
    """
    edges = section.haz[member]
    if edges is None:
        return None
    fusion = section.fusion[0]
    split = int(np.hypot(*(fusion - root.weld_root[0]).T).argmin())
    places = np.arange(split, len(fusion)) if member == 0 else np.arange(split + 1)
    edge = edges[0]
    start, step = edge[:-1], np.diff(edge, axis=0)
    rel = fusion[places, None, :] - start[None]
    t = np.clip((rel * step).sum(-1) / np.maximum((step**2).sum(-1), 1e-18), 0.0, 1.0)
    nearest = np.hypot(*(rel - t[..., None] * step).transpose(2, 0, 1)).argmin(axis=1)
    part = t[np.arange(len(places)), nearest]
    opposite = ~(((nearest == 0) & (part <= 0)) | ((nearest == len(step) - 1) & (part >= 1)))
    if opposite.sum() < 2:
        return None
    places, nearest, part = places[opposite], nearest[opposite], part[opposite]
    # The pairs stay; each draw moves both ends, and only the motion across the zone changes its width.
    feet = edges[:, nearest] + part[None, :, None] * (edges[:, nearest + 1] - edges[:, nearest])
    across = feet - section.fusion[:, places]
    unit = across[:1] / np.maximum(np.hypot(across[0, :, 0], across[0, :, 1])[None, :, None], 1e-9)
    weight = np.gradient(arc_length(fusion))[places]
    return np.asarray(((across * unit).sum(-1) * weight).sum(axis=1) / weight.sum())
