"""The stated uncertainty holds: outlines simulated with known errors against the outline without.

The errors are drawn by `boundary_noise`, apart from the code under test: full covariance matrix, real cutting of
the face at the surface. Three shapes, each seen `SEEN` times; limits leave room for that small number.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.measure import measure, measure_weld
from macrocheck.measure.summary import vague
from macrocheck.outline import Outline, WeldOutline
from macrocheck.results import Quantity
from macrocheck.scale import Scale
from tests.measure import weld_shapes as shapes
from tests.measure.boundary_noise import seen

SEEN = 36
SCALE = Scale(1 / shapes.PX_PER_MM, 0.002, "stated")


def with_cold_ends() -> WeldOutline:
    """Unfused at the nonbutting root and toe and at the butting toe."""
    face, _ = shapes.sound_curves(bulge=0.4, n=60)
    x, y = np.linspace(6.3, 1.5, 60), np.linspace(0, 4, 50)
    low = np.column_stack([x, -1.2 * np.sin(np.pi * (x - 1.5) / 4.8)])
    high = np.column_stack([-0.8 * np.sin(np.pi * y / 4), y])
    return shapes.weld(face, np.vstack([[(7, 0)], low, [(0, 0)], high[1:], [(0, 6)]]))


@cache
def errors() -> dict[str, FloatArray]:
    """Quantity -> rows of (error, u, U95)."""
    table: dict[str, list[tuple[float, float, float]]] = {}
    for n, shape in enumerate(
        (shapes.sound(n=80), shapes.sound(n=80, pen=0.3, bulge=-0.5, psi=110.0), with_cold_ends())
    ):
        rng = np.random.default_rng([11, n])
        true = measure_weld(shape, SCALE, draws=20)
        for k in range(SEEN):
            outline, scale = seen(rng, shape, SCALE)
            found = measure_weld(outline, scale, draws=80, seed=1000 * n + k)
            for key, quantity in found.quantities.items():
                expected = true.quantities[key].value
                if isinstance(quantity.value, float) and isinstance(expected, float):
                    assert quantity.u is not None
                    assert quantity.U95 is not None
                    table.setdefault(key, []).append((quantity.value - expected, quantity.u, quantity.U95))
    return {key: np.array(rows) for key, rows in table.items()}


@pytest.mark.parametrize(
    "key",
    [
        "leg_butting", "leg_nonbutting", "leg_difference", "size", "theoretical_throat", "actual_throat",
        "effective_throat", "face_width", "toe_angle_butting", "toe_angle_nonbutting", "depth_of_fusion_butting",
        "depth_of_fusion_nonbutting", "root_penetration", "unfused_butting", "unfused_nonbutting",
        "fused_fraction_butting", "fused_fraction_nonbutting", "weld_area", "fill_area", "melted_area_butting",
        "melted_area_nonbutting", "dilution", "dihedral_angle",
    ],
)  # fmt: skip
def test_error_over_u_is_about_one_and_its_interval_covers(key: str) -> None:
    error, u, U95 = errors()[key].T
    # Toe angles allow for a corner rounded by the picture's blur, which is not simulated here.
    assert (0.2 if key.startswith("toe_angle") else 0.75) < np.sqrt(np.mean((error / u) ** 2)) < 1.3
    # The claim is 93 to 98 %; three binomial standard deviations of 108 cases under 93 % are 86 %.
    assert np.mean(np.abs(error) <= U95) >= 0.86


def test_one_sided_quantities_are_covered_at_zero() -> None:
    """Convexity of a hollow face, shortfall of a fused root: the value is held to within U95, and u is not zero."""
    for key in ("convexity", "concavity", "root_shortfall", "overlap_butting", "overlap_nonbutting"):
        error, u, U95 = errors()[key].T
        assert np.all(u > 0)
        assert np.mean(np.abs(error) <= U95) >= 0.9


def test_u_grows_with_the_boundary_noise_and_with_the_scale() -> None:
    scale = Scale(1 / 40, 0.0, "stated")
    quiet, loud = (measure_weld(shapes.sound(n=80, u=u, u_line=0.0), scale) for u in (0.4, 1.6))
    for key in ("actual_throat", "depth_of_fusion_nonbutting", "root_penetration", "weld_area"):
        assert (loud.quantities[key].u or 0) > 2 * (quiet.quantities[key].u or 1)
    exact = shapes.sound(n=80, u=0.0, u_line=0.0)
    by_scale = measure_weld(exact, Scale(1 / 40, 0.01, "stated"), draws=400).quantities
    assert by_scale["leg_nonbutting"].u == pytest.approx(0.07, rel=0.15)
    assert by_scale["weld_area"].u == pytest.approx(0.02 * (by_scale["weld_area"].value or 0), rel=0.15)  # type: ignore[operator]


def test_a_flat_toe_moves_farther_than_a_steep_one() -> None:
    """A toe is where face and surface meet: at 20 degrees the leg errs 1 / sin 20 times the boundary."""
    height = 6 * np.tan(np.deg2rad(20))
    flat = shapes.triangle(height, 6, u_line=0.0)
    found = measure_weld(flat, Scale(1 / 40, 0.0, "stated"), draws=400)
    assert found.quantities["leg_nonbutting"].u == pytest.approx(0.8 / 40 / np.sin(np.deg2rad(20)), rel=0.2)
    assert found.quantities["leg_butting"].u == pytest.approx(0.8 / 40 / np.cos(np.deg2rad(20)), rel=0.2)


def test_a_length_that_is_too_unsure_is_withheld_with_what_follows_from_it() -> None:
    """Off by 1 mm or more, and by a quarter of itself, either way says nothing; a hand-made outline stands."""
    scale = Scale(1 / 40, 0.0, "stated")
    blind = shapes.sound(n=80, u=12.0, u_line=0.0)
    (seen,) = measure(Outline(900, 700, (blind,)), scale)
    found = seen.quantities
    assert found["unfused_nonbutting"].value is None
    assert "too unsure" in (found["unfused_nonbutting"].reason or "")
    assert found["unfused_spans_nonbutting"].value is None
    assert found["fused_fraction_nonbutting"].value is None
    assert found["weld_area"].value is not None  # no length
    (seen,) = measure(Outline(900, 700, (blind,), "found with hints"), scale)
    stated = seen.quantities
    assert stated["unfused_nonbutting"].value is not None
    assert stated["unfused_spans_nonbutting"].value is not None


def test_an_unsure_length_that_is_known_to_a_quarter_of_itself_is_stated() -> None:
    for U95, stated in ((0.9, True), (1.1, False)):
        assert (vague(Quantity(0.2, U95 / 2, U95, "mm")) is None) is stated
    for U95, stated in ((2.4, True), (2.6, False)):
        assert (vague(Quantity(10.0, U95 / 2, U95, "mm")) is None) is stated
        assert (vague(Quantity((12.0, 10.0), U95 / 2, U95, "mm")) is None) is stated
    assert vague(Quantity(90.0, 10.0, 20.0, "degree")) is None
    assert vague(Quantity(None, None, None, "mm", "the toe lies outside the picture")) is None


def test_an_overlaps_uncertainty_holds_that_of_the_angle_that_makes_it_count() -> None:
    """The last 1.5 mm lie unfused; the face meets the plate close to 90 degrees, or far from it."""
    fusion = [(6, 0), (4.5, 0), (4.4, -1), (0.1, -1), (-0.2, 0), (-0.5, 2), (0, 6)]

    def overlap(lean: float) -> Quantity:
        face = [(0, 6), (5.0, 4.0), (6 + lean, 2), (6, 0)]
        return shapes.measured(shapes.weld(face, fusion)).quantities["overlap_nonbutting"]

    near, clear = overlap(-0.05), overlap(-1.5)
    assert near.value is None
    assert near.reason is not None
    assert near.reason.startswith("too unsure, 0.0 ± 4.")
    assert clear.value == 0.0
    assert clear.u is not None
    assert clear.u < 0.2


def test_an_unfused_stretch_errs_with_the_surface_that_it_lies_on() -> None:
    """3 mm unfused on a surface whose direction is unsure by 0.05 rad, its toe end by 0.15 mm."""
    weld = shapes.triangle(u=0.1)
    assert weld.surface_butting is not None
    assert weld.joint_root is not None
    unsure = replace(weld.surface_butting, point=weld.joint_root, u_angle=0.05)
    found = shapes.measured(replace(weld, surface_butting=unsure)).quantities
    unfused, leg, depth = (found[k].u for k in ("unfused_butting", "leg_butting", "depth_of_fusion_butting"))
    assert unfused is not None
    assert depth is not None
    # The leg as a whole stays unfused: it errs with the toe alone.
    assert unfused == pytest.approx(leg, rel=0.01)
    assert depth < 0.02
