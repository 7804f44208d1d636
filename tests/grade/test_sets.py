"""The shipped limit sets at worked points.

The rows were read in extracts of the standards, not in the standards themselves; the worked points are computed
from the published formulas. Sources stand in the sets beside each row.
"""

import pytest

from macrocheck.errors import InputError
from macrocheck.grade import CHECK_YOUR_COPY, grade, load_limits, shipped_names, shipped_text
from macrocheck.quantities import QUANTITIES
from macrocheck.results import Verdict
from tests.grade.build import measured

SOUND = {
    "leg_butting": (7.5, 0.1), "leg_nonbutting": (7.5, 0.1), "leg_difference": (0.1, 0.1), "size": (7.4, 0.1),
    "theoretical_throat": (5.25, 0.08), "actual_throat": (5.6, 0.08), "effective_throat": (5.4, 0.08),
    "convexity": (0.2, 0.05), "concavity": (0.0, 0.05), "face_width": (10.0, 0.15),
    "toe_angle_butting": (130.0, 3.0), "toe_angle_nonbutting": (131.0, 3.0), "depth_of_fusion_butting": (1.2, 0.1),
    "depth_of_fusion_nonbutting": (1.4, 0.1),
    "root_penetration": (0.5, 0.1), "root_shortfall": (0.0, 0.05), "unfused_butting": (0.1, 0.1),
    "unfused_nonbutting": (0.1, 0.1), "undercut_butting": (0.0, 0.04), "undercut_nonbutting": (0.0, 0.04),
    "overlap_butting": (0.0, 0.04), "overlap_nonbutting": (0.0, 0.04), "root_gap": (0.1, 0.05),
    "void_area_fraction": (0.0, 0.001), "largest_void": (0.0, 0.05), "dihedral_angle": (90.0, 0.3),
}  # fmt: skip


def bound(level: str, quantity: str, **more: float) -> Verdict:
    """Return the verdict on one quantity of level B, C or D, with t = 8, a = 5 unless said otherwise."""
    given = {"t": 8.0, "a": 5.0} | {k: v for k, v in more.items() if len(k) == 1}
    result = grade([measured(**SOUND)], load_limits(f"iso5817-fillet-{level.lower()}"), given=given)
    found = [v for v in result.per_weld[0] if v.quantity == quantity and v.limit != "5214 Excessive throat"]
    return found[0]


@pytest.mark.parametrize(
    ("level", "b", "expected"),
    [("D", 10, 3.5), ("C", 10, 2.5), ("B", 10, 2.0), ("D", 20, 5.0), ("C", 20, 4.0), ("B", 20, 3.0)],
)
def test_503_convexity(level: str, b: float, expected: float) -> None:
    # ISO 5817 no. 503: D 1 + 0.25 b, C 1 + 0.15 b, B 1 + 0.10 b, at most 5, 4, 3 mm (read in four extracts).
    assert bound(level, "convexity", b=b).at_most == pytest.approx(expected)


@pytest.mark.parametrize(("level", "expected"), [("D", 1.0), ("C", 0.5), ("B", 0.4)])
def test_5011_undercut(level: str, expected: float) -> None:
    # ISO 5817 no. 5011/5012, t > 3: 0.2 t, 0.1 t, 0.05 t, at most 1, 0.5, 0.5 mm; t = 8 (read in three extracts).
    assert bound(level, "undercut_butting").at_most == pytest.approx(expected)
    assert bound(level, "undercut_nonbutting").at_most == pytest.approx(expected)


@pytest.mark.parametrize(("level", "a", "short"), [("D", 5, 0.8), ("C", 5, 0.8), ("D", 10, 1.3), ("C", 10, 1.0)])
def test_5213_insufficient_throat(level: str, a: float, short: float) -> None:
    # ISO 5817 no. 5213, t > 3: short imperfections 0.3 + 0.1 a, at most 2 (D) and 1 (C) mm (read).
    wanted, given = load_limits(f"iso5817-fillet-{level.lower()}"), {"t": 8.0, "a": a}
    for throat, word in [(a - short - 0.2, "reject"), (a - short + 0.2, "undecided"), (a + 0.2, "accept")]:
        weld = measured(**{**SOUND, "theoretical_throat": (throat, 0.05)})
        verdict = next(v for v in grade([weld], wanted, given=given).per_weld[0] if v.limit.startswith("5213"))
        assert verdict.word == word
        if word != "accept":
            assert verdict.at_least == pytest.approx(a - short)
        if word == "undecided":
            assert "only short imperfections are permitted; a rule on length cannot be decided" in verdict.text


def test_5213_is_not_permitted_at_level_b() -> None:
    # ISO 5817 no. 5213 level B: not permitted (read).
    assert bound("B", "theoretical_throat").at_least == pytest.approx(5.0)


@pytest.mark.parametrize(("level", "expected"), [("C", 2.0), ("B", 1.75)])
def test_5214_excessive_throat(level: str, expected: float) -> None:
    # ISO 5817 no. 5214: C 1 + 0.2 a, B 1 + 0.15 a (read); a = 5.
    verdicts = grade(
        [measured(**SOUND)], load_limits(f"iso5817-fillet-{level.lower()}"), given={"t": 8.0, "a": 5.0}
    )
    verdict = next(v for v in verdicts.per_weld[0] if v.limit.startswith("5214"))
    assert verdict.at_most == pytest.approx(5.0 + expected)


@pytest.mark.parametrize(
    ("quantity", "level", "expected"),
    [
        ("leg_difference", "D", 3.0),
        ("leg_difference", "C", 2.75),
        ("leg_difference", "B", 2.25),
        ("root_gap", "D", 2.5),
        ("root_gap", "C", 1.5),
        ("root_gap", "B", 1.0),
    ],
)
def test_512_and_617(quantity: str, level: str, expected: float) -> None:
    # ISO 5817 no. 512 (asymmetry) and 617 (root gap) at a = 5, t = 8 (read in extracts).
    assert bound(level, quantity).at_most == pytest.approx(expected)


