"""The report and the sharp test, on rows small enough to check by hand."""

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.bench.aims import out_of_tolerance, slack
from tests.bench.compare import Row
from tests.bench.memory import growth
from tests.bench.page import gather, main, page
from tests.bench.page_more import baseline_figures, hints_section, memory_section
from tests.bench.parts import BY_NAME, PARTS
from tests.bench.sharp import FLOOR, sharp_test


def row(
    seed: int,
    errors: dict[str, float],
    flags: Sequence[str] = (),
    *,
    wide: float = 0.1,
    extra: Any = (),
    **more: Any,
) -> Row:
    quantities = {
        k: {"truth": 5.0, "value": 5.0 + e, "u": wide / 2, "U95": wide, "reason": None} for k, e in errors.items()
    }
    base: Row = {
        "seed": seed, "weld": 0, "joint": "tee", "mark": "px", "mm_per_px": 0.02, "found": True, "iou": 0.99,
        "swapped": False, "flags": list(flags), "outline_flags": [], "seconds": 1.0, "extra": list(extra),
        "quantities": quantities,
    }  # fmt: skip
    return base | more


def test_sharp_counts_what_no_flag_excuses() -> None:
    rows = [
        row(1, {"leg_butting": 0.3, "leg_nonbutting": 0.32}),
        row(2, {"leg_butting": 0.5}, ["low_contrast"]),
        row(3, {"leg_butting": -0.6}, ["indication"]),
    ]
    plain, strict = sharp_test(rows), sharp_test(rows, strict=True)
    assert (plain.welds, plain.clean, plain.values) == (3, 1, 2)
    assert [(b.seed, b.key) for b in plain.beyond] == [(1, "leg_nonbutting")]
    assert [(b.seed, round(b.times, 3)) for b in strict.beyond] == [(3, 6.0), (1, 3.2)]
    assert strict.spoilt == 2


def test_sharp_minds_an_uncertainty_of_nothing() -> None:
    got = sharp_test([row(1, {"root_shortfall": 0.4, "concavity": FLOOR / 2}, wide=0.0)])
    assert [b.key for b in got.beyond] == ["root_shortfall"]
    assert got.beyond[0].times == float("inf")


def test_sharp_counts_outlines_where_no_weld_is() -> None:
    lost: Row = {"seed": 7, "weld": 0, "found": False, "reason": "x", "seconds": 1.0, "extra": [[]]}
    flagged = row(8, {}, extra=[["regions_unsure"]])
    assert sharp_test([lost, flagged]).nowhere == (7,)


def test_tolerance_by_hand() -> None:
    good = {"leg_butting": 0.2, "root_penetration": -0.35, "unfused_butting": 0.79}
    assert out_of_tolerance([row(1, good)]) == []
    assert out_of_tolerance([row(1, good | {"leg_butting": 0.25})]) == ["weld 0: leg_butting off by +0.25"]
    assert out_of_tolerance([row(1, good, iou=0.93)]) == ["weld 0: IoU 0.930"]
    held = row(1, good)
    held["quantities"]["leg_butting"]["value"] = None
    assert out_of_tolerance([held]) == ["weld 0: leg_butting withheld"]
    for angle, wrong in ((59.0, []), (61.0, ["weld 0: theoretical_throat withheld"])):
        skew = row(1, good | {"theoretical_throat": 0.0, "dihedral_angle": 0.0})
        skew["quantities"]["theoretical_throat"]["value"] = None
        skew["quantities"]["dihedral_angle"]["truth"] = angle
        assert out_of_tolerance([skew]) == wrong
    assert (slack("own", "fair"), slack("own", "hard"), slack("apart", "fair")) == (1, 2, 2)


