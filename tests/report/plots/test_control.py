"""Control limits against a published example, and dates as people write them."""

from datetime import date

import pytest

from macrocheck.errors import InputError
from macrocheck.report.plots.control import D2, D3, control_limits, in_order, parse_date
from tests.report.plots.values import coupon

FLOW_RATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, example of individuals (from memory)."""


def test_limits_of_the_handbook_example() -> None:
    """Mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (from memory; the formula agrees)."""
    limits = control_limits(FLOW_RATE)
    assert limits.mean == pytest.approx(50.81)
    assert limits.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.high == pytest.approx(55.8041, abs=2e-3)  # the handbook rounds d2 to 1.128
    assert limits.low == pytest.approx(45.8159, abs=2e-3)


def test_constants_of_two_values() -> None:
    """d2 = 1.128, d3 = 0.853 and D4 = 3.267 for two values, as tabled in texts on control charts (from memory)."""
    assert pytest.approx(1.128, abs=5e-4) == D2
    assert pytest.approx(0.853, abs=5e-4) == D3
    limits = control_limits((0.0, 1.0))
    assert limits.high_range / limits.mean_range == pytest.approx(3.267, abs=1e-3)


def test_too_few_values() -> None:
    with pytest.raises(InputError, match="at least 2 dated coupons; there is 1"):
        control_limits((1.0,))


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-03-14", date(2026, 3, 14)),
        ("2026/3/4 morning", date(2026, 3, 4)),
        ("2026-03-14T09:26:53", date(2026, 3, 14)),
        ("14.3.2026", date(2026, 3, 14)),
        ("03/04/2026", None),  # two readings
        ("2026-02-30", None),
        ("spring", None),
        ("", None),
        (None, None),
    ],
)
def test_dates(text: str | None, day: date | None) -> None:
    assert parse_date(text) == day


def test_order_is_by_day_then_as_recorded() -> None:
    coupons = [
        coupon("c", 1.0, date="2026-03-02"),
        coupon("a", 1.0, date="2026-03-01"),
        coupon("b", 1.0, date="2026-03-02"),
        coupon("x", 1.0, date="tomorrow"),
    ]
    dated, undated = in_order(coupons)
    assert [c.coupon for _, c in dated] == ["a", "c", "b"]
    assert undated == ["x"]
