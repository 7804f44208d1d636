"""A right hint is obeyed by all that follows from it: outline, surfaces, flags, what is withheld."""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray, Point
from macrocheck.photo import Photo
from macrocheck.render.photo import RenderedPhoto, render_photo
from macrocheck.segment import Hints, Looks, find_outline
from macrocheck.segment.boundary import Boundary, unfused_on
from macrocheck.segment.chains import resample
from macrocheck.segment.fit import fit_weld
from macrocheck.segment.layout import lay_out
from macrocheck.segment.lines import Line
from macrocheck.segment.locate import around, denied, shows
from macrocheck.segment.maps import BUTTING, NONBUTTING, WELD, RegionMaps
from tests.segment.fake_maps import Case, make_case, maps_of


def _point(p: FloatArray) -> Point:
    return float(p[0]), float(p[1])


@cache
def _tee() -> Case:
    return make_case(0, joint="tee")


def _leaking(c: Case, toe: FloatArray, along: FloatArray) -> RegionMaps:
    """Maps that see weld metal run on beside a toe, under the member's surface, for 30 map px."""
    at = c.maps.map_points(np.vstack([toe, toe + 100 * along]))
    d = (at[1] - at[0]) / np.hypot(*(at[1] - at[0]))
    mask = np.zeros(c.maps.shape, np.uint8)
    cv2.line(mask, np.rint(at[0]).astype(int).tolist(), np.rint(at[0] + 30 * d).astype(int).tolist(), (1,), 14)
    regions = c.maps.regions.copy()
    metal = regions[BUTTING] + regions[NONBUTTING]
    regions[WELD] += metal * mask
    regions[BUTTING] *= 1 - mask
    regions[NONBUTTING] *= 1 - mask
    points = c.maps.points * (1 - cv2.dilate(mask, np.ones((9, 9), np.uint8)))
    return replace(c.maps, regions=regions, points=points)


def test_a_hinted_toe_ends_the_face_where_the_region_runs_on() -> None:
    c = _tee()
    toe = c.truth.face[-1]
    maps = _leaking(c, toe, c.truth.along_nonbutting)
    size = (c.photo.width, c.photo.height)
    at = c.maps.map_points(toe[None])[0]
    loose = lay_out(maps, joint="tee", photo_size=size)
    assert np.hypot(*(loose.face[-1] - at)) > 20
    held = lay_out(maps, joint="tee", photo_size=size, hints=Hints(toes=(_point(toe),)))
    assert np.hypot(*(held.face[-1] - at)) < 3
    assert np.allclose(held.face[0], loose.face[0])
    # the member's surface is walked from the toe on
    assert np.hypot(*(held.beyond_nonbutting[0] - at)) < 5
    assert len(held.beyond_nonbutting) > 40


def test_a_hinted_toe_moves_the_surface_too() -> None:
    c = _tee()
    free = fit_weld(c.photo, c.maps, joint="tee", mm_per_px=None).surface_nonbutting
    assert free is not None
    toe = c.truth.face[-1] + 2.5 * c.maps.scale * np.array([-free.direction[1], free.direction[0]])
    hints = Hints(toes=(_point(toe),))
    held = fit_weld(c.photo, c.maps, joint="tee", mm_per_px=None, hints=hints).surface_nonbutting
    assert held is not None
    assert abs(float(free.signed_distance(toe[None])[0])) > 1.5 * c.maps.scale
    assert abs(float(held.signed_distance(toe[None])[0])) < 0.9 * c.maps.scale


def test_root_toes_and_two_points_leave_no_doubt_of_the_regions() -> None:
    c = _tee()
    regions = c.maps.regions.copy()
    rest = regions.sum(axis=0) - regions[WELD]
    sure = np.minimum(regions[WELD], 0.9)
    regions *= (1 - sure) / np.maximum(rest, 1e-6)
    regions[WELD] = sure
    murky = replace(c.maps, regions=regions)
    before = fit_weld(c.photo, murky, joint="tee", mm_per_px=None)
    assert "regions_unsure" in {f.code for f in before.flags}
    assert before.withheld
    fusion = resample(c.truth.fusion, 1.0)
    hints = Hints(
        root=(_point(c.truth.root),),
        toes=(_point(c.truth.face[0]), _point(c.truth.face[-1])),
        through=tuple(_point(fusion[round(share * len(fusion))]) for share in (0.3, 0.7)),
    )
    after = fit_weld(c.photo, murky, joint="tee", mm_per_px=None, hints=hints)
    assert "regions_unsure" not in {f.code for f in after.flags}
    assert not after.withheld
    assert not {"surface_short", "toe_unsure"} & {f.code for f in after.flags}
    # the outline is surer at the points than it was, and no less sure elsewhere
    for point in hints.through:
        k, j = (int(np.argmin(np.hypot(*(w.fusion - point).T))) for w in (after, before))
        assert after.u_fusion[k] < 1.0 * c.maps.scale < before.u_fusion[j]


