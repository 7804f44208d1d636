"""Relations against certified and published fits, and what they say where they should not be trusted."""

import math
from collections.abc import Sequence

import numpy as np
import pytest

from macrocheck.errors import InputError
from macrocheck.study.data import Coupon
from macrocheck.study.relate import relate
from tests.study.make import Noted, coupon
from tests.study.published import NORRIS, STACK_LOSS

LEGS = (
    (4, ((250, 27, 50), (330, 29, 100), (350, 31, 105))),
    (5, ((270, 29, 50), (330, 30, 90), (370, 33, 90))),
    (6, ((270, 29, 45), (330, 31, 80), (380, 34, 80))),
    (7, ((280, 30, 40), (350, 32, 50), (380, 34, 65))),
    (8, ((300, 31, 30), (350, 33, 45), (380, 34, 52))),
    (9, ((320, 32, 30), (350, 34, 40), (380, 34, 40))),
)
"""A maker's recommended conditions, CO2 flux-cored wire, horizontal fillet: leg in mm, then A, V, cm/min for wires
of 1.2, 1.4 and 1.6 mm (read in the welding machine's manual; conditions, not measurements)."""


def coupons(rows: Sequence[tuple[Noted, float]]) -> list[Coupon]:
    return [coupon(f"c{i}", settings, [y]) for i, (settings, y) in enumerate(rows)]


def arc(rng: np.random.Generator, count: int, k: float, scatter: float) -> list[Coupon]:
    made = []
    for i in range(count):
        amps, volts, speed = rng.uniform(150, 250), rng.uniform(20, 30), rng.uniform(250, 500)
        y = k * (amps**4 / (speed * volts**2)) ** (1 / 3) * math.exp(scatter * rng.standard_normal())
        made.append(coupon(f"c{i}", {"amps": amps, "volts": volts, "travel_speed": speed}, [y]))
    return made


def test_straight_line_as_certified() -> None:
    # NIST Statistical Reference Datasets, Norris: certified values (read in public copies)
    found = relate(coupons([({"amps": x}, y) for y, x in NORRIS]), x=["amps"], y="size", forms=["straight"]).fits[0]
    constant, slope = found.coefficients
    assert constant.value == pytest.approx(-0.262323073774029, abs=1e-10)
    assert slope.value == pytest.approx(1.00211681802045, abs=1e-12)
    assert constant.u == pytest.approx(0.232818234301152, abs=1e-10)
    assert slope.u == pytest.approx(0.429796848199937e-3, abs=1e-13)
    assert found.residual_sd == pytest.approx(0.884796396144373, abs=1e-10)
    assert found.r2 == pytest.approx(0.999993745883712, abs=1e-13)
    assert found.df == 34


def test_legs_against_heat_input() -> None:
    # from the same rows elsewhere: leg^2 = 46.1397 Q - 10.3457, r .96370; leg = 5.8410 Q^.65317 (computed)
    rows = [(leg, 0.06 * a * v / (10 * s)) for leg, settings in LEGS for a, v, s in settings]
    squares = relate(coupons([({"heat_input": q}, leg**2.0) for leg, q in rows]), x=["heat_input"], y="size")
    straight = squares.fit("straight")
    assert straight is not None
    assert straight.coefficients[0].value == pytest.approx(-10.3457, abs=5e-5)
    assert straight.coefficients[1].value == pytest.approx(46.1397, abs=5e-5)
    assert math.sqrt(straight.r2) == pytest.approx(0.96370, abs=5e-6)
    power = relate(coupons([({"heat_input": q}, leg) for leg, q in rows]), x=["heat_input"], y="size").fit("power")
    assert power is not None
    assert power.coefficients[0].value == pytest.approx(5.8410, abs=5e-5)
    assert power.coefficients[1].value == pytest.approx(0.65317, abs=5e-6)


def test_the_arc_relations_exponents() -> None:
    # P = K (I^4 / (S V^2))^(1/3): current x 2 gives P x 2.520, speed x 2 0.794, volts x 2 0.630 (Jackson and
    # Shrubsall 1953, the form from memory; factors computed)
    at = {"amps": 150.0, "volts": 20.0, "travel_speed": 250.0}
    places = [at, *({**at, name: 2 * value} for name, value in at.items())]
    found = relate(
        arc(np.random.default_rng(1), 12, 0.11, 0.0), x=["amps"], y="size", forms=["arc"], places=places
    ).fits[0]
    assert found.coefficients[0].value == pytest.approx(0.11)
    first, current, volts, speed = (p.y for p in found.predictions)
    assert current / first == pytest.approx(2.520, abs=5e-4)
    assert volts / first == pytest.approx(0.630, abs=5e-4)
    assert speed / first == pytest.approx(0.794, abs=5e-4)


