"""One section in one view: its regions, distances and curves in px, ready to be painted."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from macrocheck.arrays import FloatArray
from tests.elsewhere.curves import resampled, waved
from tests.elsewhere.joint import Section
from tests.elsewhere.textures import Plane
from tests.elsewhere.truth import haz_edge
from tests.elsewhere.view import View


@dataclass(frozen=True)
class Scene:
    """What a painter gets. `zones`: heat-affected zone round every weld, section mm, None where it is not shown."""

    section: Section
    view: View
    zones: tuple[Polygon | None, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width, px."""
        return self.view.height, self.view.width

    @property
    def px(self) -> float:
        """Px per mm."""
        return 1 / self.view.mm_per_px

    @cached_property
    def metal(self) -> tuple[Plane, ...]:
        """Cover of every weld, voids included."""
        return tuple(self.view.mask(self.section.metal(k)) for k in range(len(self.section.fillets)))

    @cached_property
    def welds(self) -> Plane:
        """Cover of all welds."""
        return np.maximum.reduce(self.metal) if len(self.metal) > 1 else self.metal[0]

    @cached_property
    def members(self) -> tuple[Plane, Plane]:
        """Cover of the (butting, nonbutting) member, reaching a little under what lies against it."""
        all_metal = [self.section.metal(k) for k in range(len(self.section.fillets))]
        whole = shapely.union_all([*self.section.members, *all_metal]).buffer(1e-4)
        butting, nonbutting = (self.view.mask(m.buffer(0.15).intersection(whole)) for m in self.section.members)
        return butting, nonbutting

    @cached_property
    def solid(self) -> Plane:
        """Cover of everything that is metal."""
        cover = np.minimum(self.welds + self.members[0] + self.members[1], 1.0)
        return np.asarray(cover * (1 - self.voids), dtype=np.float32)

    @cached_property
    def voids(self) -> Plane:
        """Cover of the voids."""
        holes = [
            Polygon(f.place(v))
            for w, f in zip(self.section.fillets, self.section.frames, strict=True)
            for v in w.voids
        ]
        return self.view.mask(shapely.union_all(holes)) if holes else np.zeros(self.shape, np.float32)

    @cached_property
    def zone(self) -> Plane:
        """Cover of the heat-affected zones, outside the welds."""
        shapes = [z for z in self.zones if z is not None]
        if not shapes:
            return np.zeros(self.shape, np.float32)
        cover = self.view.mask(shapely.union_all(shapes))
        return np.asarray(np.clip(cover - self.welds, 0, 1), dtype=np.float32)

    @cached_property
    def zone_depth(self) -> Plane:
        """0 at the weld to 1 at the zone's outer edge and beyond."""
        inner = cv2.distanceTransform((self.welds < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        if not any(z is not None for z in self.zones):
            return np.ones(self.shape, np.float32)
        cover = np.maximum(self.zone, self.welds)
        outer = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        return np.asarray(inner / np.maximum(inner + outer, 1e-3), dtype=np.float32)

    @cached_property
    def off_fusion(self) -> Plane:
        """Distance from the nearest fusion boundary, px."""
        line = np.full(self.shape, 255, np.uint8)
        for k in range(len(self.section.fillets)):
            pts = np.round(self.fusion(k)).astype(np.int32)
            cv2.polylines(line, [pts.reshape(-1, 1, 2)], False, 0, 1)
        return np.asarray(cv2.distanceTransform(line, cv2.DIST_L2, 5), dtype=np.float32)

    def fusion(self, k: int) -> FloatArray:
        """Fusion boundary of weld `k`, px."""
        return self.view.to_px(self.section.frames[k].place(self.section.fillets[k].fusion))

    def fused_line(self, k: int) -> BaseGeometry:
        """Fusion boundary of weld `k` without what only lies on a surface, section mm."""
        line, surfaces = self._boundary(k)
        return _moved(line.difference(surfaces), self.section.frames[k].place)

    def bare_contact(self, k: int) -> BaseGeometry:
        """Where weld metal of weld `k` lies on a surface unfused, section mm."""
        line, surfaces = self._boundary(k)
        return _moved(line.intersection(surfaces), self.section.frames[k].place)

    def _boundary(self, k: int) -> tuple[LineString, BaseGeometry]:
        """Fusion boundary of weld `k` and what lies on a surface, joint frame mm."""
        weld = self.section.fillets[k]
        legs = (np.array([60.0, 0.0]), weld.plan.along * 60)
        surfaces = shapely.union_all([LineString(np.vstack([np.zeros(2), leg])) for leg in legs])
        return LineString(weld.fusion), surfaces.buffer(0.01)


def _moved(shape: BaseGeometry, place: Callable[[FloatArray], FloatArray]) -> BaseGeometry:
    moved: Any = shapely.transform(shape, place)
    out: BaseGeometry = moved
    return out


def draw_zones(rng: np.random.Generator, section: Section) -> tuple[Polygon | None, ...]:
    """Draw the heat-affected zone of every weld, section mm."""
    share = rng.uniform(0.06, 0.22)
    zones: list[Polygon | None] = []
    for k, weld in enumerate(section.fillets):
        width = float(np.clip(share * min(weld.plan.leg_butting, weld.plan.leg_nonbutting), 0.3, 2.2))
        grown = section.metal(k).buffer(width * 1.6).buffer(-0.6 * width)
        ring = resampled(np.asarray(Polygon(grown.exterior).exterior.coords), 0.1)
        wavy = waved(rng, ring, 0.05 * width, 3 * width, closed=True)
        zones.append(Polygon(wavy).buffer(0))
    return tuple(zones)


def zone_edges(scene: Scene, k: int) -> tuple[FloatArray | None, FloatArray | None]:
    """Return the zone's outer edges in the (butting, nonbutting) member, section mm."""
    zone = scene.zones[k]
    if not isinstance(zone, Polygon):
        return None, None
    metal = scene.section.metal(k)
    return haz_edge(zone, metal, scene.section.members[0]), haz_edge(zone, metal, scene.section.members[1])
