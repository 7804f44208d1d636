"""The command that shows the scale."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from macrocheck.render.marks import draw_bar, draw_disc
from tests.calibrate.scenes import camera
from tests.cli.conftest import Run


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A disc of 200 px beside a bar of 250 px."""
    image = np.full((600, 800, 3), 70.0)
    image, _ = draw_disc(image, centre=(300.0, 220.0), diameter_px=200.0)
    image, _ = draw_bar(image, start=(400.0, 500.0), length_px=250.0, thickness_px=8.0)
    path = tmp_path_factory.mktemp("scale") / "bench.png"
    Image.fromarray(camera(image, seed=0)).save(path)
    return path


def test_every_mark_is_said_and_drawn(run: Run, photo: Path, tmp_path: Path) -> None:
    ran = run("scale", photo, "--mark", "disc:20mm", "--mark", "bar:25mm", "--out", tmp_path / "out")
    assert ran.status == 0
    assert re.search(r"Scale: 0\.(0999|1000)\d mm per px ± 0\.\d+ % \(U95\), ", ran.out)
    assert "Mark disc:20mm: 0." in ran.out
    assert "about 300, 220 px" in ran.out
    assert "Mark bar:25mm: 0." in ran.out
    assert "not a qualification" in " ".join(ran.out.split())
    drawn = tmp_path / "out" / "bench.scale.png"
    assert str(drawn) in ran.out
    with Image.open(drawn) as picture:
        pixels = np.asarray(picture).astype(int)
    # the outline and the bar are drawn in yellow
    yellow = (pixels[..., 0] > 180) & (pixels[..., 1] > 160) & (pixels[..., 2] < 120)
    assert yellow.sum() > 300


def test_a_mark_is_asked_for_as_measure_asks_for_it(run: Run, photo: Path) -> None:
    asked = [run(command, photo) for command in ("scale", "measure")]
    for ran in asked:
        assert ran.status == 2
        assert "Say what in the picture gives the scale: --mark bar:10mm" in " ".join(ran.err.split())
    assert asked[0].err.split("Error:")[1] == asked[1].err.split("Error:")[1]


def test_marks_that_disagree_are_flagged(run: Run, photo: Path) -> None:
    ran = run("scale", photo, "--mark", "disc:20mm", "--mark", "bar:26mm")
    assert ran.status == 0
    assert "Flag scale_marks_disagree" in ran.out


def test_json_alone_on_standard_output(run: Run, photo: Path, tmp_path: Path) -> None:
    ran = run("scale", photo, "--mark", "disc:20mm", "--json", "-")
    document = json.loads(ran.out)
    assert document["format"] == "macrocheck-scale"
    assert document["scale"]["mm_per_px"] == pytest.approx(0.1, rel=0.0015)
    assert [f["code"] for f in document["scale"]["flags"]] == ["scale_one_mark"]
    (mark,) = document["marks"]
    points = np.array(mark["points_px"])
    assert np.hypot(*(points - [300, 220]).T) == pytest.approx(100, abs=0.3)
    assert document["cautions"]
    assert run("scale", photo, "--mark", "disc:20mm", "--json", tmp_path / "s.json").status == 0
    assert json.loads((tmp_path / "s.json").read_text(encoding="utf-8")) == document


def test_a_stated_scale_says_so(run: Run, photo: Path, tmp_path: Path) -> None:
    ran = run("scale", photo, "--mark", "px:0.1mm", "--out", tmp_path)
    assert ran.status == 0
    assert "not seen in the picture" in ran.out
    assert (tmp_path / "bench.scale.png").exists()


@pytest.mark.parametrize(
    ("mark", "says"),
    [("disc:florin", "the coins are"), ("ruler:1mm", "was not found"), ("density", "no pixel density")],
)
def test_what_cannot_be_had_is_one_sentence(run: Run, photo: Path, mark: str, says: str) -> None:
    ran = run("scale", photo, "--mark", mark)
    assert ran.status == 2
    assert ran.out == ""
    assert says in ran.err
    assert len(ran.err.strip().splitlines()) == 1


def test_no_photo_and_no_mark(run: Run, photo: Path, tmp_path: Path) -> None:
    assert run("scale", tmp_path / "none.png", "--mark", "disc:20mm").status == 2
    assert run("scale", photo).status == 2


def test_a_marks_height_is_corrected_and_said(run: Run, photo: Path) -> None:
    flat = json.loads(run("scale", photo, "--mark", "disc:20mm", "--json", "-").out)
    raised = ("--mark-offset", "5mm", "--camera-distance", "300mm")
    ran = run("scale", photo, "--mark", "disc:20mm", *raised, "--json", "-")
    high = json.loads(ran.out)
    assert high["scale"]["mm_per_px"] / flat["scale"]["mm_per_px"] == pytest.approx(300 / 295)
    assert high["scale"]["u_rel"] > flat["scale"]["u_rel"]
    said = run("scale", photo, "--mark", "disc:20mm", *raised).out
    assert "Flag scale_off_plane: The mark lies 5 mm nearer to the camera than the section" in said
    assert "Tilt: not known" in said
    deep = run("scale", photo, "--mark", "disc:20mm", "--mark-offset", "-5mm", "--camera-distance", "300mm")
    assert "5 mm further from the camera" in deep.out


def test_a_height_without_a_distance_is_refused(run: Run, photo: Path) -> None:
    for command in ("scale", "measure"):
        ran = run(command, photo, "--mark", "disc:20mm", "--mark-offset", "5mm")
        assert ran.status == 2
        assert "give both" in ran.err
