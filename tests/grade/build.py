"""Hand-made measurements for the grading tests."""

from macrocheck.quantities import BY_KEY
from macrocheck.results import Measurements, Quantity


def quantity(
    value: float | None, U95: float = 0.0, *, key: str = "leg_butting", reason: str | None = None
) -> Quantity:
    """Return one quantity; `u` is half of `U95`, or None with the reason."""
    unit = BY_KEY[key].unit
    if value is None:
        return Quantity(None, None, None, unit, reason or "the toe lies outside the picture")
    return Quantity(value, U95 / 2, U95, unit)


def measured(**values: float | tuple[float, float] | None) -> Measurements:
    """Return measurements from key=value, key=(value, U95) or key=None (withheld)."""
    pairs = {k: v if isinstance(v, tuple) else (v, 0.0) for k, v in values.items()}
    return Measurements({k: quantity(v, U, key=k) for k, (v, U) in pairs.items()}, {})