def test_arc_constant_and_whether_its_exponents_are_the_coupons_own() -> None:
    found = relate(arc(np.random.default_rng(2), 40, 0.11, 0.08), x=["amps"], y="size")
    fit = found.fit("arc")
    assert fit is not None
    assert fit.coefficients[0].interval.holds(0.11)
    assert fit.residual_relative == pytest.approx(0.08, rel=0.3)
    assert any("agree within chance" in note for note in fit.notes)
    assert found.best == "arc"
    rng = np.random.default_rng(3)
    other = [
        coupon(f"c{i}", {"amps": a, "volts": v, "travel_speed": s}, [1e-4 * a**0.5 * s**0.7 / v])
        for i, (a, v, s) in enumerate(rng.uniform((150, 20, 250), (250, 30, 500), (20, 3)))
    ]
    fit = relate(other, x=["amps"], y="size", forms=["arc"]).fits[0]
    assert any("differ more than chance" in note for note in fit.notes)


def test_power_law_is_found_and_preferred() -> None:
    rng = np.random.default_rng(4)
    rows = [({"amps": a}, 1e-3 * a**1.5 * math.exp(0.02 * rng.standard_normal())) for a in np.linspace(60, 300, 16)]
    found = relate(coupons(rows), x=["amps"], y="size")
    power, straight = found.fit("power"), found.fit("straight")
    assert power is not None
    assert straight is not None
    assert power.coefficients[1].interval.holds(1.5)
    assert found.best == "power"
    assert any("bend away" in note for note in straight.notes)
    assert not any("bend away" in note for note in power.notes)
    assert dict(found.refused)["arc"] == "needs amps, volts and travel_speed noted on the same coupons"


def test_bands_end_with_the_data_and_predictions_beyond_say_so() -> None:
    rows = [({"amps": a}, 0.01 * a + 0.1 * (-1) ** i) for i, a in enumerate((150.0, 165.0, 180.0, 195.0, 210.0))]
    found = relate(coupons(rows), x=["amps"], y="size", places=[{"amps": 210.0}, {"amps": 211.0}, {"amps": 100.0}])
    for fit in found.fits:
        assert fit.band is not None
        assert (min(fit.band.x), max(fit.band.x)) == (150.0, 210.0)
        for low, mid, high in zip(fit.band.prediction_low, fit.band.y, fit.band.prediction_high, strict=True):
            assert low < mid < high
        inside, over, under = fit.predictions
        assert inside.beyond is None
        assert over.beyond is not None
        assert under.beyond is not None
        assert "beyond the coupons' 150 to 210" in over.beyond


def test_a_combination_that_nobody_welded() -> None:
    # amps and volts rise together; each is within its own range, the two together are not
    rng = np.random.default_rng(5)
    rows = []
    for i in range(12):
        amps, volts = 150.0 + 8 * i, 20.0 + 0.8 * i + 0.2 * rng.standard_normal()
        rows.append(({"amps": amps, "volts": volts}, 0.01 * amps + 0.1 * rng.standard_normal()))
    found = relate(
        coupons(rows), x=["amps", "volts"], y="size", forms=["straight"],
        places=[{"amps": 190.0, "volts": 24.0}, {"amps": 155.0, "volts": 28.0}],
    )  # fmt: skip
    near, far = found.fits[0].predictions
    assert near.beyond is None
    assert far.beyond is not None
    assert "near this combination" in far.beyond
    assert found.fits[0].band is None


def test_partial_shares_as_published() -> None:
    # Brownlee's stack loss: coefficients .7156, 1.2953, -.1521; t 5.307, 3.520, -.973; R2 .9136 (R, lm; memory);
    # partial R2 = t^2 / (t^2 + 17)
    rows = [({"air": a, "water": w, "acid": c}, y) for a, w, c, y in STACK_LOSS]
    found = relate(coupons(rows), x=["air", "water", "acid"], y="size", forms=["straight"])
    assert found.r2_all == pytest.approx(0.9136, abs=5e-5)
    for e, slope, t in zip(found.explained, (0.7156, 1.2953, -0.1521), (5.307, 3.520, -0.973), strict=True):
        assert e.slope == pytest.approx(slope, abs=5e-5)
        assert e.partial_r2 == pytest.approx(t**2 / (t**2 + 17), abs=2e-4)
    values = [c.value for c in found.fits[0].coefficients]
    assert values == pytest.approx([-39.9197, 0.7156, 1.2953, -0.1521], abs=5e-5)


