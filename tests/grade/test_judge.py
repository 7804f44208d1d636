"""Verdicts: the guard band, its published cases, conditions, rules on length, missing values."""

from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from macrocheck.errors import InputError
from macrocheck.grade import CHECK_YOUR_COPY, ORDER, LimitSet, grade, parse_limits, rule_text
from macrocheck.results import Verdict
from tests.grade.build import measured


def limits(rows: str, head: str = "") -> LimitSet:
    return parse_limits(f"{head}\n{rows}", where="test limits")


def leg(bounds: str, head: str = "", more: str = "") -> LimitSet:
    return limits(f'[[limit]]\nname = "leg"\nquantity = "leg_butting"\n{bounds}\n{more}', head)


def only(value: float | None, U95: float, wanted: LimitSet, **more: float) -> Verdict:
    verdicts = grade([measured(leg_butting=None if value is None else (value, U95))], wanted, given=more)
    ((verdict,),) = verdicts.per_weld
    assert verdicts.grade == verdict.word
    return verdict


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (5.0, "undecided"),
        (5.1, "undecided"),
        (5.21, "accept"),
        (4.81, "undecided"),
        (4.79, "reject"),
        (9.0, "accept"),
    ],
)
def test_guard_band_one_sided(value: float, word: str) -> None:
    # JCGM 106:2012 8.3.2 (acceptance limit = tolerance limit + w), w = U = 0.2 mm, lower limit 5 mm; the rule was
    # read in ILAC-G8:2019 (w = TL - AL) as reproduced by SGS.
    verdict = only(value, 0.2, leg('at_least = "5mm"'))
    assert verdict.word == word
    assert verdict.at_least == 5.0
    assert verdict.at_most is None
    assert verdict.guard == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (12.5, "undecided"),
        (13.6, "undecided"),
        (14.4, "undecided"),
        (8.8, "reject"),
        (20.0, "reject"),
        (16.3, "undecided"),
    ],
)
def test_two_sided_case_of_jcgm_106(value: float, word: str) -> None:
    # Case y = 13.6, u = 1.8, tolerance 12.5 to 16.3 (JCGM 106 example, inputs read at metrologyrules.com 2022/03).
    # With w = U = 3.6 the tolerance of 3.8 is narrower than 2 w: nothing can be accepted.
    assert only(value, 3.6, leg('at_least = "12.5mm"\nat_most = "16.3mm"')).word == word


def test_conformance_probability_of_that_case_shows_why() -> None:
    # Same case: conformance probability 0.6626 (computed from the normal distribution): far from the 0.975 that a
    # guard band of one U95 stands for.
    normal = NormalDist(13.6, 1.8)
    assert normal.cdf(16.3) - normal.cdf(12.5) == pytest.approx(0.6626, abs=5e-5)


def test_simple_acceptance_of_that_case() -> None:
    wanted = leg('at_least = "12.5mm"\nat_most = "16.3mm"', 'rule = "simple"')
    verdict = only(13.6, 3.6, wanted)
    assert (verdict.word, verdict.guard) == ("accept", 0.0)
    assert "simple acceptance, no guard band" in verdict.text
    assert only(16.3, 3.6, wanted).word == "accept"  # on the limit: ISO 14253-1 counts the limit as inside
    assert only(16.31, 3.6, wanted).word == "reject"


@pytest.mark.parametrize(("multiple", "risk"), [(0.83, 0.05), (1.0, 0.025), (1.5, 0.0016)])
def test_guard_multiples_keep_the_published_risk(multiple: float, risk: float) -> None:
    # ISO 14253-1:2017: w = 0.83 U -> under 5 %, 1.5 U -> under 0.16 % (read at HarperMetrology); ILAC-G8:2019:
    # w = U -> under 2.5 %. U = 2 u. The farthest value still accepted carries that chance of being outside.
    u = 0.1
    edge = 5.0 + multiple * 2 * u
    head = f"guard = {multiple}"
    assert only(edge + 1e-6, 2 * u, leg('at_least = "5mm"', head)).word == "accept"
    assert only(edge - 1e-6, 2 * u, leg('at_least = "5mm"', head)).word == "undecided"
    # NormalDist: the 0.83 rule is exactly 4.85 %, below 5 % as published.
    assert NormalDist(edge, u).cdf(5.0) < risk


@pytest.mark.parametrize(("value", "word"), [(4.8, "undecided"), (4.79, "reject"), (5.21, "accept")])
def test_nonconformity_is_shown_only_beyond_the_limit_by_u(value: float, word: str) -> None:
    # ISO 14253-1:2017 as read: non-conformity shown only if y <= LSL - U or y >= USL + U.
    assert only(value, 0.2, leg('at_least = "5mm"')).word == word


