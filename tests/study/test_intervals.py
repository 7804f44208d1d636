"""Intervals and bounds against published examples."""

import math

import numpy as np
import pytest
from scipy import stats

from macrocheck.study import intervals, unequal
from tests.study.published import SLEEP


def test_clopper_pearson_as_nist_prints_it() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1, exact 90 % interval of 4 in 20: .071354 to .401029 (read); it prints .401029
    # where the beta quantile is .4010281, hence the tolerance
    found = intervals.share_interval(4, 20, 0.90)
    assert found.low == pytest.approx(0.071354, abs=5e-7)
    assert found.high == pytest.approx(0.401029, abs=1.5e-6)


def test_wilson_as_nist_prints_it() -> None:
    # NIST 7.2.4.1: one-sided lower 95 % bound of 26 in 200 is .09577 (read); the two-sided 90 % interval ends there
    assert intervals.wilson(26, 200, 0.90).low == pytest.approx(0.09577, abs=5e-6)
    # and of 4 in 20, 90 %: .09312 to .37838 (computed from the formula)
    found = intervals.wilson(4, 20, 0.90)
    assert found.low == pytest.approx(0.09312, abs=5e-6)
    assert found.high == pytest.approx(0.37838, abs=5e-6)


def test_one_sided_share_bound() -> None:
    # all of 29 and all of 59: the well known 90 and 95 % with 95 % confidence (success run, common practice)
    assert intervals.share_at_least(29, 29, 0.95) == pytest.approx(0.05 ** (1 / 29))
    assert intervals.share_at_least(28, 28, 0.95) < 0.90 < intervals.share_at_least(29, 29, 0.95)
    assert intervals.share_at_least(58, 58, 0.95) < 0.95 < intervals.share_at_least(59, 59, 0.95)
    assert intervals.share_at_least(0, 5, 0.95) == 0
    # the bound p is where so many or more would be accepted by a chance of 5 % only
    p = intervals.share_at_least(9, 12, 0.95)
    assert stats.binom.sf(8, 12, p) == pytest.approx(0.05)


def test_difference_of_shares_as_newcombe_printed_it() -> None:
    # Newcombe (1998), Statistics in Medicine 17, 873-890: 56 of 70 less 48 of 80: .0524 to .3339 (memory)
    found = intervals.share_difference((48, 80), (56, 70), 0.95, of_each=intervals.wilson)
    assert found.low == pytest.approx(0.0524, abs=5e-5)
    assert found.high == pytest.approx(0.3339, abs=5e-5)


def test_tolerance_factors() -> None:
    # NIST 7.2.6.3: N 43, share .90, confidence .99: exact 1.8740 (read); its approximation misses at N 6 (5.2808),
    # where the noncentral t gives 4.4111 (computed)
    assert intervals.tolerance_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert intervals.tolerance_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=5e-5)
    # Natrella, Experimental Statistics (1963), table A-7, confidence .95 share .90: n 10 2.355, n 5 3.407 (memory)
    assert intervals.tolerance_factor(10, 0.90, 0.95) == pytest.approx(2.355, abs=5e-4)
    assert intervals.tolerance_factor(5, 0.90, 0.95) == pytest.approx(3.407, abs=1e-3)


def test_bounds_by_ranks() -> None:
    # the least of 29 for 90/95, of 59 for 95/95; second least of 46, third of 61 (ISO 16269-6 and common tables,
    # memory)
    assert intervals.coupons_for_ranks(0.90, 0.95) == 29
    assert intervals.coupons_for_ranks(0.95, 0.95) == 59
    assert [intervals.rank_bound(n, 0.90, 0.95) for n in (28, 29, 45, 46, 60, 61)] == [0, 1, 1, 2, 2, 3]
    values = np.arange(46.0)[::-1]
    assert intervals.tolerance_by_ranks(values, "at least", 0.9, 0.95) == 1
    assert intervals.tolerance_by_ranks(values, "at most", 0.9, 0.95) == 44
    assert intervals.tolerance_by_ranks(values[:28], "at most", 0.9, 0.95) is None


def test_welch_on_students_sleep_data() -> None:
    first, second = (np.array(s) for s in SLEEP)
    found = intervals.welch((first.mean(), first.std(ddof=1), 10), (second.mean(), second.std(ddof=1), 10), 0.95)
    # t.test(extra ~ group, data = sleep) in R's own manual: df 17.776, p 0.07939, -3.3654832 to 0.2054832 (memory)
    assert float(found.df) == pytest.approx(17.776, abs=5e-4)
    assert float(found.p) == pytest.approx(0.07939, abs=5e-6)
    assert float(-found.high) == pytest.approx(-3.3654832, abs=5e-8)
    assert float(-found.low) == pytest.approx(0.2054832, abs=5e-8)


