"""Edges lie where the geometry says, pictures repeat by seed, looks keep their promises."""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from macrocheck.arrays import FloatArray
from macrocheck.render.coverage import ring_coverage
from macrocheck.render.looks import Deposit, Finish, Ground, Look, Plate
from macrocheck.render.mark_placing import MarkKind
from macrocheck.render.paint import bare, paint, scene
from macrocheck.render.photo import LookName, RenderedPhoto, render_photo
from macrocheck.render.raster import make_view
from macrocheck.render.sample_looks import fair_look
from tests.render.shapes import flat_fillet

PLAIN = Look(
    ground=Ground(20.0, amplitude=0.0),
    butting=Plate(160.0, grain=0.0),
    nonbutting=Plate(160.0, grain=0.0),
    deposit=Deposit(100.0, fine=0.0),
    finish=Finish(seam=0.0),
)


def test_coverage_is_exact() -> None:
    square = np.array([[1.25, 2.0], [6.0, 2.0], [6.0, 5.5], [1.25, 5.5]])
    cover = ring_coverage([square], 10, 9)
    # pixel centres at integers: column 1 is covered from 1.25 to 1.5, row 2 from 2.0 to 2.5
    assert cover.sum() == pytest.approx(4.75 * 3.5, rel=1e-6)
    assert cover[3, 1] == pytest.approx(0.25)
    assert cover[2, 3] == pytest.approx(0.5)
    assert cover[2, 1] == pytest.approx(0.125)
    assert cover[3, 6] == pytest.approx(0.5)
    hole = square[::-1] * 0.5 + 1.9
    assert ring_coverage([square, hole], 10, 9).sum() == pytest.approx(4.75 * 3.5 * 0.75, rel=1e-6)


def test_coverage_of_a_shape_half_out_of_the_picture() -> None:
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    disc = np.column_stack([-0.5 + 30 * np.cos(turn), 19.5 + 30 * np.sin(turn)])
    cover = ring_coverage([disc], 100, 200)
    full = ring_coverage([disc + np.array([100.0, 100.0])], 300, 300)
    assert full.sum() == pytest.approx(np.pi * 900, rel=1e-3)
    np.testing.assert_allclose(cover[:60], full[100:160, 100:200], atol=1e-5)


def _edge_offsets(grey: FloatArray, line: FloatArray, inside: float, outside: float) -> FloatArray:
    """Signed distance, px, of the half-level crossing from `line`, along its normals (positive to its right)."""
    step = np.hypot(*np.diff(line, axis=0).T)
    at = np.concatenate([[0], np.cumsum(step)])
    even = np.sort(np.random.default_rng(0).uniform(0.15 * at[-1], 0.85 * at[-1], 600))
    p = np.column_stack([np.interp(even, at, line[:, 0]), np.interp(even, at, line[:, 1])])
    q = np.column_stack([np.interp(even + 0.5, at, line[:, 0]), np.interp(even + 0.5, at, line[:, 1])])
    t = (q - p) / np.hypot(*(q - p).T)[:, None]
    normal = np.column_stack([-t[:, 1], t[:, 0]])
    r = np.linspace(-4, 4, 161)
    x = p[:, 0, None] + r * normal[:, 0, None]
    y = p[:, 1, None] + r * normal[:, 1, None]
    tone = map_coordinates(grey, [y, x], order=1)
    part = (tone - outside) / (inside - outside)
    # the integral of the step is where the edge lies, whatever the pixels do to its shape
    # single rays see the pixel grid; sixty at uneven places do not
    return np.asarray(((part.mean(axis=1) - 0.5) * 8).reshape(-1, 60).mean(axis=1))


@pytest.mark.parametrize("rotation", [0.0, 17.3, 45.0, 141.0])
@pytest.mark.parametrize("mirror", [False, True])
def test_drawn_edges_lie_on_the_truth(rotation: float, mirror: bool) -> None:
    section = flat_fillet(5.0, 6.0)
    view = make_view(
        px_per_mm=41.3, width=640, height=620, centre_mm=(2.1, 2.2), rotation_deg=rotation, mirror=mirror
    )
    grey = scene(section, view, bare(PLAIN), 1)[..., 0].astype(np.float64)
    weld = section.welds[0]
    face = _edge_offsets(grey, view.to_px(weld.face), 100.0, 20.0)
    assert abs(float(face.mean())) < 0.01
    assert float(np.abs(face).max()) < 0.03
    fusion = view.to_px(weld.fusion[: weld.split + 1])
    boundary = _edge_offsets(grey, fusion, 100.0, 160.0)
    assert float(np.abs(boundary).max()) < 0.03


