"""fit_weld against sections whose truth is known, through maps with a network's faults."""

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.errors import NotFoundError
from macrocheck.outline import Joint, SurfaceLine, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.fit import fit_weld
from macrocheck.segment.hints import Hints
from macrocheck.segment.maps import BUTTING, NONBUTTING, WELD, RegionMaps
from tests.segment.fake_maps import Case, make_case

CASES: list[tuple[Joint, int]] = (
    [("tee", s) for s in range(10)] + [("lap", s) for s in range(8)] + [("bead", s) for s in range(6)]
)


@cache
def case(joint: Joint, seed: int) -> Case:
    return make_case(seed, joint=joint)


@cache
def fitted(joint: Joint, seed: int) -> WeldOutline:
    c = case(joint, seed)
    return fit(c)


def fit(
    c: Case, *, maps: RegionMaps | None = None, photo: Photo | None = None, hints: Hints | None = None
) -> WeldOutline:
    joint = c.section.spec.joint
    assert joint != "corner"
    return fit_weld(photo or c.photo, maps or c.maps, joint=joint, mm_per_px=None, hints=hints)


def distance(points: FloatArray, curve: FloatArray) -> FloatArray:
    dense = resample(curve, 0.5)
    return np.asarray(np.hypot(*(points[:, None] - dense[None]).transpose(2, 0, 1)).min(axis=1))


def truth_of(c: Case, w: WeldOutline) -> tuple[FloatArray, FloatArray]:
    """Face and fusion boundary in the fitted order: a bead's left and right are the picture's."""
    face, fusion = c.truth.face, c.truth.fusion
    if w.joint == "bead" and np.hypot(*(w.face[0] - face[0])) > np.hypot(*(w.face[0] - face[-1])):
        return face[::-1], fusion[::-1]
    return face, fusion


def inner(points: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Without the last twentieth at either end: what lies there is the toe's doubt."""
    cut = len(points) // 20 + 2
    return points[cut:-cut], u[cut:-cut]


@pytest.mark.parametrize(("joint", "seed"), CASES)
def test_outline_is_whole_and_well_formed(joint: Joint, seed: int) -> None:
    w = fitted(joint, seed)
    assert np.array_equal(w.face[0], w.fusion[-1])
    assert np.array_equal(w.face[-1], w.fusion[0])
    assert len(w.u_face) == len(w.face)
    assert len(w.u_fusion) == len(w.fusion)
    assert np.isfinite(w.polygon).all()
    assert (w.u_face > 0).all()
    assert (w.u_fusion > 0).all()
    for line in (w.surface_butting, w.surface_nonbutting, w.surface_top):
        assert line is None or (line.u_offset > 0 and line.u_angle > 0)


def _at_root(line: SurfaceLine, root: FloatArray) -> tuple[float, float]:
    """Error and uncertainty of a surface line where the joint root is, px."""
    away = float((root - np.asarray(line.point)) @ np.asarray(line.direction))
    return float(line.signed_distance(root[None])[0]), float(np.hypot(line.u_offset, line.u_angle * away))


def _surface_errors() -> Iterator[tuple[float, float, float]]:
    for joint, seed in CASES:
        if joint == "bead":
            continue
        c, w = case(joint, seed), fitted(joint, seed)
        for line in (w.surface_butting, w.surface_nonbutting):
            if line is not None:
                error, u = _at_root(line, c.truth.root)
                yield error, u, c.truth.px_per_mm


def test_surfaces_pass_the_joint_root_as_surely_as_they_claim() -> None:
    error, u, scale = np.array(list(_surface_errors())).T
    assert len(error) > 20
    assert np.median(np.abs(error) / scale) < 0.01  # mm
    # Drawn without raggedness or blur's skew, edges are surer than in photographs, for which u is set.
    assert 0.2 < np.sqrt(np.mean(np.clip(error / u, -4, 4) ** 2)) < 1.25


def test_toes_and_face_lie_on_the_truth() -> None:
    off, z = [], []
    for joint, seed in CASES:
        c, w = case(joint, seed), fitted(joint, seed)
        face, _ = truth_of(c, w)
        off += [float(np.hypot(*(w.face[k] - face[k]))) / c.maps.scale for k in (0, -1)]
        points, u = inner(w.face, w.u_face)
        z.append(float(np.sqrt(np.mean((distance(points, face) / u) ** 2))))
    assert np.median(off) < 0.8  # map px
    assert np.quantile(off, 0.9) < 5.0
    assert np.median(z) < 1.25


def test_fusion_boundary_lies_on_the_truth_as_surely_as_it_claims() -> None:
    errors, z = [], []
    for joint, seed in CASES:
        c, w = case(joint, seed), fitted(joint, seed)
        _, fusion = truth_of(c, w)
        points, u = inner(w.fusion, w.u_fusion)
        d = distance(points, fusion)
        errors.append(d / c.maps.scale)
        z.append(d / u)
    assert np.median(np.concatenate(errors)) < 0.3  # map px
    assert np.quantile(np.concatenate(errors), 0.95) < 1.0
    assert 0.3 < np.sqrt(np.mean(np.clip(np.concatenate(z), 0, 4) ** 2)) < 1.25


def test_unfused_spans_lie_on_the_surface() -> None:
    # This lap's lower plate is unfused over its whole leg.
    w = fitted("lap", 1)
    assert w.surface_nonbutting is not None
    root = w.joint_root
    assert root is not None
    along = (w.fusion - np.asarray(root)) @ np.asarray(w.surface_nonbutting.direction)
    off = np.abs(w.surface_nonbutting.signed_distance(w.fusion))
    leg = along[0]
    assert off[(along > 0.05 * leg) & (along < 0.9 * leg)].max() < 1e-6
    assert np.hypot(*(w.fusion - np.asarray(root)).T).min() < 1e-6


def _turned(c: Case, quarter: int, *, mirror: bool) -> tuple[Photo, RegionMaps]:
    """The same case with the photo turned by quarters or mirrored; the maps stay as they are, placed anew."""
    pixels, h, w = c.photo.pixels, c.photo.height, c.photo.width
    m = np.column_stack([np.eye(2), np.zeros(2)])
    if mirror:
        pixels = pixels[:, ::-1]
        m = np.array([[-1.0, 0.0, w - 1.0], [0.0, 1.0, 0.0]])
    for _ in range(quarter):
        pixels = np.rot90(pixels)  # counter-clockwise: (x, y) -> (y, w - 1 - x)
        turn = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, w - 1.0]])
        m = np.column_stack([turn[:, :2] @ m[:, :2], turn[:, :2] @ m[:, 2] + turn[:, 2]])
        h, w = w, h
    placed = np.column_stack([m[:, :2] @ c.maps.to_photo[:, :2], m[:, :2] @ c.maps.to_photo[:, 2] + m[:, 2]])
    return replace(c.photo, pixels=np.ascontiguousarray(pixels)), replace(c.maps, to_photo=placed)


