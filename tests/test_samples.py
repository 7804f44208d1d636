"""The shipped samples, measured as a user would and held against the truth that was drawn."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from shapely.geometry import Point, Polygon

from macrocheck.outline import WeldOutline
from macrocheck.pipeline import measure_photo
from macrocheck.reading import read_photo
from macrocheck.results import Measurements, Result
from macrocheck.segment import find_outline
from tests.bench.compare import overlap_share, polygon_of
from tests.cli.conftest import Run

FOLDER = Path(__file__).parents[1] / "sample_images"
NAMES = tuple(sorted(p.name.removesuffix(".truth.json") for p in FOLDER.glob("*.truth.json")))

TOLERANCE: dict[str, float] = {
    "leg_butting": 0.05,
    "leg_nonbutting": 0.05,
    "leg_difference": 0.07,
    "size": 0.05,
    "theoretical_throat": 0.05,
    "actual_throat": 0.05,
    "effective_throat": 0.05,
    "convexity": 0.05,
    "face_width": 0.05,
    "depth_of_fusion_butting": 0.08,
    "depth_of_fusion_nonbutting": 0.08,
    "root_penetration": 0.08,
    "root_shortfall": 0.08,
    "unfused_butting": 0.15,
    "unfused_nonbutting": 0.15,
    "undercut_butting": 0.05,
    "undercut_nonbutting": 0.05,
    "root_gap": 0.05,
}
"""Largest error with a fair etch, mm: the median that is aimed for over many pictures, here for every one."""
HARDER = {"T6-14-weak-etch", "L6-05-lap-grain", "T8-12-skewed-grain"}
"""Weak etch, or told by grain alone: twice that error; a number may be withheld if the result says why."""
NOT_TO_BE_SEEN = ("no opening between the members is visible",)
"""Reasons for a missing number in any picture: a gap of nothing at all cannot be told from one too small to see."""


def truth_of(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    return loaded


@cache
def measured(name: str) -> Result:
    truth = truth_of(name)
    return measure_photo(FOLDER / truth["photo"], mark=truth["mark"], joint=truth["joint"])


def pairs(name: str) -> list[tuple[dict[str, Any], WeldOutline, Measurements]]:
    """True weld, found outline and measurements, matched by whose true region holds the found one's middle."""
    result = measured(name)
    welds = truth_of(name)["welds"]
    assert len(result.outline.welds) == len(welds)
    found = []
    for weld in welds:
        region = Polygon(weld["weld_outline_px"]).buffer(0)
        (at,) = [
            k
            for k, outline in enumerate(result.outline.welds)
            if region.contains(Point(*np.mean(outline.polygon, axis=0)))
        ]
        found.append((weld, result.outline.welds[at], result.measurements[at]))
    return found


def test_every_sample_is_measured_here() -> None:
    assert len(NAMES) >= 8
    assert set(NAMES) >= HARDER


@pytest.mark.parametrize("name", NAMES)
def test_scale(name: str) -> None:
    result, truth = measured(name), truth_of(name)
    relative = abs(result.scale.mm_per_px / truth["mm_per_px"] - 1)
    assert relative < 0.002
    assert relative < 3 * result.scale.u_rel


@pytest.mark.parametrize("name", NAMES)
def test_region(name: str) -> None:
    least = 0.93 if name in HARDER else 0.965
    for weld, outline, _ in pairs(name):
        # External check: areas and intersections by shapely (GEOS).
        shared = overlap_share(polygon_of(np.asarray(weld["weld_outline_px"])), polygon_of(outline.polygon))
        assert shared > least


@pytest.mark.parametrize("name", NAMES)
def test_numbers(name: str) -> None:
    slack = 2.0 if name in HARDER else 1.0
    for weld, _, measurements in pairs(name):
        for key, tolerance in TOLERANCE.items():
            true, got = weld["quantities"][key], measurements.quantities[key]
            if true is None:
                assert got.value is None, key
                continue
            if got.value is None:
                assert got.reason, key
                unseen = any(part in got.reason for part in NOT_TO_BE_SEEN)
                assert name in HARDER or unseen, (key, got.reason)
                continue
            assert isinstance(got.value, float)
            assert got.u is not None
            assert got.U95 is not None
            assert abs(got.value - true) < tolerance * slack, key
            assert abs(got.value - true) < 2 * got.U95 + 0.005, key
        for key in ("weld_area", "fill_area"):
            true, got = weld["quantities"][key], measurements.quantities[key]
            if true is not None and isinstance(got.value, float):
                assert got.value == pytest.approx(true, rel=0.02 * slack), key


def numbers(name: str) -> dict[str, Any]:
    (_, _, measurements), *_ = pairs(name)
    return {key: q.value for key, q in measurements.quantities.items()}


def test_the_cold_lap_shows() -> None:
    got = numbers("T6-07-cold-lap-butting")
    assert got["unfused_butting"] > 2.3
    (start, end) = got["unfused_spans_butting"][-1]
    assert end == pytest.approx(got["leg_butting"], abs=0.05)  # the toe's end of the leg, not the root's
    assert start == pytest.approx(6.2 - 2.47, abs=0.15)


def test_the_missed_root_shows() -> None:
    got = numbers("T8-02-no-root-penetration")
    assert got["root_penetration"] == 0
    assert got["root_shortfall"] > 0.7
    assert got["unfused_nonbutting"] > 1.2


def test_a_melted_end_face_leaves_no_joint_root() -> None:
    got = numbers("L6-05-lap-grain")
    assert got["leg_butting"] is None
    assert got["root_penetration"] is None
    assert got["face_width"] is not None
    assert got["depth_of_fusion_nonbutting"] is not None


@pytest.mark.parametrize("name", ["T6-07-cold-lap-butting", "T8-02-no-root-penetration"])
def test_the_joint_is_told_from_the_picture(name: str) -> None:
    # A rule that looks like a plate, a strip of plate along the crop's edge: neither is a member.
    outline = find_outline(read_photo(FOLDER / f"{name}.jpg"))
    assert [w.joint for w in outline.welds] == [truth_of(name)["joint"]]


@pytest.mark.parametrize("name", ["T6-03-sound", "L6-01-lap"])
def test_through_the_command_line(run: Run, name: str, tmp_path: Path, result_schema: Draft202012Validator) -> None:
    """The joint is not stated here: it has to be told from the picture."""
    truth = truth_of(name)
    ran = run("measure", FOLDER / truth["photo"], "--mark", truth["mark"], "--out", tmp_path, "--json", "-")
    assert ran.status == 0
    document = json.loads(ran.out)
    result_schema.validate(document)
    weld = document["welds"][0]
    assert weld["joint"] == truth["joint"]
    for key, tolerance in TOLERANCE.items():
        true = truth["welds"][0]["quantities"][key]
        if true is not None and weld["quantities"][key]["value"] is not None:
            assert weld["quantities"][key]["value"] == pytest.approx(true, abs=tolerance), key
    assert weld["joint_root_px"] == pytest.approx(truth["welds"][0]["joint_root_px"], abs=6)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        f"{name}.outline.geojson",
        f"{name}.overlay.png",
        f"{name}.result.json",
    ]
    # What was written can be passed back, and gives the same numbers without searching.
    again = run(
        "measure", FOLDER / truth["photo"], "--mark", truth["mark"], "--outline",
        tmp_path / f"{name}.outline.geojson", "--json", "-",
    )  # fmt: skip
    assert json.loads(again.out)["welds"][0]["quantities"] == weld["quantities"]
