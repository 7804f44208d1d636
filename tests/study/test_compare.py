"""Groups of coupons: who is in them, what is said of them, and what is not."""

import json
from collections.abc import Sequence

import numpy as np
import pytest

from macrocheck.errors import InputError
from macrocheck.results import VerdictWord
from macrocheck.study.compare import By, compare, parse_by
from macrocheck.study.comparison import Comparison, Summary
from macrocheck.study.data import Coupon, Measure, NotedSetting, Section, coupon_value
from macrocheck.study.values import Interval
from macrocheck.study.words import span
from tests.study.make import coupon


def four(name: str, values: Sequence[float], **settings: float | str) -> list[Coupon]:
    return [coupon(f"{name}{i}", settings, [v]) for i, v in enumerate(values)]


def one_summary(coupons: Sequence[Coupon]) -> Summary:
    return compare(coupons, by=(), quantities=["size"]).groups[0].summaries[0]


def test_groups_by_numbers_words_and_steps() -> None:
    coupons = [
        *four("a", [1, 2], wire_diameter=1.2, gas="CO2", amps=181),
        *four("b", [3, 4], wire_diameter=0.9, gas="co2", amps=189.99),
        *four("c", [5, 6], wire_diameter=0.9, gas="Ar 82  CO2 18", amps=190),
        *four("d", [7], wire_diameter=0.9, amps=178),
    ]
    found = compare(coupons, by=parse_by("wire_diameter,gas"), quantities=["size"])
    assert [(g.label, g.n_coupons) for g in found.groups] == [
        ("0.9 mm, Ar 82 CO2 18", 2),
        ("0.9 mm, CO2", 2),
        ("1.2 mm, CO2", 2),
    ]
    assert found.left_out == (("d0", "gas not noted"),)
    steps = compare(coupons, by=parse_by("amps:10"), quantities=["size"])
    assert [(g.label, g.n_coupons) for g in steps.groups] == [
        ("170 to 180 A", 1),
        ("180 to 190 A", 4),
        ("190 to 200 A", 2),
    ]
    every = compare(coupons, by=(), quantities=["size"])
    assert [(g.label, g.n_coupons) for g in every.groups] == [("all coupons", 7)]
    runs = compare(coupons, by=[By("run")], quantities=["size"])
    assert [g.label for g in runs.groups] == ["trial"]


@pytest.mark.parametrize("text", ["amps:", "amps:0", "amps:-5", "amps:x", "amps:nan", ",", "amps,,gas"])
def test_settings_to_group_by_that_cannot_be_read(text: str) -> None:
    with pytest.raises(InputError, match=r"such as .*amps:10"):
        parse_by(text)


def test_a_step_for_words_is_refused() -> None:
    with pytest.raises(InputError, match="gas is 'CO2' on coupon a0, no number; leave the step off"):
        compare(four("a", [1, 2], gas="CO2"), by=[By("gas", 10)], quantities=["size"])


def test_no_coupons_and_too_many_groups() -> None:
    with pytest.raises(InputError, match=r"No coupon is left to compare \(a0: gas not noted\)"):
        compare(four("a", [1, 2]), by=[By("gas")], quantities=["size"])
    with pytest.raises(InputError, match="No coupon is left to compare; loosen --where"):
        compare([], by=(), quantities=["size"])
    many = [c for i in range(13) for c in four(f"x{i}", [1.0], amps=150.0 + i)]
    with pytest.raises(InputError, match=r"amps give 13 groups.*--by amps:10"):
        compare(many, by=[By("amps")], quantities=["size"])


def test_sections_of_a_coupon_count_once() -> None:
    """A coupon sawn into ten says no more than one sawn once: its mean is one of three values."""
    coupons = [coupon("a", {}, [1.0] * 10), coupon("b", {}, [2.0]), coupon("c", {}, [3.0])]
    found = one_summary(coupons)
    assert (found.n_coupons, found.n_sections) == (3, 12)
    assert (found.mean, found.sd) == (2.0, 1.0)
    assert found.interval is not None
    assert found.interval.low == pytest.approx(2 - 4.302653 / 3**0.5)  # Student's t, df 2, table value
    assert "each coupon counts once" in " ".join(found.notes)


def test_welds_of_a_section_stand_for_one_section() -> None:
    section = Section(
        "S1", None, None, None, "p", 1, {(1, "size"): Measure(4, 0.1, 0.2), (2, "size"): Measure(6, 0.1, 0.2)}
    )
    other = Section("S2", None, None, None, "q", 2, {(1, "size"): Measure(8, 0.1, 0.2)})
    value, missing = coupon_value(Coupon("a", None, {}, (section, other)), "size")
    assert value is not None
    assert (value.value, missing, value.section_count) == (6.5, 0, 2)
    # u of a mean of two means: sqrt(0.1^2/2 + 0.1^2) / 2
    assert value.u == pytest.approx((0.01 / 2 + 0.01) ** 0.5 / 2)