def test_the_rule_is_stated() -> None:
    wanted = leg('at_least = "5mm"', "guard = 0.83")
    assert "w = 0.83 x U95" in rule_text(wanted)
    assert "w = 0.83 x U95" in only(5.5, 0.2, wanted).text
    assert (grade([measured(leg_butting=6.0)], wanted, guard=0).rule or "").startswith("Simple acceptance")
    assert grade([measured(leg_butting=(5.2, 0.2))], wanted, guard=2).grade == "undecided"
    with pytest.raises(InputError, match="0 or a positive multiple"):
        grade([measured(leg_butting=6.0)], wanted, guard=float("nan"))


def test_missing_values_are_undecided_with_the_reason() -> None:
    verdict = only(None, 0.0, leg('at_least = "5mm"'))
    assert verdict.word == "undecided"
    assert verdict.value is None
    assert "the toe lies outside the picture" in verdict.text
    absent = grade([measured(face_width=8.0)], leg('at_least = "5mm"'))
    assert "This joint has no such quantity." in absent.per_weld[0][0].text
    assert absent.grade == "undecided"


def test_a_symbol_that_is_not_given_is_undecided_and_says_how_to_give_it() -> None:
    verdict = only(6.0, 0.1, leg('at_least = "z"'))
    assert verdict.word == "undecided"
    assert "z is not given; state it with --given z=LENGTH" in verdict.text
    assert only(6.0, 0.1, leg('at_least = "z"'), z=5.0).word == "accept"
    assert only(6.0, 0.1, leg('at_least = "z"', '[given]\nz = "7mm"')).word == "reject"
    assert only(6.0, 0.1, leg('at_least = "z"', '[given]\nz = "7mm"'), z=5.0).word == "accept"


def test_conditions_choose_the_row() -> None:
    rows = leg('at_least = "5mm"\nwhen = "t > 3mm"', more='[[limit]]\nname = "thin"\nquantity = "leg_butting"\n'
               'at_least = "2mm"\nwhen = "t <= 3mm"')  # fmt: skip
    assert only(3.0, 0.1, rows, t=3.0).limit == "thin"
    assert only(3.0, 0.1, rows, t=3.01).limit == "leg"


def test_no_limit_applies() -> None:
    verdicts = grade([measured(leg_butting=9.0)], leg('at_least = "5mm"\nwhen = "t > 3mm"'), given={"t": 2.0})
    assert verdicts.per_weld == ((),)
    assert verdicts.grade == "undecided"
    assert any("none of the limits applies" in note for note in verdicts.notes)


CONVEXITY = """
[measured]
b = "face_width"
[[limit]]
name = "convexity"
quantity = "convexity"
at_most = "1mm + 0.1*b"
"""


def test_a_measured_symbol_brings_its_uncertainty() -> None:
    # Limit 1 + 0.1 * 10 = 2.0 mm; its own expanded uncertainty is 0.1 * 3 = 0.3, with 0.4 of the convexity w = 0.5.
    wanted = limits(CONVEXITY)
    verdicts = grade([measured(convexity=(1.55, 0.4), face_width=(10.0, 3.0))], wanted)
    verdict = verdicts.per_weld[0][0]
    assert verdict.at_most == pytest.approx(2.0)
    assert verdict.guard == pytest.approx(0.5)
    assert verdicts.grade == "undecided"
    assert grade([measured(convexity=(1.49, 0.4), face_width=(10.0, 3.0))], wanted).grade == "accept"


def test_a_withheld_symbol_is_undecided_and_a_given_one_goes_before() -> None:
    wanted = limits(CONVEXITY)
    weld = measured(convexity=(1.0, 0.1), face_width=None)
    assert "face_width has no value" in grade([weld], wanted).per_weld[0][0].text
    stated = grade([weld], wanted, given={"b": 10.0})
    assert stated.grade == "accept"
    assert "b was given, so the measured value was not used for it." in stated.notes


def test_a_condition_within_its_uncertainty_never_rejects() -> None:
    wanted = limits(CONVEXITY.replace('at_most = "1mm + 0.1*b"', 'at_most = "2mm"\nwhen = "b <= 8mm"'))
    near = {"face_width": (8.05, 0.2)}
    assert grade([measured(convexity=(1.0, 0.1), **near)], wanted).grade == "accept"
    verdicts = grade([measured(convexity=(3.0, 0.1), **near)], wanted)
    assert verdicts.grade == "undecided"
    assert "Whether this limit applies (b <= 8mm)" in verdicts.per_weld[0][0].text
    assert grade([measured(convexity=(3.0, 0.1), face_width=(7.0, 0.2))], wanted).grade == "reject"