def test_settings_of_words_take_part() -> None:
    rng = np.random.default_rng(6)
    rows: list[tuple[Noted, float]] = []
    for i in range(24):
        gas, amps = ("co2" if i % 2 else "ar 82 co2 18"), float(150 + 5 * (i // 2))
        rows.append(
            (
                {"amps": amps, "gas": gas.upper() if i % 3 else gas},
                0.01 * amps + 0.3 * (i % 2) + 0.05 * rng.standard_normal(),
            )
        )
    found = relate(
        coupons(rows), x=["amps", "gas"], y="size", forms=["straight"], places=[{"amps": 180.0, "gas": "co2"}]
    )
    current, shield = found.explained
    assert current.slope == pytest.approx(0.01, rel=0.2)
    assert shield.slope is None
    assert shield.partial_r2 is not None
    assert shield.partial_r2 > 0.8
    assert found.fits[0].predictions[0].y == pytest.approx(2.1, abs=0.1)
    with pytest.raises(InputError, match="No coupon has gas 'helium'; there are ar 82 co2 18 and co2"):
        relate(coupons(rows), x=["amps", "gas"], y="size", places=[{"amps": 180.0, "gas": "helium"}])
    with pytest.raises(InputError, match="noted in words, not numbers; use macrocheck compare --by gas"):
        relate(coupons(rows), x=["gas"], y="size")


def test_settings_that_moved_together_are_not_told_apart() -> None:
    rng = np.random.default_rng(7)
    near = [({"amps": a, "volts": 0.1 * a + 0.2 * rng.standard_normal()}, 0.01 * a + 0.1 * rng.standard_normal())
            for a in np.linspace(150, 220, 15)]  # fmt: skip
    found = relate(coupons(near), x=["amps", "volts"], y="size", forms=["straight"])
    assert [e.tied_to for e in found.explained] == [("volts",), ("amps",)]
    exact = [({"amps": a, "volts": 0.1 * a}, 0.01 * a) for a in np.linspace(150, 220, 15)]
    found = relate(coupons(exact), x=["amps", "volts"], y="size")
    assert [e.partial_r2 for e in found.explained] == [None, None]
    assert dict(found.refused)["straight"] == "some of its settings always moved together"
    assert found.fits == ()


def test_zeros_are_left_out_of_logarithms_and_said() -> None:
    rows = [({"amps": a}, max(0.0, 0.02 * (a - 160))) for a in (150.0, 155.0, 170.0, 180.0, 190.0, 200.0)]
    found = relate(coupons(rows), x=["amps"], y="size")
    straight, power = found.fit("straight"), found.fit("power")
    assert straight is not None
    assert power is not None
    assert (straight.n_coupons, power.n_coupons) == (6, 4)
    assert any("2 coupons with 0 or less" in note for note in power.notes)
    assert found.best == "straight"  # the other does not rest on all coupons


def test_too_little_to_fit() -> None:
    rows = [({"amps": a}, 1.0) for a in (150.0, 160.0)]
    with pytest.raises(
        InputError, match="A relation needs 3 coupons at the least with amps and size; of 2 there are 2"
    ):
        relate(coupons(rows), x=["amps"], y="size")
    same = [({"amps": 150.0}, y) for y in (1.0, 1.1, 1.2, 1.3)]
    found = relate(coupons(same), x=["amps"], y="size")
    assert dict(found.refused)["straight"] == "amps never changes"
    assert (found.fits, found.best) == ((), None)
    two = [({"amps": a}, y) for a, y in ((150.0, 1.0), (150.0, 1.1), (200.0, 1.5), (200.0, 1.6))]
    assert any("whether the relation bends" in n for n in relate(coupons(two), x=["amps"], y="size").fits[0].notes)


def test_left_out_coupons_are_named_with_the_reason() -> None:
    rows = [({"amps": a}, 0.01 * a) for a in (150.0, 160.0, 170.0)]
    more = [
        coupon("none", {"amps": 180.0}, [None]),
        coupon("bare", {}, [1.0]),
        coupon("words", {"amps": "hot"}, [1.0]),
    ]
    found = relate([*coupons(rows), *more], x=["amps"], y="size")
    assert found.left_out == (("none", "no size"), ("bare", "amps not noted"), ("words", "amps is words"))


def test_sections_of_a_coupon_are_one_point() -> None:
    made = [
        coupon(f"c{i}", {"amps": a}, [0.01 * a - 0.2, 0.01 * a + 0.2]) for i, a in enumerate((150.0, 180.0, 210.0))
    ]
    found = relate(made, x=["amps"], y="size").fits[0]
    assert (found.n_coupons, found.df) == (3, 1)
    assert found.residual_sd == pytest.approx(0.0, abs=1e-12)


def test_a_setting_read_roughly_flattens_the_line_and_is_said() -> None:
    from dataclasses import replace

    rows = coupons([({"amps": a}, 0.01 * a) for a in (150.0, 155.0, 160.0, 165.0)])
    rough = [replace(c, settings={"amps": replace(c.settings["amps"], u=3.0)}) for c in rows]
    notes = relate(rough, x=["amps"], y="size", forms=["straight"]).fits[0].notes
    # 9 over the variance of 150, 155, 160, 165 (41.7): 22 %
    assert any("about 22 % too flat" in note for note in notes)


def test_units_that_differ_are_refused() -> None:
    from macrocheck.study.data import Measure, NotedSetting, Section

    def one(name: str, unit: str) -> Coupon:
        section = Section("S", None, None, None, name, 1, {(1, "size"): Measure(5.0, 0.1, 0.2)})
        return Coupon(name, None, {"preheat": NotedSetting("100", 100.0, None, unit)}, (section,))

    with pytest.raises(InputError, match="preheat is noted in different units \\(C and F\\)"):
        relate([one("a", "C"), one("b", "F"), one("c", "C")], x=["preheat"], y="size")
