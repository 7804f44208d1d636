"""Lengths as people write them."""

import re
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from macrocheck.errors import InputError
from macrocheck.units import SHEET_GAUGE_IN, format_length, parse_length, parse_pixel_point

# 25.4 mm to the inch exactly: international yard and pound agreement, 1959.
INCH = 25.4


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("4.8mm", 4.8),
        ("4.8 mm", 4.8),
        (" 4.8  MM ", 4.8),
        ("4,8 mm", 4.8),
        ("0,190mm", 0.19),
        (".5mm", 0.5),
        ("5.mm", 5.0),
        ("+4mm", 4.0),
        ("2e-2 mm", 0.02),
        ("0.5 cm", 5.0),
        ("0.1 m", 100.0),
        ("190 um", 0.19),
        ("190µm", 0.19),  # micro sign
        ("190 μm", 0.19),  # Greek mu
        ("5 microns", 0.005),
        ("1in", INCH),
        ("1 inch", INCH),
        ("2 inches", 2 * INCH),
        ("1in.", INCH),
        ('1"', INCH),
        ("1″", INCH),
        ("1''", INCH),
        ("1 ft", 12 * INCH),
        ("5 thou", 0.127),
        ("5 mil", 0.127),
        ("0.19 in", 4.826),
        ("3/16in", 4.7625),
        ('3/16"', 4.7625),
        ("3 / 16 in", 4.7625),
        ("1 3/16 in", 30.1625),
        ('1-3/16"', 30.1625),
        ("½ in", 12.7),
        ('1½"', 38.1),
        ("1 ⅜ in", 34.925),
        ("1 3⁄16 in", 30.1625),  # fraction slash
        ("4.8\u00a0mm", 4.8),
    ],
)
def test_lengths(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, rel=1e-15)


@pytest.mark.parametrize(
    ("fraction", "inches"),
    [
        ("1/16", 0.0625), ("3/32", 0.09375), ("1/8", 0.125), ("5/32", 0.15625), ("3/16", 0.1875), ("7/32", 0.21875),
        ("1/4", 0.25), ("5/16", 0.3125), ("3/8", 0.375), ("7/16", 0.4375), ("1/2", 0.5),
    ],
)  # fmt: skip
def test_decimal_equivalents_of_fractions(fraction: str, inches: float) -> None:
    # Decimal equivalents as every shop table prints them; exact by arithmetic.
    assert parse_length(f"{fraction}in") == pytest.approx(inches * INCH, rel=1e-15)
    assert parse_length(f"{fraction}in") == parse_length(f"{inches}in")


# Read at industrialequipmentspecs.com and cableorganizer.com, in inches; steel 7 ga from memory.
READ_GAUGES: dict[str, dict[int, float]] = {
    "": {
        7: 0.1793, 8: 0.1644, 9: 0.1495, 10: 0.1345, 11: 0.1196, 12: 0.1046, 14: 0.0747, 16: 0.0598, 18: 0.0478,
        20: 0.0359, 22: 0.0299, 24: 0.0239,
    },
    "galvanised": {
        10: 0.1382, 11: 0.1233, 12: 0.1084, 14: 0.0785, 16: 0.0635, 18: 0.0516, 20: 0.0396, 22: 0.0336, 24: 0.0276,
    },
    "stainless": {10: 0.1406, 11: 0.1250, 12: 0.1094, 14: 0.0781, 16: 0.0625, 18: 0.0500, 20: 0.0375},
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "number", "inches"), [(k, n, i) for k, table in READ_GAUGES.items() for n, i in table.items()]
)
def test_gauges_against_a_printed_table(kind: str, number: int, inches: float) -> None:
    assert parse_length(f"{number}ga {kind}".strip(), thickness=True) == pytest.approx(inches * INCH, rel=1e-15)


# Ounces per square foot by gauge number (15 U.S.C. 206, from memory).
OUNCES = {
    7: 120, 8: 110, 9: 100, 10: 90, 11: 80, 12: 70, 13: 60, 14: 50, 15: 45, 16: 40, 17: 36, 18: 32, 19: 28, 20: 24,
    21: 22, 22: 20, 23: 18, 24: 16, 25: 14, 26: 12, 27: 11, 28: 10, 29: 9, 30: 8,
}  # fmt: skip


def test_steel_gauges_follow_the_rule_of_weight() -> None:
    # Manufacturers' standard gauge: 41.82 lb per square foot to the inch of thickness (from memory).
    assert set(SHEET_GAUGE_IN["steel"]) == set(OUNCES)
    for number, ounces in OUNCES.items():
        assert float(SHEET_GAUGE_IN["steel"][number]) == pytest.approx(ounces / 16 / 41.82, abs=0.5001e-4)


def test_stainless_gauges_follow_the_united_states_standard() -> None:
    # 640 oz per square foot to the inch (from memory); printed to four decimals.
    for number, inches in SHEET_GAUGE_IN["stainless"].items():
        assert float(inches) == pytest.approx(OUNCES[number] / 640, abs=0.5001e-4)


@pytest.mark.parametrize("text", ["14ga", "14 ga", "14GA", "14 gauge", "14 gage", "14ga.", "14 ga steel"])
def test_spellings_of_gauge(text: str) -> None:
    assert parse_length(text, thickness=True) == pytest.approx(0.0747 * INCH)


