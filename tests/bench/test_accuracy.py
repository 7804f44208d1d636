"""The accuracy figures themselves, on rows small enough to check by hand, and one picture all the way through."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from macrocheck.outline import Outline
from tests.bench.accuracy import main, picture_rows, table
from tests.bench.cases import CaseWeld, load_case
from tests.bench.compare import Row, figures, match, overlap_share, polygon_of, spans_error, summary, worst


def row(seed: int, truth: Any, value: Any, u: float = 0.1, flags: tuple[str, ...] = ()) -> Row:
    entry = {"truth": truth, "value": value, "u": u, "U95": 2 * u, "reason": None}
    return {
        "seed": seed, "weld": 0, "joint": "tee", "found": True, "iou": 0.9, "swapped": False, "flags": list(flags),
        "outline_flags": [], "seconds": 0.5, "extra": [], "quantities": {"leg_butting": entry},
    }  # fmt: skip


def test_figures_by_hand() -> None:
    rows = [row(0, 5.0, 5.1), row(1, 5.0, 4.9), row(2, 5.0, 5.3), row(3, 5.0, None), row(4, None, 5.0)]
    got = figures(rows, "leg_butting")
    assert got is not None
    assert got["n"] == 3
    assert got["median"] == pytest.approx(0.1)
    assert got["bias"] == pytest.approx(0.1)
    assert got["rms_z"] == pytest.approx(np.sqrt((1 + 1 + 9) / 3))
    assert got["coverage"] == pytest.approx(2 / 3)
    assert got["withheld"] == pytest.approx(0.25)
    assert got["claimed"] == 1


def test_figures_of_what_is_there_leave_out_a_right_zero() -> None:
    rows = [row(0, 0.0, 0.0), row(1, 0.0, 0.0), row(2, 0.3, 0.0), row(3, 0.2, 0.3)]
    got = figures(rows, "leg_butting")
    assert got is not None
    assert got["there"] == 2
    assert got["rms_z"] == pytest.approx(np.sqrt((9 + 1) / 4))
    assert got["there_rms_z"] == pytest.approx(np.sqrt((9 + 1) / 2))
    assert got["there_coverage"] == pytest.approx(0.5)
    none = figures(rows[:2], "leg_butting")
    assert none is not None
    assert none["there"] == 0
    assert "there_rms_z" not in none


def test_wild_counts_only_what_no_flag_excuses() -> None:
    rows = [row(0, 5.0, 6.0), row(1, 5.0, 6.0, flags=("low_contrast",)), row(2, 5.0, 5.0)]
    got = figures(rows, "leg_butting")
    assert got is not None
    assert got["wild"] == pytest.approx(1 / 3)


def test_spans_disagree_where_only_one_has_them() -> None:
    assert spans_error(((0.0, 1.0), (4.0, 5.0)), ((0.0, 1.5),)) == pytest.approx(1.5)
    assert spans_error((), ()) == 0.0


def test_overlap_share_of_shifted_squares() -> None:
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], dtype=np.float64)
    assert overlap_share(polygon_of(square), polygon_of(square + np.array([5.0, 0.0]))) == pytest.approx(1 / 3)


def test_summary_counts_missing_welds() -> None:
    lost: Row = {"seed": 9, "found": False, "reason": "no weld", "seconds": 0.1, "extra": []}
    got = summary([row(0, 5.0, 5.1), lost])
    assert got["no_result"] == pytest.approx(0.5)
    assert got["reasons"] == {"no weld": 1}
    assert "leg_butting" in table(got, 1.0)


def test_worst_first() -> None:
    listed = worst([row(0, 5.0, 5.1), row(1, 5.0, 6.0), row(2, 5.0, 5.5)], "leg_butting", 2)
    assert [r["seed"] for _, r in listed] == [1, 2]


def test_an_outline_with_a_wrong_root_is_still_that_welds() -> None:
    case = next(c for s in range(15000, 15020) if (c := load_case("own", "fair", s)).joint == "tee")
    weld = case.welds[0].outline
    assert weld is not None
    assert weld.surface_butting is not None
    x, y = weld.surface_butting.point
    far = replace(weld, surface_butting=replace(weld.surface_butting, point=(x + 5000.0, y + 5000.0)))
    assert match(case.welds[:1], Outline(case.rgb.shape[1], case.rgb.shape[0], (far,))) == [0]


def test_a_weld_is_matched_by_where_it_is() -> None:
    case = next(c for s in range(20) if len((c := load_case("apart", "fair", s)).welds) == 2)
    assert all(w.outline is not None for w in case.welds)
    turned = tuple(w.outline for w in reversed(case.welds) if w.outline is not None)
    outline = Outline(case.rgb.shape[1], case.rgb.shape[0], turned)
    assert match(case.welds, outline) == [1, 0]
    first: CaseWeld = case.welds[0]
    assert match([first], Outline(10, 10, turned[:1])) == [None]


def test_true_outline_measures_as_the_truth_says() -> None:
    # two independent computations of the same geometry
    rows = [
        r
        for seed in (5, 12)
        for r in picture_rows(seed, family="apart", look="fair", outline="true", mark="stated")
    ]
    assert rows
    for got in rows:
        assert got["found"], got
        for key in (
            "leg_butting",
            "leg_nonbutting",
            "actual_throat",
            "theoretical_throat",
            "face_width",
            "weld_area",
        ):
            entry = got["quantities"][key]
            if entry["truth"] is not None:
                assert entry["value"] == pytest.approx(entry["truth"], abs=0.03), key


def test_command_writes_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "rows.json"
    assert (
        main(
            ["--count", "1", "--outline", "true", "--mark", "stated", "--json", str(out), "--worst", "leg_butting"]
        )
        == 0
    )
    stored = json.loads(out.read_text(encoding="utf-8"))
    assert stored["family"] == "apart"
    assert stored["rows"][0]["seed"] == 0
    assert "no result" in capsys.readouterr().out