def test_a_rule_on_length_is_undecided_whatever_the_value() -> None:
    wanted = leg('at_least = "5mm"\nlength_rule = "over at most 10 % of the weld length"')
    for value in (1.0, 5.0, 9.0):
        verdict = only(value, 0.1, wanted)
        assert verdict.word == "undecided"
        assert (
            "over at most 10 % of the weld length; a rule on length cannot be decided from one section"
            in verdict.text
        )


def test_a_rule_on_length_with_a_free_zone() -> None:
    wanted = leg('at_least = "4mm"\nfree_at_least = "5mm"\nlength_rule = "short imperfections only"')
    assert only(5.2, 0.1, wanted).word == "accept"
    assert only(4.5, 0.1, wanted).word == "undecided"
    assert "cannot be decided from one section" in only(4.5, 0.1, wanted).text
    assert only(5.05, 0.1, wanted).word == "undecided"
    rejected = only(3.8, 0.1, wanted)
    assert rejected.word == "reject"
    assert "on any length" in rejected.text


def test_counts_from() -> None:
    rows = '[[limit]]\nname = "overlap"\nquantity = "overlap_butting"\nat_most = "0mm"\n'
    strict, counted = limits(rows), limits(rows + 'counts_from = "0.2mm"')
    assert grade([measured(overlap_butting=(0.0, 0.1))], strict).grade == "undecided"
    verdict = grade([measured(overlap_butting=(0.0, 0.1))], counted).per_weld[0][0]
    assert verdict.word == "accept"
    assert "a setting of the limits file" in verdict.text
    assert grade([measured(overlap_butting=(0.5, 0.1))], counted).grade == "reject"


def test_alike_quantities_and_joints() -> None:
    keys = '["undercut_butting", "undercut_nonbutting", "undercut_left"]'
    rows = f'[[limit]]\nname = "u"\nquantity = {keys}\nat_most = "1mm"\n'
    verdicts = grade([measured(undercut_butting=0.1, undercut_nonbutting=2.0)], limits(rows))
    assert [(v.quantity, v.word) for v in verdicts.per_weld[0]] == [
        ("undercut_butting", "accept"),
        ("undercut_nonbutting", "reject"),
    ]
    only_lap = limits(rows + 'joints = ["lap"]')
    assert grade([measured(undercut_butting=2.0)], only_lap, joints=["tee"]).per_weld == ((),)
    assert grade([measured(undercut_butting=2.0)], only_lap, joints=["lap"]).grade == "reject"


def test_grade_is_the_worst_over_all_welds() -> None:
    wanted = leg('at_least = "5mm"')
    good, unsure, bad = (measured(leg_butting=(v, 0.1)) for v in (6.0, 5.0, 4.0))
    assert grade([good, good], wanted).grade == "accept"
    assert grade([good, unsure], wanted).grade == "undecided"
    assert grade([unsure, bad, good], wanted).grade == "reject"
    assert grade([], wanted).grade is None


def test_notes_tell_to_check_what_was_not_stated_by_the_user() -> None:
    own = leg('at_least = "5mm"')
    assert CHECK_YOUR_COPY not in grade([measured(leg_butting=6.0)], own).notes
    copied = leg('at_least = "5mm"\nmark = "from memory"\nsource = "a book"')
    notes = grade([measured(leg_butting=6.0)], copied).notes
    assert CHECK_YOUR_COPY in notes
    assert "1 of 1 limits are from memory, not read anywhere." in notes


@given(st.floats(0, 20), st.floats(0, 2), st.floats(0, 20), st.floats(0, 3))
def test_a_wider_guard_band_only_moves_towards_undecided(
    value: float, U95: float, low: float, guard: float
) -> None:
    wanted = leg(f'at_least = "{low:.4f}mm"')
    narrow = grade([measured(leg_butting=(value, U95))], wanted, guard=guard).grade
    wide = grade([measured(leg_butting=(value, U95))], wanted, guard=guard + 1).grade
    assert wide in (narrow, "undecided")


@given(st.floats(0, 20), st.floats(0, 20), st.floats(0, 2))
def test_a_larger_value_is_never_worse_against_at_least(one: float, two: float, U95: float) -> None:
    wanted = leg('at_least = "5mm"')
    low, high = (
        ORDER.index(grade([measured(leg_butting=(v, U95))], wanted).grade or "reject") for v in sorted((one, two))
    )
    assert high <= low
