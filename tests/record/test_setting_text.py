"""Settings as people write them."""

import math

import pytest

from macrocheck.errors import InputError
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import KINDS, kind_named


@pytest.mark.parametrize(
    ("name", "text", "unit", "expected"),
    [
        ("volts", "22.5", None, 22.5),
        ("Voltage", "22,5 V", None, 22.5),
        ("amps", "180 A", None, 180),
        ("WFS", "300 ipm", None, 7.62),
        ("wire feed speed", "300", "in/min", 7.62),
        ("wire-feed", "300 inches per minute", None, 7.62),
        ("wfs", "7,62 m/min", "in/min", 7.62),  # the cell goes before the heading
        ("travel", "15 in/min", None, 381),
        ("travel speed", "6.35 mm/s", None, 381),
        ("travel speed", "38.1 cm/min", None, 381),
        ("travel speed", "150 mm / 22 s", None, 150 / 22 * 60),
        ("wire size", ".035", "in", 0.889),
        ("wire diameter", "1/16 in", None, 1.5875),
        ("stickout", "5/8 in", None, 15.875),
        ("thickness butting", "11ga", None, 0.1196 * 25.4),  # industrialequipmentspecs.com (read)
        ("thickness butting", "1/4", "in", 6.35),
        ("gas flow", "35 cfh", None, 35 * 28.316846592 / 60),
        ("deposition efficiency", "95%", None, 0.95),
        ("deposition efficiency", "0.95", "", 0.95),
        ("passes", "3", None, 3),
        ("work angle", "-45°", None, -45),
    ],
)
def test_one_number(name: str, text: str, unit: str | None, expected: float) -> None:
    found = read_setting(kind_named(name), text, unit)
    assert found.value == pytest.approx(expected)
    assert found.text == text
    assert found.u is None


@pytest.mark.parametrize("text", ["22-23", "22 – 23 V", "22 V - 23 V", "22 to 23", "22..23", "22,0-23,0"])
def test_a_range_is_rectangular(text: str) -> None:
    found = read_setting(kind_named("volts"), text)
    assert (found.value, found.low, found.high) == (22.5, 22, 23)
    assert found.u == pytest.approx(0.5 / math.sqrt(3))  # JCGM 100:2008, 4.3.7


def test_a_range_of_lengths() -> None:
    found = read_setting(kind_named("stickout"), "1/2 - 5/8 in")
    assert found.low == pytest.approx(12.7)
    assert found.high == pytest.approx(15.875)
    assert read_setting(kind_named("stickout"), "1 1/8 in").value == pytest.approx(28.575)  # no range


def test_readings_keep_their_spread() -> None:
    found = read_setting(kind_named("wfs"), "94 in / 15 s; 96 in / 15 s; 98 in in 15 s")
    feeds = [n * 0.0254 * 4 for n in (94, 96, 98)]
    assert found.value == pytest.approx(feeds[1])
    assert found.low == pytest.approx(feeds[0])
    assert found.high == pytest.approx(feeds[2])
    assert found.u == pytest.approx((feeds[2] - feeds[1]) / math.sqrt(3))  # s / sqrt(n), JCGM 100:2008, 4.2.3


@pytest.mark.parametrize(
    ("name", "text", "part"),
    [
        ("wfs", "300", "has no unit"),
        ("wfs", "300 rpm", "unknown unit 'rpm'"),
        ("wfs", "94 in / 0 s", "takes no time"),
        ("wfs", "94 in / 15 parsec", "unknown time"),
        ("wfs", "94 / 15 s", "no unit"),
        ("wfs", "1,200 mm/min", "may mean two things"),
        ("volts", "warm", "is not a number"),
        ("volts", "23-22", "ends before it begins"),
        ("volts", "0", "not more than zero"),
        ("volts", "-5", "not more than zero"),
        ("volts", "2250", "more than can be meant"),
        ("volts", "1e999", "not a number that can be used"),
        ("amps", ";", "says nothing"),
        ("deposition efficiency", "95", "unit|meant"),
        ("passes", "1.5", "whole number"),
        ("wire size", "0.9", "has no unit"),
        ("wire size", "9 furlongs", "unknown unit"),
        ("stickout", "5/8-1/2 in", "ends before it begins"),
        ("note", "x" * 3000, "longer than"),
    ],
)
def test_faults_are_sentences(name: str, text: str, part: str) -> None:
    with pytest.raises(InputError, match=part) as raised:
        read_setting(kind_named(name), text)
    assert str(raised.value).startswith(kind_named(name).name)
    assert str(raised.value).endswith(".")


def test_a_column_of_ones_own_is_kept() -> None:
    found = read_setting(kind_named("Tip bore"), "1,2", "mm")
    assert (found.name, found.text, found.value, found.unit) == ("Tip bore", "1,2", 1.2, "mm")
    assert read_setting(kind_named("Tip bore"), "=1+1").value is None


def test_names_are_all_different() -> None:
    words = [w for k in KINDS for w in {k.name, *k.also}]
    assert len(words) == len(set(words))