def test_scatter_told_apart_from_measuring() -> None:
    rng = np.random.default_rng(8)
    coupons = []
    for i in range(300):
        level = rng.normal(5, 0.30)
        coupons.append(
            coupon(f"c{i}", {}, [float(level + rng.normal(0, 0.20) + rng.normal(0, 0.1)) for _ in range(2)], u=0.1)
        )
    spread = one_summary(coupons).spread
    assert spread is not None
    assert spread.coupon == pytest.approx(0.30, rel=0.12)
    assert spread.section == pytest.approx(0.20, rel=0.12)
    assert spread.measurement == pytest.approx(0.1)


def test_coupons_that_scatter_less_than_the_measuring_hides() -> None:
    spread = one_summary(four("a", [5.00, 5.01, 5.02, 5.00])).spread
    assert spread is not None
    assert (spread.coupon, spread.section) == (0.0, None)
    assert "no more than the measuring" in spread.text


def test_worst_and_which_way_is_worse() -> None:
    found = one_summary(four("a", [5.0, 3.0, 6.0]))
    assert found.worst is not None
    assert (found.worse, found.worst.coupon, found.worst.section.value) == ("at least", "a1", 3.0)
    coupons = [coupon(f"u{i}", {}, [v], quantity="undercut_butting") for i, v in enumerate((0.1, 0.4, 0.2))]
    under = compare(coupons, by=(), quantities=["undercut_butting"]).groups[0].summaries[0]
    assert under.worst is not None
    assert (under.worse, under.worst.coupon) == ("at most", "u1")
    assert under.tolerance is not None
    assert under.tolerance.bound is not None
    assert under.tolerance.bound > 0.4


def test_the_bound_in_words() -> None:
    found = one_summary(four("a", [5.0, 5.2, 5.4, 5.6, 5.8, 5.1, 5.3, 5.5, 5.7, 5.4]))
    assert found.tolerance is not None
    assert found.sd is not None
    # Natrella (1963), table A-7: factor 2.355 for 10, 90 %, 95 % (memory)
    assert found.tolerance.bound == pytest.approx(5.4 - 2.355 * found.sd, abs=1e-3)
    assert found.tolerance.text == (
        "With 95 % confidence, 90 % of such coupons have size of at least 4.79 mm (mean of a coupon's sections, "
        "normal distribution)."
    )
    assert found.tolerance_ranks is None


def test_a_bound_for_single_sections_lies_further_out() -> None:
    rng = np.random.default_rng(10)
    values = 5 + 0.2 * rng.standard_normal((8, 1)) + 0.3 * rng.standard_normal((8, 2))
    found = one_summary([coupon(f"c{i}", {}, [float(v) for v in row]) for i, row in enumerate(values)])
    assert found.tolerance is not None
    assert found.tolerance_section is not None
    assert found.tolerance.bound is not None
    assert found.tolerance_section.bound is not None
    assert found.tolerance_section.bound < found.tolerance.bound
    assert "of single sections of such coupons" in found.tolerance_section.text
    again = one_summary([coupon(f"c{i}", {}, [float(v) for v in row]) for i, row in enumerate(values)])
    assert again == found  # draws from a fixed seed
    assert one_summary(four("a", [5.0, 5.2, 5.4])).tolerance_section is None


def test_bound_by_ranks_from_29_coupons() -> None:
    values = [5 + 0.01 * i for i in range(29)]
    found = one_summary(four("a", values))
    assert found.tolerance_ranks is not None
    assert found.tolerance_ranks.bound == 5.0
    assert one_summary(four("a", values[1:])).tolerance_ranks is None


def test_too_few_says_so_and_how_many_more() -> None:
    alone = one_summary(four("a", [5.0]))
    assert (alone.interval, alone.sd, alone.tolerance, alone.spread) == (None, None, None, None)
    assert (alone.needs[0].need, alone.needs[0].more) == (2, 1)
    three = one_summary(four("a", [5.0, 5.2, 5.4]))
    scatter = next(n for n in three.needs if n.what == "scatter")
    assert (scatter.have, scatter.need, scatter.more) == (
        3,
        9,
        6,
    )  # factor at most 2 x 1.2816: 9 have 2.454, 8 2.583
    assert "6 more bring that under 2.6" in scatter.text


def graded(name: str, words: Sequence[VerdictWord], values: Sequence[float], limit: float) -> list[Coupon]:
    return [
        coupon(f"{name}{i}", {"gas": name}, [v], words=[w], at_least=limit)
        for i, (w, v) in enumerate(zip(words, values, strict=True))
    ]