def test_thickness_takes_lengths_too() -> None:
    assert parse_length("3/16in", thickness=True) == pytest.approx(4.7625)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("4.8", "'4.8' has no unit; write 4.8mm or 4.8in."),
        ("3/16", "'3/16' has no unit; write 3/16mm or 3/16in."),
        ("-3mm", "'-3mm' is not more than zero; a length must be positive."),
        ("−3mm", "is not more than zero"),
        ("-1 3/16in", "is not more than zero"),
        ("0mm", "is not more than zero"),
        ("0/16in", "is not more than zero"),
        ("nan", "'nan' is not a length"),
        ("nan mm", "is not a length; write it like 4.8mm, 0.19in or 3/16in."),
        ("inf mm", "is not a length"),
        ("infinity mm", "is not a length"),
        ("", "'' is not a length"),
        ("mm", "is not a length"),
        ("four mm", "is not a length"),
        ("1/0in", "divides by zero"),
        ("1e9mm", "is more than 10 m; check the number and its unit"),
        ("1e999mm", "is no sensible length"),
        ("1e-9mm", "is less than 10 nm"),
        ("11 m", "is more than 10 m"),
        ("4.8 furlong", "has the unknown unit 'furlong'; use mm, cm, um, in"),
        ("4.8 kg", "has the unknown unit 'kg'"),
        ("4 mm mm", "has the unknown unit 'mm mm'"),
        ("1,250 mm", "may mean two things; write 1.250mm or 1250mm."),
        ("1,250.5 mm", "is not a length"),
        ("3/16/4 in", "is not a length"),
        ("4²mm", "is not a length"),
        ("1 in 3", "is not a length"),
        ("9" * 500 + "mm", "is too long for a length"),
        ("14ga", "'14ga' is a sheet thickness, not a length"),
        ("__import__('os')mm", "is not a length"),
    ],
)
def test_refused(text: str, words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)) as caught:
        parse_length(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2ga", "is no steel sheet gauge known here (7, 8"),
        ("14.5ga", "is no steel sheet gauge"),
        ("-14ga", "is no steel sheet gauge"),
        ("13ga stainless", "is no stainless sheet gauge known here (10, 11"),
        ("14ga brass", "names the unknown sheet 'brass'"),
    ],
)
def test_refused_gauges(text: str, words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        parse_length(text, thickness=True)


@given(st.text(max_size=70))
def test_any_text_is_a_length_or_an_input_error(text: str) -> None:
    try:
        mm = parse_length(text, thickness=True)
    except InputError:
        return
    assert 0 < mm <= 10_000


@given(st.floats(0.001, 9000), st.sampled_from(["mm", "in"]))
def test_what_is_written_can_be_read(mm: float, unit: str) -> None:
    text = format_length(mm, "in" if unit == "in" else "mm", u=mm / 1000)
    if float(text.split()[0]) > 0 and mm < 9000:
        assert parse_length(text) == pytest.approx(mm, rel=0.001, abs=0.0002)


@pytest.mark.parametrize(
    ("mm", "unit", "u", "text"),
    [
        (4.8312, "mm", None, "4.83 mm"),
        (4.8312, "in", None, "0.190 in"),
        # Two significant digits of the uncertainty (JCGM 100, 7.2.6).
        (4.8312, "mm", 0.021, "4.831 mm"),
        (4.8312, "mm", 0.21, "4.83 mm"),
        (4.8312, "mm", 2.1, "4.8 mm"),
        (4.8312, "mm", 21.0, "5 mm"),
        (4.8312, "in", 0.021, "0.19020 in"),  # u = 0.00083 in
        (4.8312, "mm", 1e-9, "4.8312 mm"),
        (4.8312, "mm", 0.0, "4.83 mm"),
        (4.8312, "mm", float("nan"), "4.83 mm"),
        (-0.001, "mm", None, "0.00 mm"),
        (25.4, "in", None, "1.000 in"),
    ],
)
def test_written_with_as_many_digits_as_are_known(mm: float, unit: str, u: float | None, text: str) -> None:
    assert format_length(mm, "in" if unit == "in" else "mm", u) == text


@pytest.mark.parametrize(
    ("text", "point"),
    [("812,344", (812.0, 344.0)), (" 812.5 , 344.25 ", (812.5, 344.25)), ("-3,.5", (-3.0, 0.5))],
)
def test_pixel_points(text: str, point: tuple[float, float]) -> None:
    assert parse_pixel_point(text) == point


@pytest.mark.parametrize("text", ["", "812", "812;344", "1,2,3", "nan,1", "1,inf", "a,b", "1e3,2", "812,5,344"])
def test_refused_pixel_points(text: str) -> None:
    with pytest.raises(
        InputError, match=r"is not a point; write x,y in pixels with decimal points, like 812,344\.5\."
    ):
        parse_pixel_point(text)


def test_millimetres_and_inches_do_not_wait_for_the_units_library() -> None:
    code = (
        "import sys; from macrocheck.units import parse_length; parse_length('4.8mm'); parse_length('3/16in'); "
        "assert 'pint' not in sys.modules; parse_length('1ft'); assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True)