@pytest.mark.parametrize(("off", "laid"), [(6.0, False), (0.5, True)])
def test_a_click_decides_whether_a_stretch_lies_on_a_surface(off: float, laid: bool) -> None:
    n = 200
    # the boundary runs along the surface y = 100 and, where a person clicked, off it or on it
    bulge = np.exp(-0.5 * ((np.arange(n) - 100) / 12.0) ** 2)
    points = np.column_stack([np.arange(float(n)), 100.0 + off * bulge])
    pinned = np.zeros(n, np.bool_)
    pinned[98:103] = True
    even = np.full(n, 0.8)
    boundary = Boundary(points, even, even, np.zeros(n), even, pinned)
    line = Line(np.array([100.0, 100.0]), np.array([1.0, 0.0]), 0.2, 1e-4, -150.0, 150.0)
    # a seam is seen all along
    maps = replace(maps_of(np.zeros((4, 220, 220), np.float32)), seam=np.full((220, 220), 0.9, np.float32))
    on = unfused_on(
        maps, boundary, line, toe=np.array([199.0, 100.0]), root=np.array([0.0, 100.0]), inward=np.array([0.0, 1.0])
    )
    assert on[98:103].all() == laid
    assert on[:60].all()
    assert on[140:].all()
    if not laid:
        # and what leads to the click from the surface is as little laid on it
        assert not on[np.abs(points[:, 1] - 100.0) > 1.0].any()


def test_a_look_is_asked_whether_it_shows_and_bears_out_points() -> None:
    y, x = np.mgrid[:200, :200]
    weld = ((np.abs(x - 100) < 40) & (np.abs(y - 100) < 40)).astype(np.float32)
    maps = maps_of(np.stack([1 - weld, weld, 0 * weld, 0 * weld]), scale=3.0)
    assert shows(maps, np.array([[180.0, 300.0], [420.0, 300.0]]))
    assert not shows(maps, np.array([[300.0, 300.0], [9.0, 300.0]]))
    assert not shows(maps, np.array([[300.0, 640.0]]))
    on, inside, outside = (180.0, 300.0), (300.0, 300.0), (60.0, 300.0)
    assert denied(maps, np.array([on])) == 0.0
    assert denied(maps, np.array([on, inside, outside, on])) == 0.5
    assert denied(maps, np.empty((0, 2))) == 0.0
    spot = around(np.array([(10.0, 20.0), (40.0, 30.0)]), score=2.0, box=(0.0, 25.0, 20.0, 90.0))
    assert (spot.box, spot.span, spot.centre) == ((0.0, 20.0, 40.0, 90.0), 70.0, (20.0, 55.0))


@pytest.fixture(scope="module")
def missed() -> RenderedPhoto:
    return render_photo(18002, "hard", joints=("tee", "tee", "lap", "corner"))


def test_hints_in_a_weld_that_was_lost_bring_it_back(missed: RenderedPhoto) -> None:
    photo = Photo(missed.rgb, "both.png", "0" * 64)
    looks = Looks(photo)
    assert len(missed.welds) == 2
    found = find_outline(photo, joint="tee", looks=looks)
    assert len(found.welds) == 1

    def off(weld: int) -> float:
        middle = missed.welds[weld].polygon_px.mean(axis=0)
        return min(float(np.hypot(*(w.polygon.mean(axis=0) - middle))) for w in found.welds)

    lost = missed.welds[int(off(1) > off(0))]
    root, toes = lost.joint_root_px, (lost.toe_butting_px, lost.toe_nonbutting_px)
    assert root is not None
    assert toes[0] is not None
    assert toes[1] is not None
    hints = Hints(root=(root,), toes=toes)
    again = find_outline(photo, joint="tee", hints=hints, looks=looks)
    assert len(again.welds) == 2
    weld = min(again.welds, key=lambda w: float(np.hypot(*(w.polygon.mean(axis=0) - lost.polygon_px.mean(axis=0)))))
    for toe in hints.toes:
        assert min(np.hypot(*(np.asarray(toe) - t)) for t in (weld.toe_butting, weld.toe_nonbutting)) < 1.0
    assert weld.joint_root == pytest.approx(root, abs=2.0)