def test_a_baseline_without_a_result_counts_as_far_away() -> None:
    off = {"fusion_mean": 0.1, "fusion_median": 0.1, "outline_mean": 0.1, "iou": 0.9}
    rows: list[Row] = []
    for weld, found in enumerate((True, True, False, False, False)):
        common = {"seed": weld // 2, "weld": weld, "seconds": 2.0, "pixels": 10}
        rows.append({**common, "method": "macrocheck", "found": True, "off": off})
        rows.append({**common, "method": "other", "found": found, "off": off})
    got = baseline_figures(rows)
    assert got["macrocheck"]["half"] == pytest.approx(0.1)
    assert got["other"]["half"] is None
    assert got["other"]["mean"] == pytest.approx(0.1)
    assert got["other"]["none"] == pytest.approx(0.6)
    # the program does a picture at once, a baseline each weld by itself: 2 + 2 welds, then 1
    assert got["macrocheck"]["seconds"] == 2.0
    assert got["other"]["seconds"] == 4.0


def test_growth_of_a_straight_line() -> None:
    seen = [{"photos": float(n), "held_mb": 300 + 0.02 * n, "peak_mb": 400.0} for n in range(50, 1001, 50)]
    assert growth(seen) == pytest.approx(20.0)
    assert growth(seen[:4]) is None


def test_page_says_what_was_measured() -> None:
    rng = np.random.default_rng(4)
    keys = ("leg_butting", "actual_throat", "depth_of_fusion_butting", "unfused_butting")
    rows = [row(s, {k: float(rng.normal(0, 0.01)) for k in keys}) for s in range(40000, 40020)]
    rows[3]["quantities"]["leg_butting"]["value"] = 5.987
    lines = [{"seed": r["seed"], "code": "old", "rows": [r]} for r in rows]
    text = page({"own-fair": lines})
    assert "20 of 20 pictures of `own-fair` were measured with another state" in text
    assert "| 40003 | 0 | tee | Leg, butting | 5.000 | 5.987 |" in text
    assert "met (0.03 / 0.12)" in text
    assert "not a qualification" in text


def test_seeds_for_reporting_are_kept_apart() -> None:
    for part in PARTS:
        if "-own-" in f"-{part.name}-":
            assert part.first >= 40000, part.name
    spans = [(p.first, p.first + p.count) for p in (BY_NAME["own-fair"], BY_NAME["own-grain"], BY_NAME["own-hard"])]
    assert all(a[1] <= b[0] for a, b in itertools.pairwise(spans))


def test_one_picture_all_the_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["--parts", "joint-own-hard", "--count", "1", "--folder", str(tmp_path)]
    out = tmp_path / "accuracy.md"
    assert main([*asked, "--plan"]) == 0
    assert "1        1" in capsys.readouterr().out
    assert main([*asked, "--only-write", "--out", str(out)]) == 1
    assert not out.exists()
    assert main([*asked, "--out", str(out)]) == 0
    assert "## Kind of joint" in out.read_text(encoding="utf-8")
    options: dict[str, Any] = {"processes": 1, "keep_older": False, "measure": False}
    assert list(gather(PARTS, tmp_path, 1, **options)) == ["joint-own-hard"]


def test_an_unknown_part_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--parts", "own-soft"])
    assert "no part is called own-soft" in capsys.readouterr().err


def test_memory_in_words() -> None:
    seen = [{"photos": float(n), "held_mb": 300.0, "peak_mb": 350.0} for n in range(50, 1001, 50)]
    text = "\n".join(memory_section(seen))
    assert "1000 photos" in text
    assert "+0.0 MB over 1,000 photos" in text or "-0.0 MB over 1,000 photos" in text


def test_what_hints_leave_is_said() -> None:
    last: Row = {"hints": ["toe=1,2"], "wrong": ["weld 0: own-hard-7.png: no weld", "weld 1: leg_butting withheld"]}
    last |= {"fusion_max": 0.31, "face_max": 0.52, "swapped": True, "not_passed": ["through=1,2"]}
    rows: list[Row] = [
        {"seed": 7, "joint": "tee", "state": "no result", "flags": [], "wrong": ["x"], "rounds": [last]},
        {"seed": 8, "joint": "tee", "state": "sound", "flags": [], "wrong": [], "rounds": []},
    ]
    text = "\n".join(hints_section(rows))
    assert "| all | 2 | 1 | 1 | 1 | 1 |" in text
    assert "no weld; 1 numbers withheld" in text
    assert (
        "fusion boundary off by at most 0.31 mm, face off by at most 0.52 mm, members taken for one another" in text
    )
    assert "1 hints passed by" in text
