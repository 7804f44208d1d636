"""Sections with values anyone can check on paper."""

from macrocheck.render.section import DepthShape, Section, SectionSpec, WeldSpec, build_section

UNFUSED = DepthShape(depth=0.0, wobble=0.0)


def flat_fillet(
    leg_butting: float = 5.0,
    leg_nonbutting: float = 5.0,
    *,
    psi: float = 90.0,
    thickness: float = 8.0,
    depth: DepthShape = UNFUSED,
    gap: float = 0.0,
    **weld: object,
) -> Section:
    """A tee with one flat-faced weld, by default without any fusion."""
    options = {"convexity": 0.0, "ripple": 0.0, "haz_butting": 0.0, "haz_nonbutting": 0.0, **weld}
    spec = WeldSpec(leg_butting, leg_nonbutting, depth, depth, **options)  # type: ignore[arg-type]  # plain knobs
    return build_section(SectionSpec("tee", psi, thickness, thickness, (spec,), gap=gap, reach=20.0, overhang=10.0))


def number(value: object) -> float:
    """The value as a number; fails the test where it is none."""
    assert isinstance(value, float), value
    return value