def test_share_accepted_and_how_many_more() -> None:
    words: list[VerdictWord] = ["accept"] * 12
    found = compare(graded("a", words, [5 + 0.1 * i for i in range(12)], 4.0), by=[By("gas")], quantities=["size"])
    share = found.groups[0].share
    assert (share.graded, share.accepted, share.share) == (12, 12, 1.0)
    assert share.interval is not None
    assert share.interval.low == pytest.approx(0.025 ** (1 / 12))
    assert share.at_least == pytest.approx(0.05 ** (1 / 12))
    assert "17 more coupons, all accepted, would show 90 %" in share.text
    summary = found.groups[0].summaries[0]
    assert summary.share is not None
    assert (summary.at_least, summary.share.accepted) == (4.0, 12)


def test_undecided_is_not_accepted_and_a_failed_section_is_undecided() -> None:
    coupons = graded("a", ["accept", "undecided", "reject"], [5.0, 4.0, 3.0], 4.0)
    failed = Section("S2", None, None, "no weld was found", "p", 9)
    broken = Coupon("b", None, coupons[0].settings, (coupons[0].sections[0], failed))
    found = compare([*coupons, broken], by=(), quantities=["size"]).groups[0]
    assert (found.share.graded, found.share.accepted, found.share.undecided, found.share.rejected) == (4, 1, 2, 1)
    assert (found.n_sections, found.not_measured) == (4, 1)
    assert found.summaries[0].missing == 0  # the failed section is counted as failed, not as missing a value


def test_a_limit_that_no_number_of_coupons_would_meet() -> None:
    words: list[VerdictWord] = ["accept"] * 5
    found = compare(graded("a", words, [4.1, 4.5, 4.9, 4.3, 4.7], 4.4), by=(), quantities=["size"])
    need = next(n for n in found.groups[0].summaries[0].needs if n.what == "limit")
    assert "No number of coupons" in need.text
    roomy = compare(graded("a", words, [4.5, 4.6, 4.7, 4.55, 4.65], 4.4), by=(), quantities=["size"])
    need = next(n for n in roomy.groups[0].summaries[0].needs if n.what == "limit")
    assert need.more > 0
    assert "would show that 90 % of such coupons have at least 4.40 mm with 95 % confidence" in need.text


def test_differences_are_judged_together() -> None:
    rng = np.random.default_rng(9)
    coupons = [
        c for name, mean in (("a", 5.0), ("b", 5.0), ("c", 6.0))
        for c in four(name, [float(v) for v in rng.normal(mean, 0.2, 8)], gas=name)
    ]  # fmt: skip
    found = compare(coupons, by=[By("gas")], quantities=["size"])
    said = {(d.first, d.second): d for d in found.differences}
    assert said["a", "c"].stands_out
    assert said["b", "c"].stands_out
    assert not said["a", "b"].stands_out
    for d in found.differences:
        assert d.p is not None
        assert d.p_adjusted is not None
        assert d.p_adjusted >= d.p
    assert "3 differences are looked at" in " ".join(found.notes)


def _words(word: VerdictWord, count: int) -> list[VerdictWord]:
    return [word] * count


def test_an_interval_that_reaches_0_is_not_called_more_than_chance() -> None:
    coupons = [
        *graded("a", ["accept", "reject"], [1.2, 0.8], 1.0),
        *graded("b", ["accept", "accept"], [1.2, 1.3], 1.0),
    ]
    (share,) = compare(coupons, by=[By("gas")], quantities=["size"]).share_differences
    assert share.difference == 0.5
    assert share.p > 0.05
    assert not share.stands_out
    assert "not told from chance" in share.text
    coupons = [
        *graded("a", _words("reject", 6), [0.8] * 6, 1.0),
        *graded("b", _words("accept", 6), [1.2] * 6, 1.0),
    ]
    (share,) = compare(coupons, by=[By("gas")], quantities=["size"]).share_differences
    assert share.stands_out
    assert (share.interval.low or 0.0) > 0


def test_shares_are_judged_together() -> None:
    # of five groups one differs by a p that alone would do, and among ten pairs does not
    bad, words = _words("reject", 4), _words("accept", 4)
    coupons = [
        c
        for name, said in (("a", bad), ("b", words), ("c", words), ("d", words), ("e", words))
        for c in graded(name, said, [1.0] * 4, 1.0)
    ]
    shares = compare(coupons, by=[By("gas")], quantities=["size"]).share_differences
    first = next(s for s in shares if (s.first, s.second) == ("a", "b"))
    assert first.p < 0.05 < first.p_adjusted
    assert not first.stands_out