def test_same_seed_same_picture() -> None:
    looks: tuple[LookName, ...] = ("fair", "grain", "hard")
    for look in looks:
        first = render_photo(5, look, size=(320, 240), mark="bar")
        second = render_photo(5, look, size=(320, 240), mark="bar")
        np.testing.assert_array_equal(first.rgb, second.rgb)
        assert first.welds[0].quantities == second.welds[0].quantities
        other = render_photo(6, look, size=(320, 240), mark="bar")
        assert not np.array_equal(first.rgb, other.rgb)


def _boundary_contrast(photo: RenderedPhoto) -> list[float]:
    """Difference of mean tone across the fused stretches of every fusion boundary, a value a stretch."""
    grey = photo.rgb.astype(np.float64).mean(axis=2)
    height, width = grey.shape
    out = []
    for truth, weld in zip(photo.welds, photo.section.welds, strict=True):
        line = truth.outline.fusion
        rim = 0.5 * photo.view.px_per_mm * 0.09 + 3 * photo.look.camera.blur_px
        for k in range(8, len(line) - 12, 10):
            span = line[k : k + 10]
            own = (weld.fusion[k : k + 10] - weld.frame[:, 2]) @ np.linalg.inv(weld.frame[:, :2]).T
            t = np.gradient(span, axis=0)
            length = np.hypot(*t.T)
            if own[:, 1].max() > -0.35 or length.min() < 0.3:
                continue  # only well inside the nonbutting member
            normal = np.column_stack([-t[:, 1], t[:, 0]]) / length[:, None]
            sides = []
            for sign in (1, -1):
                r = sign * np.linspace(rim, rim + 5, 8)
                p = span[:, None] + r[None, :, None] * normal[:, None]
                if p.min() < 1 or p[..., 0].max() > width - 2 or p[..., 1].max() > height - 2:
                    break
                sides.append(float(np.median(map_coordinates(grey, [p[..., 1], p[..., 0]], order=1))))
            if len(sides) == 2:
                out.append(abs(sides[0] - sides[1]))
    return out


def test_fair_looks_have_a_fair_contrast() -> None:
    found = []
    for seed in range(8):
        photo = render_photo(seed, "fair", size=(800, 600), wild=0.0, joints=("tee",))
        found += _boundary_contrast(photo)
    assert len(found) > 40
    assert float(np.percentile(found, 5)) > 25.0


def test_both_etch_polarities_appear() -> None:
    signs = set()
    for seed in range(20):
        look = fair_look(np.random.default_rng(seed))
        signs.add(bool(look.deposit.tone > look.butting.tone))
    assert signs == {True, False}


@pytest.mark.parametrize("look", ["fair", "grain", "hard"])
def test_photos_show_every_weld_whole(look: LookName) -> None:
    for seed in range(4):
        photo = render_photo(seed, look, size=(400, 300))
        height, width = photo.rgb.shape[:2]
        for weld in photo.welds:
            polygon = weld.polygon_px
            assert polygon.min() > 0
            assert polygon[:, 0].max() < width - 1
            assert polygon[:, 1].max() < height - 1


@pytest.mark.parametrize(("mark", "start"), [("bar", "bar:"), ("ruler", "ruler:1mm"), (None, "px:")])
def test_marks_state_the_scale(mark: MarkKind | None, start: str) -> None:
    photo = render_photo(3, "fair", size=(900, 700), mark=mark)
    assert photo.mark.startswith(start)
    assert photo.mm_per_px == pytest.approx(1 / photo.view.px_per_mm)
    if mark == "bar":
        assert photo.drawn is not None
        stated = float(photo.mark.removeprefix("bar:").removesuffix("mm"))
        assert photo.drawn.length_px * photo.mm_per_px == pytest.approx(stated)


def test_unknown_look_is_refused() -> None:
    with pytest.raises(ValueError, match="no look called"):
        render_photo(1, "sunny")  # type: ignore[arg-type]


def test_paint_without_a_weld_in_view_still_gives_a_picture() -> None:
    view = make_view(px_per_mm=40, width=120, height=90, centre_mm=(200.0, 200.0))
    rgb = paint(flat_fillet(), view, replace(PLAIN, name="away"), 1)
    assert rgb.shape == (90, 120, 3)
    assert float(rgb.mean()) < 40


def test_command_writes_pictures_with_truth(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "macrocheck.render", str(tmp_path / "out"), "--count", "1", "--look", "fair"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    truth = json.loads((tmp_path / "out" / "fair-00001.truth.json").read_text())
    assert (tmp_path / "out" / truth["photo"]).stat().st_size > 10_000
    assert truth["welds"][0]["quantities"]["weld_area"] > 0
