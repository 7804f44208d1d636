"""Photographs side by side: one scale, one frame, and the differences that count."""

import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.outline_file import outline_bytes
from macrocheck.pipeline import measure_photo
from macrocheck.reading import read_photo
from macrocheck.report.palette import WHITE
from macrocheck.scale import Scale
from macrocheck.study.joint_frame import joint_frame
from macrocheck.study.photos import compare_results
from macrocheck.study.side_by_side import draw_side_by_side
from tests.cli.conftest import Run
from tests.cli.coupon import HEIGHT, LEG, ROOT, WIDTH, outline, tee, write_outline, write_photo


def turned(weld: WeldOutline, matrix: FloatArray) -> WeldOutline:
    """Return a weld moved by a 2 x 3 matrix of turning, mirroring and moving in px."""

    def move(points: FloatArray) -> FloatArray:
        return np.asarray(points @ matrix[:, :2].T + matrix[:, 2])

    def line(s: SurfaceLine) -> SurfaceLine:
        at, way = move(np.array([s.point]))[0], np.array(s.direction) @ matrix[:, :2].T
        way = way / np.hypot(*way)
        return replace(s, point=(float(at[0]), float(at[1])), direction=(float(way[0]), float(way[1])))

    a, b = weld.surface_butting, weld.surface_nonbutting
    assert a is not None
    assert b is not None
    return replace(
        weld, face=move(weld.face), fusion=move(weld.fusion), surface_butting=line(a), surface_nonbutting=line(b)
    )


@pytest.mark.parametrize("degrees", [0, 30, 180, 261])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_joint_frame_undoes_turning_and_mirroring(degrees: float, mirrored: bool) -> None:
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    matrix = 1.7 * np.array([[c, -s, 0.0], [s, c, 0.0]]) @ np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
    matrix[:, 2] = (900.0, 40.0)
    weld = turned(tee(), matrix)
    frame = joint_frame(weld, Scale(0.02 / 1.7, 0.001, "stated"))
    straight = joint_frame(tee(), Scale(0.02, 0.001, "stated"))
    assert frame.to_frame(weld.face) == pytest.approx(straight.to_frame(tee().face), abs=1e-9)
    assert frame.to_frame(weld.fusion) == pytest.approx(straight.to_frame(tee().fusion), abs=1e-9)
    assert frame.mirrored is not straight.mirrored if mirrored else frame.mirrored is straight.mirrored
    # the toe on the butting member is 5 mm up, that on the nonbutting member 5 mm along
    assert frame.to_frame(weld.face[[0, -1]]) == pytest.approx(np.array([[0.0, 5.0], [5.0, 0.0]]), abs=1e-9)
    assert frame.to_px(frame.to_frame(weld.face)) == pytest.approx(weld.face, abs=1e-6)


def test_a_weld_without_its_joint_root_is_placed_by_its_toe() -> None:
    frame = joint_frame(replace(tee(), surface_butting=None), Scale(0.02, 0.001, "stated"))
    assert frame.by_toes
    assert frame.to_frame(tee().face[-1:]) == pytest.approx(np.zeros((1, 2)), abs=1e-9)
    assert frame.to_frame(tee().face[:1])[0, 1] > 0


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path, Outline]:
    """Two photos of like tees, the second mirrored, twice as fine and with legs of 4.8 mm."""
    first, second = write_photo(tmp_path / "a.png"), tmp_path / "b.png"
    picture = cv2.imread(str(first))
    assert picture is not None
    matrix = np.array([[-2.0, 0.0, 2.0 * WIDTH - 1.0], [0.0, 2.0, 0.0]])
    cv2.imwrite(str(second), cv2.warpAffine(picture, matrix, (2 * WIDTH, 2 * HEIGHT)))
    drawn = Outline(2 * WIDTH, 2 * HEIGHT, (turned(tee(LEG - 10.0), matrix),))
    return first, second, drawn


def test_differences_and_joint_uncertainty(two: tuple[Path, Path, Outline]) -> None:
    first, second, drawn = two
    a = measure_photo(first, mark="px:0.02mm", outline=outline())
    b = measure_photo(second, mark="px:0.01mm", outline=drawn)
    found = compare_results([a, b], ["a", "b"])
    rows = {r.key: r for r in found.rows}
    leg = rows["leg_butting"]
    one, two_ = leg.values
    assert one is not None
    assert two_ is not None
    difference = leg.differences[0]
    assert difference.difference == pytest.approx(-0.2, abs=0.02)
    assert one.U95 is not None
    assert two_.U95 is not None
    assert difference.U95 is not None
    assert math.isclose(difference.U95, math.hypot(one.U95, two_.U95))
    assert difference.exceeds
    depth = rows["depth_of_fusion_nonbutting"].differences[0]
    assert depth.difference == pytest.approx(0.0, abs=0.02)
    assert depth.exceeds is False
    assert "size_unequal" not in rows
    assert json.loads(json.dumps(found.to_json(), allow_nan=False))["names"] == ["a", "b"]


def test_what_cannot_be_compared(two: tuple[Path, Path, Outline]) -> None:
    a = measure_photo(two[0], mark="px:0.02mm", outline=outline())
    with pytest.raises(InputError, match="two or more photos"):
        compare_results([a], ["a"])
    with pytest.raises(InputError, match="b shows 1 weld; there is no weld 2"):
        compare_results([replace(a, measurements=a.measurements * 2), a], ["a", "b"], weld=2)
    with pytest.raises(InputError, match="'nonsense' is not a quantity"):
        compare_results([a, a], ["a", "a"], quantities=["nonsense"])
    with pytest.raises(InputError, match="13 photos are more than one picture can hold"):
        compare_results([a] * 13, ["a"] * 13)


