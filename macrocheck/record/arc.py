"""Numbers worked out from the settings, each with its formula; sources and check values in docs/run-and-record.md.

Uncertainty: first order, inputs independent (JCGM 100:2008, 5.1.2); for products the relative ones add in squares.
An input whose `u` nothing says adds nothing; where no input has one, the result has none.
"""

import math
import re
from collections.abc import Mapping, Sequence

from macrocheck.record.settings import Setting
from macrocheck.units import MM_PER_INCH

STEEL_DENSITY = Setting(
    "wire_density", "steel, 7.85 g/cm3 (common practice, no source)", 7.85, unit="g/cm3", origin="assumed"
)

THERMAL_EFFICIENCY: tuple[tuple[str, float], ...] = (
    ("gmaw|mig|mag|smaw|mma|stick", 0.8),
    ("gtaw|tig", 0.6),
    ("saw", 1.0),
)
"""Process words -> k: SAW 1.0; MMA, MIG/MAG 0.8; TIG 0.6 (a steel maker's page on heat input, read)."""

DEPOSITION_EFFICIENCY = (0.88, 0.98)
"""Gas metal arc, globular 88 % to spray 98 % (a wire maker's handbook, read); anything between is as likely."""


def derived(settings: Sequence[Setting]) -> tuple[Setting, ...]:
    """Return what follows from a coupon's settings; what lacks an input is left out."""
    have = {s.name: s for s in settings}
    found: list[Setting] = []

    def add(name: str, unit: str, formula: str, factor: float, powers: Mapping[str, float]) -> None:
        made = _product(name, unit, formula, factor, powers, have)
        if made is not None:
            found.append(made)
            have[name] = made

    found += _assumed(have)
    have |= {s.name: s for s in found}
    add("arc_power", "W", "volts x amps", 1.0, {"volts": 1, "amps": 1})
    add(
        "arc_energy",
        "kJ/mm",
        "0.06 x arc_power / travel_speed",
        0.06,
        {"arc_power": 1, "travel_speed": -1},
    )
    add("heat_input", "kJ/mm", "thermal_efficiency x arc_energy", 1.0, {"arc_energy": 1, "thermal_efficiency": 1})
    add("heat_input_in", "kJ/in", "25.4 x heat_input", MM_PER_INCH, {"heat_input": 1})
    add("wire_area", "mm2", "pi / 4 x wire_diameter^2", math.pi / 4, {"wire_diameter": 2})
    add(
        "melt_off_rate",
        "kg/h",
        "0.06 x wire_area x wire_feed_speed x wire_density",
        0.06,
        {"wire_area": 1, "wire_feed_speed": 1, "wire_density": 1},
    )
    add(
        "deposition_rate",
        "kg/h",
        "deposition_efficiency x melt_off_rate",
        1.0,
        {"melt_off_rate": 1, "deposition_efficiency": 1},
    )
    add(
        "fill_area_expected",
        "mm2",
        "1000 x wire_area x wire_feed_speed x deposition_efficiency x passes / travel_speed",
        1000.0,
        {"wire_area": 1, "wire_feed_speed": 1, "deposition_efficiency": 1, "passes": 1, "travel_speed": -1},
    )
    return tuple(found)


BALANCE_NEEDS = (
    "wire_diameter", "wire_feed_speed", "deposition_efficiency", "passes", "travel_speed", "process",
)  # fmt: skip
"""Settings that the metal balance rests on."""


def metal_balance(
    settings: Sequence[Setting], fill_area: float | None, u_fill_area: float | None
) -> tuple[Setting, ...]:
    """Compare a weld's measured fill area (mm2, standard uncertainty mm2) with the wire that was fed.

    Gives the ratio of measured to expected area where a travel speed was noted, and in any case the travel speed
    that the section implies.
    """
    if fill_area is None or fill_area <= 0:
        return ()
    every = {s.name: s for s in (*settings, *derived(settings))}
    every.setdefault("passes", Setting("passes", "1", 1.0, origin="assumed"))
    every["fill_area"] = Setting("fill_area", "measured", fill_area, u=u_fill_area, unit="mm2")
    made = (
        _product(
            "fill_area_ratio",
            "1",
            "fill_area / fill_area_expected",
            1.0,
            {"fill_area": 1, "fill_area_expected": -1},
            every,
        ),
        _product(
            "implied_travel_speed",
            "mm/min",
            "1000 x wire_area x wire_feed_speed x deposition_efficiency x passes / fill_area",
            1000.0,
            {"wire_area": 1, "wire_feed_speed": 1, "deposition_efficiency": 1, "passes": 1, "fill_area": -1},
            every,
        ),
    )
    return tuple(s for s in made if s is not None)


def _assumed(have: Mapping[str, Setting]) -> list[Setting]:
    made = []
    process = have["process"].text if "process" in have else ""
    words = set(re.findall(r"[a-z]+", process.lower()))
    if "thermal_efficiency" not in have:
        for names, k in THERMAL_EFFICIENCY:
            if words & set(names.split("|")):
                text = f"usual for {process} (a steel maker's page on heat input)"
                made.append(Setting("thermal_efficiency", text, k, unit="1", origin="assumed"))
                break
    if "wire_diameter" in have:
        if "wire_density" not in have:
            made.append(STEEL_DENSITY)
        if "deposition_efficiency" not in have and words & {"gmaw", "mig", "mag"}:
            low, high = DEPOSITION_EFFICIENCY
            text = f"{low:.0%} to {high:.0%}, gas metal arc (a wire maker's handbook)"
            u = (high - low) / math.sqrt(12)
            made.append(
                Setting("deposition_efficiency", text, (low + high) / 2, low, high, u, unit="1", origin="assumed")
            )
        if "passes" not in have:
            made.append(Setting("passes", "one pass, since nothing is said", 1.0, origin="assumed"))
    return made


def _product(
    name: str,
    unit: str,
    formula: str,
    factor: float,
    powers: Mapping[str, float],
    have: Mapping[str, Setting],
) -> Setting | None:
    value, squares, known = factor, 0.0, False
    for key, power in powers.items():
        given = have.get(key)
        if given is None or given.value is None or given.value <= 0:
            return None
        value *= given.value**power
        if given.u is not None:
            known = True
            squares += (power * given.u / given.value) ** 2
    u = abs(value) * math.sqrt(squares) if known else None
    return Setting(name, formula, value, u=u, unit=unit, origin="derived")