def test_welch_against_scipy_on_unequal_groups() -> None:
    rng = np.random.default_rng(3)
    first, second = rng.normal(0, 1, 5), rng.normal(1, 4, 13)
    found = intervals.welch((first.mean(), first.std(ddof=1), 5), (second.mean(), second.std(ddof=1), 13), 0.9)
    other = stats.ttest_ind(second, first, equal_var=False)
    interval = other.confidence_interval(0.9)
    assert float(found.p) == pytest.approx(float(other.pvalue))
    assert float(found.low) == pytest.approx(float(interval.low))
    assert float(found.high) == pytest.approx(float(interval.high))


def test_welch_where_one_group_does_not_scatter() -> None:
    found = intervals.welch((1.0, 0.0, 4), (2.0, 0.5, 6), 0.95)
    assert float(found.df) == pytest.approx(5)
    assert math.isfinite(float(found.low))


def test_holm() -> None:
    # R's p.adjust(c(.01, .04, .03, .005), "holm") gives .03 .06 .06 .02 (memory); by hand the same
    assert intervals.holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert intervals.holm([]) == []
    assert intervals.holm([0.9, 0.8]) == [1.0, 1.0]


def test_interval_of_a_standard_deviation() -> None:
    # df 9, sd 1: sqrt(9/19.0228) to sqrt(9/2.70039), chi-square table values
    low, high = intervals.sd_interval(1.0, 9, 0.95)
    assert float(low) == pytest.approx(math.sqrt(9 / 19.0228), rel=1e-5)
    assert float(high) == pytest.approx(math.sqrt(9 / 2.70039), rel=1e-5)


def test_how_many_coupons() -> None:
    # two groups, difference of one standard deviation, 5 % two-sided, power 80 %: 17 a group (Cohen 1988, memory)
    assert intervals.coupons_for_difference(1.0, 1.0, 1.0, 0.95) == 17
    assert intervals.coupons_for_difference(0.0, 1.0, 1.0, 0.95) is None
    assert intervals.coupons_for_difference(1e-6, 1.0, 1.0, 0.95) is None
    assert intervals.coupons_for_share(0, 0.9, 0.95) == 29
    assert intervals.coupons_for_share(1, 0.9, 0.95) == 46
    n = intervals.coupons_for_factor(1.9, 0.9, 0.95)
    assert n is not None
    assert intervals.tolerance_factor(n, 0.9, 0.95) <= 1.9 < intervals.tolerance_factor(n - 1, 0.9, 0.95)
    assert intervals.coupons_for_factor(1.28, 0.9, 0.95) is None


def test_shares_that_an_exact_test_does_not_tell_apart_have_an_interval_that_holds_0() -> None:
    # p by Boschloo's exact test in SciPy; 1 of 2 against 2 of 2 once ended at 0 and was called more than chance
    for n, m in ((2, 2), (3, 3), (4, 2), (4, 4), (5, 5), (6, 3)):
        for a in range(n + 1):
            for b in range(m + 1):
                p = intervals.share_chance((a, n), (b, m))
                found = intervals.share_difference((a, n), (b, m), 0.95)
                assert p < 0.05 or found.holds(0.0), (a, n, b, m)
    # another exact test, Barnard's, as SciPy's documentation works it for 7 of 15 against 12 of 15: one-sided
    # 0.0341 (memory)
    assert intervals.share_chance((7, 15), (12, 15)) == pytest.approx(2 * 0.0341, abs=1e-3)
    assert intervals.share_chance((0, 4), (0, 7)) == 1.0


@pytest.mark.parametrize("counts", [(2, 2), (2, 11), (3, 3), (4, 9), (8, 30)])
def test_factors_of_a_difference_end_at_students(counts: tuple[int, int]) -> None:
    # where one group has all the scatter, the other is a constant and Student's factor of the first is exact
    one, two = counts[0] - 1, counts[1] - 1
    factor = unequal.factor_for(one, two, 0.95)
    assert factor(np.array([1.0]))[0] == pytest.approx(stats.t.ppf(0.975, one), rel=1e-3)
    assert factor(np.array([0.0]))[0] == pytest.approx(stats.t.ppf(0.975, two), rel=1e-3)
    within = factor(np.linspace(0.0, 1.0, 200))
    assert within.min() >= stats.t.ppf(0.975, one + two) - 1e-9
    assert within.max() <= stats.t.ppf(0.975, min(one, two)) + 1e-9


def test_p_and_interval_of_a_difference_say_the_same() -> None:
    for offset in np.linspace(0.0, 4.0, 41):
        for first, second in (((0.0, 1.0, 2), (offset, 0.3, 4)), ((0.0, 1.0, 3), (offset, 1.0, 3))):
            found = intervals.welch(first, second, 0.95)
            assert (float(found.p) < 0.05) == (float(found.low) > 0.0)
