"""Digits, units and rows of the table."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from macrocheck.quantities import QUANTITIES
from macrocheck.report.numbers import bare_text, percent_u95, spread_text, written
from macrocheck.report.tables import limit_text, plain_table, quantity_rows
from macrocheck.results import Quantity, Verdicts
from tests.report.scenes import numbers, photo_of, result_of, spans, tee_weld, verdict


@pytest.mark.parametrize(
    ("value", "u95", "unit", "text"),
    [
        # JCGM 100:2008, 7.2.4 (from memory): m_s = (100.02147 +- 0.00079) g.
        # The same figures in mm are finer than a photograph can tell: four decimals, U95 rounded up.
        (100.02147, 0.00079, "mm", "100.0215 ± 0.0008 mm"),
        (5.0234, 0.0634, "mm", "5.023 ± 0.063 mm"),
        (5.0234, 0.0996, "mm", "5.02 ± 0.10 mm"),
        (5.0234, 0.094, "mm", "5.023 ± 0.094 mm"),
        (12.0, 9.96, "mm", "12 ± 10 mm"),
        (1234.0, 123.4, "mm", "1230 ± 120 mm"),
        (5.0, 1e-7, "mm", "5.0000 ± 0.0001 mm"),
        (-0.0004, 0.05, "mm", "0.000 ± 0.050 mm"),
        (135.04, 3.21, "deg", "135.0 ± 3.2°"),
        (0.2834, 0.0312, "1", "28.3 ± 3.1 %"),
        (12.5, 0.25, "mm2", "12.50 ± 0.25 mm²"),
        (4.25, 0.0, "mm", "4.250 mm"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u95: float, unit: str, text: str) -> None:
    assert written(Quantity(value, u95 / 2, u95, unit)).full == text


@pytest.mark.parametrize(
    ("u_rel", "text"),
    [(0.00175, "0.35 %"), (0.5, "100 %"), (5e-6, "0.001 %"), (2.45e-7, "under 0.001 %"), (0.0, "0 %")],
)
def test_a_scale_stated_very_sure_is_said_in_plain_figures(u_rel: float, text: str) -> None:
    assert percent_u95(u_rel) == text


def test_inches_are_25_4_mm() -> None:
    # 1 in = 25.4 mm exactly, 1 in2 = 645.16 mm2 (NIST SP 811, appendix B.8).
    assert written(Quantity(25.4, 0.127, 0.254, "mm"), "in").full == "1.000 ± 0.010 in"
    assert written(Quantity(645.16, 3.2258, 6.4516, "mm2"), "in").full == "1.000 ± 0.010 in²"
    assert written(Quantity(90.0, 0.5, 1.0, "deg"), "in").full == "90.0 ± 1.0°"
    assert bare_text(4.7625, "mm", "in") == "0.1875 in"


def test_lists_are_written_with_the_digits_of_their_one_uncertainty() -> None:
    assert written(Quantity((5.0, 4.876), 0.03, 0.06, "mm")).full == "5.000 × 4.876 ± 0.060 mm"
    two = Quantity(((0.0, 0.423), (3.1, 3.5)), 0.1, 0.21, "mm")
    assert written(two).full == "0.00 to 0.42, 3.10 to 3.50 ± 0.21 mm"
    assert written(Quantity((), 0.1, 0.2, "mm")).full == "none"


@given(st.floats(1e-3, 900.0), st.floats(-500.0, 500.0))
def test_text_is_within_half_of_its_last_digit(u95: float, value: float) -> None:
    text = written(Quantity(value, u95 / 2, u95, "mm"))
    place = spread_text(Decimal(repr(u95)), "mm")[1]
    assert abs(Decimal(text.value) - Decimal(repr(value))) <= Decimal("0.5").scaleb(-place)
    # two significant digits: the rounding of U95 is at most 5 % of it
    if place < 4:
        assert abs(float(text.u95) - u95) <= 0.0501 * u95
    assert not (text.value.startswith("-") and float(text.value) == 0)


def test_rows_carry_value_verdict_and_reason() -> None:
    weld = tee_weld()
    photo = photo_of((weld,))
    verdicts = Verdicts(
        ((verdict("size", "accept"), verdict("size", "reject", limit="other"), verdict("root_gap", "undecided")),),
        "reject",
    )
    result = result_of(
        photo, (weld,), (spans(numbers(leg_nonbutting=None), butting=((0.0, 0.4),)),), verdicts=verdicts
    )
    rows = {row.key: row for row in quantity_rows(result, 0)}
    assert (rows["size"].value, rows["size"].u95, rows["size"].unit) == ("5.000", "0.060", "mm")
    assert rows["size"].verdict == "reject"
    assert rows["size"].limits == "at least 4.500 mm (least size); at least 4.500 mm (other)"
    assert rows["size"].reason == "It is rejected."
    assert rows["leg_nonbutting"].value == ""
    assert rows["leg_nonbutting"].unit == ""
    assert rows["leg_nonbutting"].reason == "The toe lies outside the picture."
    assert rows["unfused_spans_butting"].value == "0.000 to 0.400"
    # a limit on what was not measured is still a row
    assert rows["root_gap"].verdict == "undecided"
    order = [k.key for k in QUANTITIES]
    keys = [r.key for r in quantity_rows(result, 0)][:-1]
    assert keys == sorted(keys, key=order.index)


def test_limits_in_words_and_in_inches() -> None:
    both = verdict("size", "accept", at_least=2.54, at_most=5.08)
    assert limit_text(both) == "2.540 mm to 5.080 mm"
    assert limit_text(both, "in") == "0.1000 in to 0.2000 in"
    assert limit_text(replace(both, at_least=None)) == "at most 5.080 mm"
    assert limit_text(replace(both, at_least=None, at_most=None)) == ""


def test_table_lines_up_and_wraps() -> None:
    weld = tee_weld()
    result = result_of(photo_of((weld,)), (weld,), (numbers(leg_nonbutting=None),))
    table = plain_table(quantity_rows(result, 0), 90).splitlines()
    assert all(len(line) <= 90 and line == line.rstrip() for line in table)
    sized = next(line for line in table if line.startswith("Size"))
    angle = next(line for line in table if line.startswith("Toe angle, butting"))
    assert sized.index(".") == angle.index(".")
    assert plain_table([]) == ""
