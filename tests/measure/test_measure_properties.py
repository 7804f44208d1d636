"""Properties that hold for any weld."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from macrocheck.measure import measure_weld
from macrocheck.results import Measurements
from tests.measure import weld_shapes as shapes
from tests.measure.weld_shapes import measured, value

WELDS = st.fixed_dictionaries(
    {
        "pen": st.floats(0.05, 1.2),
        "bulge": st.floats(-0.9, 0.9),
        "psi": st.floats(65, 130),
    }
)
QUICK = settings(max_examples=8, deadline=None)


def numbers(found: Measurements) -> dict[str, float]:
    return {k: q.value for k, q in found.quantities.items() if isinstance(q.value, float)}


@QUICK
@given(WELDS, st.floats(0, 360), st.booleans(), st.floats(15, 90))
def test_turning_mirroring_and_scaling_the_picture_changes_nothing(
    weld: dict[str, float], angle: float, mirrored: bool, px_per_mm: float
) -> None:
    plain = numbers(measured(shapes.sound(n=80, **weld)))
    view = shapes.View(px_per_mm=px_per_mm, angle=angle, mirrored=mirrored)
    # The same millimetres of doubt, so the root is read at the same distance.
    turned = shapes.sound(n=80, view=view, u=0.02 * px_per_mm, **weld)
    for key, number in numbers(measured(turned, view)).items():
        assert abs(number - plain[key]) < 1e-5 + 1e-6 * abs(plain[key]), key


@QUICK
@given(WELDS, st.floats(1.0, 2.5))
def test_thicker_penetration_never_shrinks_the_depth(weld: dict[str, float], factor: float) -> None:
    face, fusion = shapes.sound_curves(n=80, **weld)
    deeper = np.where(fusion[:, 1:] < 0, fusion * [1.0, factor], fusion)
    before = measured(shapes.weld(face, fusion, psi=weld["psi"]))
    after = measured(shapes.weld(face, deeper, psi=weld["psi"]))
    for key in ("depth_of_fusion_nonbutting", "melted_area_nonbutting", "fused_fraction_nonbutting"):
        assert value(after, key) >= value(before, key) - 1e-9
    assert value(after, "unfused_nonbutting") <= value(before, "unfused_nonbutting") + 1e-9


@QUICK
@given(WELDS)
def test_the_parts_make_the_whole(weld: dict[str, float]) -> None:
    found = numbers(measured(shapes.sound(n=80, **weld)))
    parts = found["fill_area"] + found["melted_area_butting"] + found["melted_area_nonbutting"]
    assert abs(parts - found["weld_area"]) < 1e-9
    assert found["size"] <= min(found["leg_butting"], found["leg_nonbutting"]) + 1e-9
    assert found["theoretical_throat"] <= found["actual_throat"] + 1e-6


@QUICK
@given(WELDS)
def test_the_unequal_triangle_is_never_smaller_than_the_isosceles_one(weld: dict[str, float]) -> None:
    found = measured(shapes.sound(n=80, **weld))
    legs = found.quantities["size_unequal"].value
    assert isinstance(legs, tuple)
    b, n = (float(v) for v in legs if not isinstance(v, tuple))
    assert b * n >= value(found, "size") ** 2 * (1 - 2e-3)


def test_same_seed_same_result() -> None:
    weld, scale = shapes.sound(n=80), shapes.View().scale
    first, again, other = (measure_weld(weld, scale, draws=50, seed=s) for s in (7, 7, 8))
    assert first.quantities == again.quantities
    assert numbers(first) == numbers(other)
    assert first.quantities["leg_butting"].u != other.quantities["leg_butting"].u
