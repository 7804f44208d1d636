"""Coupons for the pure functions, without a record."""

from collections.abc import Mapping, Sequence

from macrocheck.results import VerdictWord
from macrocheck.study.data import Coupon, Measure, NotedSetting, Section

Noted = Mapping[str, float | str]
UNITS = {"amps": "A", "volts": "V", "travel_speed": "mm/min", "wire_diameter": "mm", "heat_input": "kJ/mm"}


def noted(settings: Noted) -> dict[str, NotedSetting]:
    return {
        name: NotedSetting(value, None, None, "")
        if isinstance(value, str)
        else NotedSetting(f"{value:g}", value, None, UNITS.get(name, ""))
        for name, value in settings.items()
    }


def coupon(
    name: str,
    settings: Noted,
    values: Sequence[float | None],
    *,
    quantity: str = "size",
    u: float | None = 0.05,
    words: Sequence[VerdictWord | None] = (),
    at_least: float | None = None,
) -> Coupon:
    """Return a coupon with one section for each value (None: the section has none)."""
    sections = []
    for i, value in enumerate(values):
        word = words[i] if words else None
        known = None if value is None else u
        u95 = None if known is None else 2 * known
        measure = Measure(value, known, u95, word, at_least)
        limits = None if word is None else "bench"
        sections.append(Section(f"S{i + 1}", word, limits, None, f"{name}{i}", i + 1, {(1, quantity): measure}))
    return Coupon(name, "trial", noted(settings), tuple(sections))