@pytest.mark.parametrize(("level", "expected"), [("D", 90), ("C", 100), ("B", 110)])
def test_505_toe_angle(level: str, expected: float) -> None:
    # ISO 5817 no. 505, fillets (read in three extracts).
    assert bound(level, "toe_angle_butting").at_least == expected


@pytest.mark.parametrize(("level", "expected"), [("D", 1.0), ("C", 0.8), ("B", 0.7)])
def test_617_thin(level: str, expected: float) -> None:
    # ISO 5817 no. 617, t from 0.5 to 3 mm: 0.5, 0.3, 0.2 + 0.1 a (read); a = 5.
    assert bound(level, "root_gap", t=2.0).at_most == pytest.approx(expected)


def test_402_only_where_a_penetration_is_given() -> None:
    # ISO 5817 no. 402 level D: short 0.2 s, at most 2 mm, from memory.
    wanted = load_limits("iso5817-fillet-d")
    without = grade([measured(**SOUND)], wanted, given={"t": 8.0, "a": 5.0})
    assert not any(v.limit.startswith("402") for v in without.per_weld[0])
    stated = grade([measured(**SOUND)], wanted, given={"t": 8.0, "a": 5.0, "s": 3.0})
    verdict = next(v for v in stated.per_weld[0] if v.limit.startswith("402"))
    assert (verdict.word, verdict.mark) == ("reject", "from memory")
    assert verdict.at_least == pytest.approx(2.4)


@pytest.mark.parametrize(
    ("name", "given"),
    [
        ("iso5817-fillet-b", {"t": 8.0, "a": 5.0}),
        ("iso5817-fillet-c", {"t": 8.0, "a": 5.0}),
        ("iso5817-fillet-d", {"t": 8.0, "a": 5.0}),
        ("iso5817-fillet-c", {"t": 2.0, "a": 5.0}),
        ("structural-steel-macroetch", {"z": 7.0}),
        ("structural-steel-visual", {"t": 10.0, "z": 7.0}),
        ("pressure-macroetch", {}),
    ],
)
def test_a_sound_weld_passes(name: str, given: dict[str, float]) -> None:
    verdicts = grade([measured(**SOUND)], load_limits(name), given=given)
    assert [v.text for v in verdicts.per_weld[0] if v.word != "accept"] == []
    assert verdicts.grade == "accept"


def test_sheet_steel() -> None:
    # AWS D8.8-97 as quoted in a public forum: size at least 90 % of the thinner sheet, fusion to the joint root.
    wanted = load_limits("sheet-steel-macroetch")
    good = grade(
        [measured(size=(1.9, 0.05), root_shortfall=(0.0, 0.05), undercut_butting=(0.0, 0.04))],
        wanted,
        given={"t": 1.9},
    )
    assert good.grade == "accept"
    small = grade([measured(size=(1.6, 0.05), root_shortfall=(0.0, 0.05))], wanted, given={"t": 1.9})
    assert small.grade == "reject"
    assert small.per_weld[0][0].at_least == pytest.approx(1.71)
    groove = grade([measured(undercut_butting=(0.5, 0.04))], wanted, given={"t": 1.9}).per_weld[0]
    assert next(v for v in groove if v.limit == "Undercut").word == "undecided"


@pytest.mark.parametrize(("b_in", "limit_in"), [(0.25, 1 / 16), (0.40, 1 / 8), (0.9, 1 / 8), (1.1, 3 / 16)])
def test_convexity_by_face_width(b_in: float, limit_in: float) -> None:
    # AWS D1.1 by a public summary: W to 5/16 in 1/16; to 1 in 1/8; from 1 in 3/16 in.
    weld = measured(convexity=(0.5, 0.02), face_width=(b_in * 25.4, 0.1))
    verdicts = grade([weld], load_limits("structural-steel-macroetch"), given={"z": 7.0}).per_weld[0]
    found = [v for v in verdicts if v.quantity == "convexity"]
    assert [v.at_most for v in found] == [pytest.approx(limit_in * 25.4)]


@pytest.mark.parametrize(("t_in", "least_in"), [(0.25, 1 / 8), (0.5, 3 / 16), (0.75, 1 / 4), (1.0, 5 / 16)])
def test_least_size_by_thickness(t_in: float, least_in: float) -> None:
    # AISC Table J2.4 (read in an extract).
    verdicts = grade(
        [measured(size=(9.0, 0.1))], load_limits("structural-steel-visual"), given={"t": t_in * 25.4, "z": 7.0}
    )
    found = [v for v in verdicts.per_weld[0] if v.limit.startswith("Least size")]
    assert [v.at_least for v in found] == [pytest.approx(least_in * 25.4)]


@pytest.mark.parametrize("name", shipped_names())
def test_every_row_has_a_source_and_a_mark(name: str) -> None:
    wanted = load_limits(name)
    assert wanted.name == name
    assert wanted.title
    assert wanted.source
    for limit in wanted.limits:
        assert limit.mark in ("read", "from memory")
        assert limit.source != "stated by the user"
    assert CHECK_YOUR_COPY in grade([measured(**SOUND)], wanted).notes


def test_names() -> None:
    iso = {f"iso5817-fillet-{level}" for level in "bcd"}
    assert set(shipped_names()) >= iso | {"structural-steel-macroetch", "sheet-steel-macroetch"}
    with pytest.raises(InputError, match="no shipped limit set 'nothing'; there are iso5817-fillet-b"):
        shipped_text("nothing")
    assert set(SOUND) <= {q.key for q in QUANTITIES}