def test_an_interval_that_leaves_out_0_is_not_printed_as_if_it_reached_it() -> None:
    assert span(Interval(0.0004, 0.41), "mm", signed=True) == "+0.0004 to +0.4100"
    assert span(Interval(-0.2, -0.004), "mm", signed=True) == "-0.200 to -0.004"
    assert span(Interval(0.0, 0.41), "mm") == "0.00 to 0.41"
    assert span(Interval(-0.001, 0.41), "mm", signed=True) == "0.00 to +0.41"


def test_one_coupon_against_a_group_has_no_interval() -> None:
    found = compare(
        [*four("a", [5.0], gas="a"), *four("b", [6.0, 6.1, 6.2], gas="b")], by=[By("gas")], quantities=["size"]
    )
    d = found.differences[0]
    assert (d.interval, d.p, d.stands_out) == (None, None, None)
    assert d.difference == pytest.approx(1.1)
    assert d.need is not None
    assert d.need.more == 1
    assert "a holds 1 coupon" in " ".join(found.notes)


def test_nothing_scatters() -> None:
    found = compare(
        [*four("a", [5.0, 5.0], gas="a"), *four("b", [6.0, 6.0], gas="b")], by=[By("gas")], quantities=["size"]
    )
    assert found.differences[0].interval is None
    summary = found.groups[0].summaries[0]
    assert summary.tolerance is not None
    assert summary.tolerance.bound is None
    assert "tells nothing of how such coupons scatter" in summary.tolerance.text


def test_values_at_a_stop_are_not_taken_for_normal() -> None:
    coupons = [
        coupon(f"c{i}", {}, [v], quantity="root_penetration") for i, v in enumerate((0.0, 0.0, 0.4, 0.6, 0.3))
    ]
    found = compare(coupons, by=(), quantities=["root_penetration"]).groups[0].summaries[0]
    assert any("2 of 5 coupons have exactly 0.00 mm" in note for note in found.notes)
    assert found.tolerance is not None
    assert "nothing over 0" in found.tolerance.text


def test_skewed_groups_are_said_not_to_be_normal() -> None:
    skewed = [5.0, 5.01, 5.02, 5.01, 5.03, 5.02, 5.0, 5.01, 7.5]
    assert any("Shapiro-Wilk" in n for n in one_summary(four("a", skewed)).notes)
    assert not any("Shapiro-Wilk" in n for n in one_summary(four("a", [5.0, 5.1, 5.2, 5.3, 5.4, 5.25])).notes)


def test_missing_values_are_counted() -> None:
    found = one_summary([coupon("a", {}, [5.0, None]), coupon("b", {}, [None]), coupon("c", {}, [5.5])])
    assert (found.n_coupons, found.n_sections, found.missing) == (2, 2, 2)
    nothing = one_summary([coupon("a", {}, [None]), coupon("b", {}, [None])])
    assert (nothing.mean, nothing.worst, nothing.n_coupons, nothing.missing) == (None, None, 0, 2)


def test_settings_that_vary_within_groups_are_named() -> None:
    coupons = [coupon(f"c{i}", {"gas": "CO2", "amps": a, "operator": o}, [5.0 + i]) for i, (a, o) in
               enumerate(((150.0, "Kim"), (155.0, "Kim"), (210.0, "Lee")))]  # fmt: skip
    note = next(n for n in compare(coupons, by=[By("gas")], quantities=["size"]).notes if "Within groups" in n)
    assert "amps and operator vary too" in note


def test_two_units_make_two_groups_and_are_said() -> None:
    def one(name: str, unit: str) -> Coupon:
        section = Section("S", None, None, None, name, 1, {(1, "size"): Measure(5.0, 0.1, 0.2)})
        return Coupon(name, None, {"preheat": NotedSetting("100", 100.0, None, unit)}, (section,))

    found = compare([one("a", "C"), one("b", "F")], by=[By("preheat")], quantities=["size"])
    assert [g.label for g in found.groups] == ["100 C", "100 F"]
    assert any("different units (C and F)" in note for note in found.notes)


def test_different_limits_are_said() -> None:
    from dataclasses import replace

    coupons = graded("a", ["accept", "accept"], [5.0, 5.1], 4.0)
    other = replace(coupons[1], sections=(replace(coupons[1].sections[0], limits="other"),))
    found = compare([coupons[0], other], by=(), quantities=["size"])
    assert any("different limits (bench and other)" in note for note in found.notes)


def test_as_json() -> None:
    found: Comparison = compare(
        [*four("a", [5.0, 5.2], gas="a"), *four("b", [6.0], gas="b")], by=[By("gas")], quantities=["size"]
    )
    document = json.loads(json.dumps(found.to_json(), allow_nan=False))
    assert (document["format"], document["format_version"]) == ("macrocheck-comparison", 1)
    assert document["cautions"]
    assert document["groups"][0]["summaries"][0]["coupons"][0]["sections"][0]["value"] == 5.0
    assert document["differences"][0]["need"]["more"] == 1
