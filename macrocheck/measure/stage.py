"""The stage: an outline and a scale become measurements."""

import numpy as np

from macrocheck.errors import InputError
from macrocheck.flags import Flag
from macrocheck.measure import bead, fillet
from macrocheck.measure.curves import crosses_itself
from macrocheck.measure.section import Section, build
from macrocheck.measure.summary import missing, quantity, vague
from macrocheck.outline import Outline, WeldOutline
from macrocheck.quantities import BY_KEY, QUANTITIES
from macrocheck.results import Measurements, Profile, Quantity
from macrocheck.scale import Scale

DEFAULT_DRAWS = 200
FOLDED = "the weld face crosses itself"
FOLLOWING = {
    f"unfused_{member}": (f"unfused_spans_{member}", f"fused_fraction_{member}")
    for member in ("butting", "nonbutting")
}
"""What cannot be stated where this length cannot."""


def _doubts(section: Section, weld: WeldOutline) -> tuple[dict[str, str], tuple[Flag, ...]]:
    """Return what cannot be measured on this outline (key -> reason) and the flags that say so."""
    reasons: dict[str, str] = {}
    flags = []
    left, _ = bead.sides(section)
    for k, (whole, member, toe) in enumerate(
        (
            (weld.complete_butting, "butting", weld.toe_butting),
            (weld.complete_nonbutting, "nonbutting", weld.toe_nonbutting),
        )
    ):
        if whole:
            continue
        if weld.joint == "bead":
            side = "left" if k == left else "right"
            reasons |= bead.outside(side)
            flags.append(Flag("toe_outside", f"The {side} toe lies outside the picture.", (toe,)))
        else:
            reasons |= fillet.outside(member)
            flags.append(Flag("toe_outside", f"The toe on the {member} member lies outside the picture.", (toe,)))
    cut = {"start": not weld.complete_butting, "end": not weld.complete_nonbutting}
    if any(cut.values()) and weld.joint != "bead" and fillet.foot_at_cut(section, **cut):
        reasons["actual_throat"] = "the face nearest the weld root lies outside the picture"
    if crosses_itself(section.face[0]):
        keys = ("size", "size_unequal", "theoretical_throat", "actual_throat", "effective_throat", "convexity")
        more = ("concavity", "weld_area", "fill_area", "dilution", "reinforcement_height", "void_area_fraction")
        reasons |= dict.fromkeys((*keys, *more), FOLDED)
        flags.append(Flag("face_folded", "The weld face crosses itself; draw it again.", (weld.toe_butting,)))
    degrees = float(np.rad2deg(section.psi[0]))
    if section.has_root and not 60.0 - 1e-6 <= degrees <= 135.0 + 1e-6:
        where = () if weld.joint_root is None else (weld.joint_root,)
        text = f"The members meet at {degrees:.0f} degrees, outside 60 to 135: no size or theoretical throat."
        flags.append(Flag("dihedral_range", text, where))
    return reasons, tuple(flags)


def _without_vague(quantities: dict[str, Quantity]) -> dict[str, Quantity]:
    """Withhold lengths that are known too badly to say anything, and what follows from them."""
    out = dict(quantities)
    for key, found in quantities.items():
        reason = vague(found)
        if reason is None:
            continue
        out[key] = missing(found.unit, reason)
        for follower in FOLLOWING.get(key, ()):
            if out[follower].value is not None:
                out[follower] = missing(out[follower].unit, "the unfused length is too unsure")
    return out


def measure_weld(
    weld: WeldOutline,
    scale: Scale,
    *,
    fusion_threshold_mm: float = 0.1,
    draws: int = DEFAULT_DRAWS,
    seed: int = 0,
    all_lengths: bool = False,
) -> Measurements:
    """Measure one weld.

    `fusion_threshold_mm`: depth of fusion, mm, under which a stretch counts as unfused. `draws`: Monte Carlo
    draws behind every uncertainty (JCGM 101:2008, a fixed number). `seed`: same seed, same result. `all_lengths`:
    also those that are too unsure to say anything (`summary.vague`), which are withheld otherwise.

    Every value is that of the outline as found; u and U95 come from the draws (see `summary.spread`). Definitions:
    docs/definitions.md.

    Raises:
        InputError: for settings or an outline that nothing can be measured with.
    """
    if not (np.isfinite(fusion_threshold_mm) and fusion_threshold_mm > 0):
        msg = f"the fusion threshold must be a length over zero, not {fusion_threshold_mm!r} mm"
        raise InputError(msg)
    if draws < 20:
        msg = f"{draws} draws are too few to tell an uncertainty; use 20 or more (default {DEFAULT_DRAWS})"
        raise InputError(msg)
    section = build(weld, scale, draws=draws, seed=seed)
    is_bead = weld.joint == "bead"
    found: fillet.Found
    profiles: dict[str, Profile] = {}
    if not section.has_surface:
        found = fillet.without_surface(section)
    elif is_bead:
        found, profiles = bead.measure_bead(section)
    else:
        found, profiles = fillet.measure_fillet(section, weld, fusion_threshold_mm)
    reasons, flags = _doubts(section, weld)
    reasons |= weld.withheld
    quantities: dict[str, Quantity] = {}
    lost = fillet.missing_all(reasons)
    for kind in QUANTITIES:
        if not (kind.bead if is_bead else kind.fillet):
            continue
        value = lost.get(kind.key, found.get(kind.key, "the geometry of the outline does not give it"))
        if isinstance(value, str):
            value = fillet.missing_all({kind.key: value})[kind.key]
        quantities[kind.key] = value if isinstance(value, Quantity) else quantity(value, BY_KEY[kind.key].unit)
    settings = {"fusion_threshold_mm": float(fusion_threshold_mm), "draws": float(draws), "seed": float(seed)}
    if not all_lengths:
        quantities = _without_vague(quantities)
    return Measurements(quantities, profiles, flags, settings)


def measure(
    outline: Outline,
    scale: Scale,
    *,
    fusion_threshold_mm: float = 0.1,
    draws: int = DEFAULT_DRAWS,
    seed: int = 0,
) -> tuple[Measurements, ...]:
    """Measure every weld of an outline, in its order; arguments and errors as for `measure_weld`.

    All lengths are stated where a person took part in the outline.
    """
    return tuple(
        measure_weld(
            weld,
            scale,
            fusion_threshold_mm=fusion_threshold_mm,
            draws=draws,
            seed=seed,
            all_lengths=outline.by_a_person,
        )
        for weld in outline.welds
    )