@pytest.mark.parametrize(("quarter", "mirror"), [(1, False), (2, True), (3, False)])
@pytest.mark.parametrize(("joint", "seed"), [("tee", 0), ("lap", 1)])
def test_turning_and_mirroring_change_nothing(joint: Joint, seed: int, quarter: int, mirror: bool) -> None:
    c = case(joint, seed)
    photo, maps = _turned(c, quarter, mirror=mirror)
    w, again = fitted(joint, seed), fit(c, maps=maps, photo=photo)
    for one, other in ((w.face, again.face), (w.fusion, again.fusion)):
        back = c.maps.photo_points(maps.map_points(other))
        assert distance(back, one).max() < 0.3  # px


def _with_bulge(c: Case) -> tuple[RegionMaps, FloatArray]:
    """Maps that see weld metal 9 map px too deep around the middle of the fusion boundary; a true point there."""
    h, w = c.maps.shape
    true = c.maps.map_points(resample(c.truth.fusion, 1.0))
    at = true[len(true) // 3]
    y, x = np.mgrid[:h, :w]
    blob = (np.hypot(x - at[0], y - at[1]) < 14).astype(np.float32)
    regions = c.maps.regions.copy()
    metal = regions[BUTTING] + regions[NONBUTTING]
    moved = metal * blob
    regions[WELD] += moved
    regions[BUTTING] *= 1 - blob
    regions[NONBUTTING] *= 1 - blob
    ridge = c.maps.fusion_line * (1 - blob)
    return replace(c.maps, regions=regions, fusion_line=ridge), c.maps.photo_points(at[None])[0]


def test_hints_steer_the_boundary() -> None:
    c = case("tee", 14)
    maps, point = _with_bulge(c)
    flat = replace(c.photo, pixels=np.full_like(c.photo.pixels, 128))
    wrong = fit(c, maps=maps, photo=flat)
    assert distance(point[None], wrong.fusion)[0] > 5 * c.maps.scale
    steered = fit(c, maps=maps, photo=flat, hints=Hints(through=((float(point[0]), float(point[1])),)))
    assert distance(point[None], steered.fusion)[0] < 1.0 * c.maps.scale + 0.5
    nearest = wrong.fusion[int(np.argmin(np.hypot(*(wrong.fusion - point).T)))]
    pushed = fit(c, maps=maps, photo=flat, hints=Hints(avoid=((float(nearest[0]), float(nearest[1])),)))
    assert distance(nearest[None], pushed.fusion)[0] > 1.5 * c.maps.scale


def test_hinted_toes_and_root_are_kept() -> None:
    c = case("tee", 0)
    toe = (float(c.truth.face[0, 0]) + 2.0, float(c.truth.face[0, 1]))
    root = (float(c.truth.root[0]), float(c.truth.root[1]))
    w = fit(c, hints=Hints(toes=(toe,), root=(root,)))
    assert w.toe_butting == pytest.approx(toe)
    assert w.joint_root == pytest.approx(root, abs=1.0)


def test_a_lap_without_end_face_needs_the_edge_stated() -> None:
    c = case("lap", 0)
    w = fitted("lap", 0)
    assert w.surface_butting is None
    assert "surface_missing" in {f.code for f in w.flags}
    on_edge = c.truth.root + 0.5 * c.weld.spec.leg_butting * c.truth.px_per_mm * c.truth.along_butting
    stated = fit(c, hints=Hints(edge=((float(on_edge[0]), float(on_edge[1])),)))
    assert stated.joint_root is not None
    assert np.hypot(*(np.asarray(stated.joint_root) - c.truth.root)) < 0.25 * c.truth.px_per_mm * 2


def test_a_weld_cut_by_the_picture_is_said_to_be_cut() -> None:
    c = case("tee", 0)
    toe = c.truth.face[-1]
    other = c.truth.face[0]
    # Cut the picture off half way between the toes, on the nonbutting toe's side.
    middle = (toe + other) / 2
    axis = int(np.argmax(np.abs(toe - other)))
    at = int(middle[axis])
    pixels = c.photo.pixels
    maps = c.maps
    if axis == 0:
        low = toe[0] < other[0]
        pixels = pixels[:, at:] if low else pixels[:, :at]
        shift = np.array([at if low else 0, 0])
    else:
        low = toe[1] < other[1]
        pixels = pixels[at:] if low else pixels[:at]
        shift = np.array([0, at if low else 0])
    to_photo = maps.to_photo.copy()
    to_photo[:, 2] -= shift
    w = fit(c, maps=replace(maps, to_photo=to_photo), photo=replace(c.photo, pixels=np.ascontiguousarray(pixels)))
    assert not w.complete_nonbutting
    assert w.complete_butting
    assert "touches_edge" in {f.code for f in w.flags}


def test_no_weld_is_said_in_a_sentence() -> None:
    c = case("tee", 0)
    regions = c.maps.regions.copy()
    regions[NONBUTTING] += regions[WELD]
    regions[WELD] = 0
    with pytest.raises(NotFoundError, match="no weld metal"):
        fit(c, maps=replace(c.maps, regions=regions))


def test_maps_that_say_nothing_withhold_the_numbers() -> None:
    c = case("tee", 0)
    regions = (0.45 * c.maps.regions + 0.55 / 4).astype(np.float32)
    w = fit(c, maps=replace(c.maps, regions=regions))
    assert "regions_unsure" in {f.code for f in w.flags}
    assert "leg_butting" in w.withheld


def test_members_that_cannot_be_told_apart_withhold_what_hangs_on_it() -> None:
    c = case("tee", 0)
    regions = c.maps.regions.copy()
    regions[BUTTING] = regions[NONBUTTING] = (regions[BUTTING] + regions[NONBUTTING]) / 2
    blind = replace(c.maps, regions=regions, seam=np.zeros_like(c.maps.seam), points=np.zeros_like(c.maps.points))
    # A photo that shows the weld, but no edge or seam between the plates behind it.
    grey = c.photo.pixels.copy()
    grey[(c.photo.pixels.mean(axis=2) > 60)] = 140
    w = fit(c, maps=blind, photo=replace(c.photo, pixels=grey))
    assert "member_unsure" in {f.code for f in w.flags}
    assert "depth_of_fusion_butting" in w.withheld
    assert "size" not in w.withheld


def test_a_point_in_the_butting_member_tells_the_members_apart() -> None:
    c = case("tee", 0)
    regions = c.maps.regions.copy()
    regions[[BUTTING, NONBUTTING]] = regions[[NONBUTTING, BUTTING]]
    swapped = replace(c.maps, regions=regions, seam=np.zeros_like(c.maps.seam), points=np.zeros_like(c.maps.points))
    grey = c.photo.pixels.copy()
    grey[(c.photo.pixels.mean(axis=2) > 60)] = 140
    photo = replace(c.photo, pixels=grey)
    toe = c.truth.face[0]
    wrong = fit(c, maps=swapped, photo=photo)
    assert np.hypot(*(np.asarray(wrong.toe_butting) - toe)) > 100
    on = toe + 0.3 * (toe - c.truth.root)
    right = fit(c, maps=swapped, photo=photo, hints=Hints(butting=((float(on[0]), float(on[1])),)))
    assert np.hypot(*(np.asarray(right.toe_butting) - toe)) < 30
    assert "member_unsure" not in {f.code for f in right.flags}


def test_a_hint_on_the_face_is_the_face_s() -> None:
    c = case("tee", 0)
    w = fitted("tee", 0)
    k = len(w.face) // 2
    out = w.face[k] - w.polygon.mean(axis=0)
    point = w.face[k] + 3.0 * c.maps.scale * out / np.hypot(*out)
    pulled = fit(c, hints=Hints(through=((float(point[0]), float(point[1])),)))
    assert distance(point[None], pulled.face)[0] < 1.0 * c.maps.scale
    assert distance(w.fusion[len(w.fusion) // 4][None], pulled.fusion)[0] < 0.3 * c.maps.scale


def test_the_photo_tells_members_apart_where_the_maps_do_not() -> None:
    c = case("tee", 0)
    regions = c.maps.regions.copy()
    regions[BUTTING] = regions[NONBUTTING] = (regions[BUTTING] + regions[NONBUTTING]) / 2
    blind = replace(c.maps, regions=regions, seam=np.zeros_like(c.maps.seam), points=np.zeros_like(c.maps.points))
    w = fit(c, maps=blind)
    assert "member_unsure" not in {f.code for f in w.flags}
    assert np.hypot(*(np.asarray(w.toe_butting) - c.truth.face[0])) < 30


def test_the_seam_tells_the_members_apart() -> None:
    c = case("tee", 0)
    regions = c.maps.regions.copy()
    regions[BUTTING] = regions[NONBUTTING] = (regions[BUTTING] + regions[NONBUTTING]) / 2
    w = fit(c, maps=replace(c.maps, regions=regions, points=np.zeros_like(c.maps.points)))
    assert np.hypot(*(np.asarray(w.toe_butting) - c.truth.face[0])) < 3 * c.maps.scale


def test_voids_and_gap_are_measured() -> None:
    c = case("lap", 8)
    (void,) = fitted("lap", 8).voids
    true = c.view.to_px(c.weld.voids[0])
    assert distance(void, np.vstack([true, true[:1]])).max() < 1.5
    gapped = next(s for s in range(60) if case("tee", s).section.spec.gap * case("tee", s).truth.px_per_mm > 12)
    g = case("tee", gapped)
    found = fitted("tee", gapped).gap_px
    assert found is not None
    assert abs(found[0] - g.section.spec.gap * g.truth.px_per_mm) < 3 * found[1]


def test_a_crack_is_pointed_out_and_sound_welds_are_left_alone() -> None:
    c = case("tee", 0)
    assert fitted("tee", 0).indications == ()
    centre = np.vstack([c.truth.face, c.truth.fusion]).mean(axis=0)
    ends = centre + np.array([[-30.0, -8.0], [30.0, 8.0]])
    pixels = c.photo.pixels.copy()
    one, other = np.round(ends * 16).astype(int).tolist()
    cv2.line(pixels, one, other, (15, 15, 15), 3, cv2.LINE_AA, 4)
    w = fit(c, photo=replace(c.photo, pixels=pixels))
    (line,) = w.indications
    assert distance(line, ends).max() < 3.0
    assert np.hypot(*np.diff(line, axis=0).T).sum() == pytest.approx(62, abs=10)
    assert [f.where_px for f in w.flags if f.code == "indication"] != []