def test_the_picture_puts_both_roots_at_one_place_and_scale(two: tuple[Path, Path, Outline]) -> None:
    """Butting member, air and nonbutting member lie at the same places in both panels, whatever the photos' way."""
    first, second, drawn = two
    photos = [read_photo(first), read_photo(second)]
    results = [
        measure_photo(first, mark="px:0.02mm", outline=outline()),
        measure_photo(second, mark="px:0.01mm", outline=drawn),
    ]
    picture = draw_side_by_side(photos, results, compare_results(results, ["a", "b"]))
    panels = picture[88 : 88 + 700, :].astype(int)
    rings = cv2.connectedComponentsWithStats((np.abs(panels - np.array(WHITE)).max(axis=2) < 12).astype(np.uint8))
    across = 760 + 28  # a panel and the margin to the next
    left, right = panels[:, 28 : 28 + 760], panels[:, 28 + across : 28 + across + 760]
    grey_l, grey_r = left.mean(axis=2), right.mean(axis=2)
    inner = np.s_[60:600:8, 20:740:8]
    same = np.abs(grey_l - grey_r)[inner] < 25
    assert same.mean() > 0.93  # they differ only along the legs, 0.2 mm shorter in one of them
    assert rings[0] > 1
    # mirrored the wrong way round, they would not: the butting member stands left in both
    assert (np.abs(grey_l - grey_r[:, ::-1])[inner] < 25).mean() < 0.75


def test_by_the_command(two: tuple[Path, Path, Outline], run: Run, tmp_path: Path) -> None:
    first, second, drawn = two
    own = write_outline(tmp_path / "a.geojson")
    other = tmp_path / "b.geojson"
    other.write_bytes(outline_bytes(drawn))
    done = run(
        "compare", first, second, "--mark", "px:0.02mm", "--mark", "2:px:0.01mm", "--outline", f"1:{own}",
        "--outline", f"2:{other}", "--picture", tmp_path / "both.png",
    )  # fmt: skip
    assert (done.status, done.err) == (0, "")
    row = next(line for line in done.out.splitlines() if line.startswith("Leg, butting"))
    assert row.endswith("*")
    assert "Caution: A visual measurement" in done.out
    with Image.open(tmp_path / "both.png") as picture:
        assert picture.size[0] > 1500
    some = run(
        "compare", first, second, "--mark", "px:0.02mm", "--mark", "2:px:0.01mm", "--outline", f"1:{own}",
        "--outline", f"2:{other}", "--picture", tmp_path / "both.png", "--of", "size,actual_throat", "--json", "-",
    )  # fmt: skip
    assert [r["key"] for r in json.loads(some.out)["rows"]] == ["size", "actual_throat"]


def test_a_mark_nearer_to_the_camera(two: tuple[Path, Path, Outline], run: Run, tmp_path: Path) -> None:
    """A mark 5 mm above the sections, the lens 300 mm away: lengths times 300 / 295 (pinhole model)."""
    own = write_outline(tmp_path / "a.geojson")
    (tmp_path / "b.geojson").write_bytes(outline_bytes(two[2]))
    call = (
        "compare", *two[:2], "--mark", "points:100,100,600,100=10mm", "--outline", f"1:{own}", "--outline",
        f"2:{tmp_path / 'b.geojson'}", "--picture", tmp_path / "both.png", "--of", "leg_butting", "--json", "-",
    )  # fmt: skip
    level, above = (
        json.loads(run(*call, *more).out)["rows"][0]["values"]
        for more in ((), ("--mark-offset", "5mm", "--camera-distance", "300mm"))
    )
    for a, b in zip(level, above, strict=True):
        assert b["value"] / a["value"] == pytest.approx(300 / 295, rel=1e-6)
    alone = run(*call, "--mark-offset", "5mm")
    assert alone.status == 2
    assert "give both" in " ".join(alone.err.split())


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("bench.db", "--mark-offset", "5mm"), "--mark-offset is for photos"),
        (("a.png", "b.png", "--mark", "bar:5mm"), "a.png does not exist"),
        (("a.png", "b.png", "--mark", "barr:5mm"), "'barr' is no kind of mark"),
        (("a.png", "b.png", "--mark", "3:bar:5mm"), "there are 2 photos, numbered from 1"),
        (("a.png", "b.png", "--mark", "2:bar:5mm"), "Photo 1 has no mark"),
        (("a.png", "b.png", "--mark", "bar:5mm", "--by", "gas"), "--by is for a record"),
        (("a.png", "b.png", "--mark", "bar:5mm", "--outline", "x.geojson"), "--outline says of which photo it is"),
        ((*(["a.png"] * 13), "--mark", "bar:5mm"), "13 photos are more than one picture can hold"),
    ],
)
def test_photos_that_cannot_be_compared(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run("compare", *arguments)
    assert done.status == 2
    assert sentence in " ".join(done.err.split())
    assert list(tmp_path.iterdir()) == []


def test_a_photo_that_cannot_be_read_is_named(two: tuple[Path, Path, Outline], run: Run, tmp_path: Path) -> None:
    (tmp_path / "broken.png").write_bytes(b"no picture at all")
    own = write_outline(tmp_path / "a.geojson")
    done = run(
        "compare", two[0], tmp_path / "broken.png", "--mark", "px:0.02mm", "--outline", f"1:{own}",
        "--picture", tmp_path / "no.png",
    )  # fmt: skip
    assert done.status == 2
    assert "broken.png" in done.err
    assert not (tmp_path / "no.png").exists()


def test_root_is_where_the_scene_says() -> None:
    frame = joint_frame(tee(), Scale(0.02, 0.001, "stated"))
    assert frame.to_frame(np.array([ROOT])) == pytest.approx(np.zeros((1, 2)), abs=1e-9)
