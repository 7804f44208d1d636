"""All quantities of a fillet weld, tee or lap."""

import math

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure import areas, depth, face, haz, root, triangle
from macrocheck.measure.section import Section
from macrocheck.measure.summary import missing, noise_floor, quantity, spread
from macrocheck.outline import WeldOutline
from macrocheck.quantities import BY_KEY
from macrocheck.results import Profile, Quantity

NO_EDGE = "no original surface of the butting member is left, so the joint root is not known"
NO_SURFACE = "no straight original surface of the nonbutting member is seen; draw its line to measure this"
PROFILE_EVERY = 4
AT_CORNER = "the toe lies at the corner of the upper plate: end face and top give angles 90 degrees apart"
VOID_UNSEEN = 3.0
"""Standard uncertainty of a largest void, in those of the boundary (as rendered sections show)."""
MEMBERS = ("butting", "nonbutting")

Found = dict[str, FloatArray | str | Quantity]


def _triangles(section: Section, found: Found) -> None:
    degrees = float(np.rad2deg(section.psi[0]))
    size, theoretical = triangle.isosceles(section)
    found["size"], found["theoretical_throat"] = size, theoretical
    butting, nonbutting = triangle.unequal(section)
    spreads = [spread(butting), spread(nonbutting)]
    if None not in spreads:
        u, U95 = (max(s[k] for s in spreads if s is not None) for k in (0, 1))
        found["size_unequal"] = Quantity((float(butting[0]), float(nonbutting[0])), u, U95, "mm")
    if not 60.0 - 1e-6 <= degrees <= 135.0 + 1e-6:
        reason = f"the members meet at {degrees:.0f} degrees, outside 60 to 135, where a fillet has a size"
        for key in ("size", "theoretical_throat", "size_unequal"):
            found[key] = reason


def _fusion(
    section: Section, found: Found, member: str, along: depth.DepthAlong, threshold: float, angle: FloatArray
) -> Profile:
    found[f"depth_of_fusion_{member}"] = along.deepest()
    unfused = along.unfused(threshold)
    found[f"unfused_{member}"] = unfused
    found[f"fused_fraction_{member}"] = quantity(
        1.0 - unfused / np.maximum(along.leg, 1e-9), "1", floor=section.u_boundary / float(along.leg[0])
    )
    total = quantity(unfused, "mm", floor=section.u_boundary)
    found[f"unfused_spans_{member}"] = Quantity(along.spans(threshold), total.u, total.U95, "mm")
    trailing = along.trailing(threshold)
    found[f"overlap_{member}"] = quantity(
        np.where(angle < 90.0, trailing, 0.0), "mm", floor=section.u_boundary, more=_all_or_nothing(trailing, angle)
    )
    return profile(along, float(along.leg[0]))


def _all_or_nothing(length: FloatArray, angle: FloatArray) -> float:
    """Standard uncertainty in mm of an overlap from that of the toe angle, which alone makes the length count."""
    if not np.isfinite(length[0]) or not np.isfinite(angle[0]):
        return 0.0
    u = float(np.hypot(np.nanstd(angle[1:]), face.CORNER))
    wrong = 0.5 * math.erfc(abs(90.0 - float(angle[0])) / (u * math.sqrt(2)))
    return float(length[0]) * math.sqrt(wrong)


def profile(along: depth.DepthAlong, leg: float) -> Profile:
    """Depth of fusion at about 80 stations of the leg, with its standard uncertainty."""
    kept = np.flatnonzero((along.s <= leg) & (along.s >= along.begin[0]))[PROFILE_EVERY // 2 :: PROFILE_EVERY]
    d = along.d[:, kept]
    u = np.sqrt(((d[1:] - d[:1]) ** 2).mean(axis=0))
    return Profile(along.s[kept], d[0], u)


def _one_sided(section: Section, found: Found) -> None:
    """Give quantities that stop at zero an uncertainty there too."""
    lengths = ("unfused_land", "root_shortfall", *(f"{k}_{m}" for k in ("overlap", "unfused") for m in MEMBERS))
    of_face = ("convexity", "concavity", *(f"undercut_{m}" for m in MEMBERS))
    largest = (*of_face, *(f"depth_of_fusion_{m}" for m in MEMBERS))
    for key in (*lengths, *largest):
        u = section.u_face if key in of_face else section.u_boundary
        rows = found.get(key)
        if isinstance(rows, np.ndarray):
            value = float(rows[0])
            more = face.groove_doubt(value) if key.startswith("undercut") else 0.0
            found[key] = quantity(rows, "mm", floor=noise_floor(value, u) if key in largest else u, more=more)


def _butting(section: Section, found: Found, where: root.Root, threshold: float) -> dict[str, Profile]:
    """Measure what needs both member surfaces."""
    leg_b, leg_n = face.legs(section)
    found["leg_butting"], found["leg_nonbutting"] = leg_b, leg_n
    found["leg_difference"] = quantity(np.abs(leg_b - leg_n), "mm", signed=leg_b - leg_n)
    _triangles(section, found)
    found["root_penetration"] = quantity(
        np.maximum(where.reach, 0.0), "mm", floor=section.u_boundary / 2, signed=where.reach
    )
    found["root_shortfall"] = where.shortfall
    land = root.unfused_land(section, where)
    found["unfused_land"] = land if land is not None else "the far end of the faying surface is not in the picture"
    profiles = {}
    for member, along, angle in (
        ("butting", depth.along_butting(section), face.toe_angle_butting(section)),
        ("nonbutting", depth.along_nonbutting(section), face.toe_angle_nonbutting(section)),
    ):
        if along.leg[0] <= 0:
            reason = f"the toe on the {member} member lies behind the joint root"
            for key in BY_KEY:
                if key.endswith(f"_{member}") and not key.startswith(("melted", "toe", "haz", "under")):
                    found[key] = reason
            found["leg_difference"] = found["size"] = found["size_unequal"] = found["theoretical_throat"] = reason
            continue
        profiles[member] = _fusion(section, found, member, along, threshold, angle)
    found["dihedral_angle"] = np.rad2deg(section.psi)
    return profiles


def _without_root(found: Found) -> None:
    for key in (
        *(f"leg_{m}" for m in MEMBERS),
        *(f"{k}_{m}" for k in ("unfused", "unfused_spans", "fused_fraction") for m in MEMBERS),
        *("leg_difference", "size", "size_unequal", "theoretical_throat", "root_penetration", "root_shortfall"),
        *("unfused_land", "depth_of_fusion_butting", "melted_area_butting", "dilution", "fill_area"),
        *("overlap_butting", "overlap_nonbutting", "dihedral_angle"),
    ):
        found[key] = NO_EDGE


def without_surface(section: Section) -> Found:
    """Measure what needs no member surface; everything else is the reason why it could not be had."""
    is_bead = section.joint == "bead"
    reason = NO_SURFACE.replace("nonbutting member", "plate") if is_bead else NO_SURFACE
    found: Found = dict.fromkeys(BY_KEY, reason)
    found["bead_width" if is_bead else "face_width"] = face.face_width(section)
    found["convexity"], found["concavity"] = face.bulge(section)
    parts = areas.find_areas(section)
    found["weld_area"] = parts.weld
    voids(section, found, parts)
    _one_sided(section, found)
    return found


def measure_fillet(section: Section, weld: WeldOutline, threshold: float) -> tuple[Found, dict[str, Profile]]:
    """Measure every quantity of a fillet; a string is the reason why one could not be had."""
    found: Found = {}
    found["face_width"] = face.face_width(section)
    convexity, found["concavity"] = face.bulge(section)
    found["convexity"] = convexity
    found["toe_angle_nonbutting"] = face.toe_quantity(face.toe_angle_nonbutting(section), section, at_start=False)
    found["toe_angle_butting"] = (
        face.toe_quantity(face.toe_angle_butting(section), section, at_start=True)
        if section.has_root or section.top is not None
        else "no surface of the butting member is left beyond the toe"
    )
    if face.toe_at_corner(section):
        found["toe_angle_butting"] = AT_CORNER
    where = root.find_root(section)
    actual, _ = face.throat(section, where.weld_root)
    found["actual_throat"], found["effective_throat"] = actual, actual - convexity
    parts = areas.find_areas(section)
    found["weld_area"] = parts.weld
    found["melted_area_nonbutting"] = parts.melted_nonbutting
    if parts.melted_butting is not None:
        melted = parts.melted_butting + parts.melted_nonbutting
        found["melted_area_butting"] = parts.melted_butting
        found["fill_area"] = parts.weld - melted
        found["dilution"] = melted / np.maximum(parts.weld, 1e-9)
    voids(section, found, parts)
    for k, member in enumerate(MEMBERS):
        rows = haz.haz_width(section, where, k)
        found[f"haz_width_{member}"] = (
            rows if rows is not None else "no heat-affected zone can be told apart in this member"
        )
        groove = face.undercut(section, k)
        found[f"undercut_{member}"] = (
            groove if groove is not None else "the member's outline beyond the toe is not in the outline"
        )
    visible = weld.gap_px is not None
    found["root_gap"] = section.gap if visible else "no opening between the members is visible"
    profiles: dict[str, Profile] = {}
    if section.has_root:
        profiles = _butting(section, found, where, threshold)
    else:
        _without_root(found)
        found["depth_of_fusion_nonbutting"] = depth.along_nonbutting(section).deepest()
    _one_sided(section, found)
    return found, profiles


def voids(section: Section, found: Found, parts: areas.Areas) -> None:
    """Measure the voids; where none is seen, one as small as the boundary's uncertainty may still be there."""
    # One this many times the boundary's uncertainty across may be overlooked, or be a dark grain.
    least = VOID_UNSEEN * section.u_boundary
    whole = max(float(parts.weld[0] + parts.voids[0]), 1e-9)
    longest, area = section.u_voids
    found["void_area_fraction"] = quantity(
        parts.voids / np.maximum(parts.weld + parts.voids, 1e-9),
        "1",
        floor=least * least / max(float(parts.weld[0]), 1e-9),
        more=area / whole,
    )
    found["largest_void"] = quantity(areas.largest_void(section), "mm", floor=least, more=longest)


def outside(member: str) -> dict[str, str]:
    """Return the reasons for what is lost when the toe on `member` lies outside the picture."""
    reason = f"the toe on the {member} member lies outside the picture"
    own = ("leg", "toe_angle", "depth_of_fusion", "unfused", "unfused_spans", "fused_fraction", "melted_area")
    keys = [f"{k}_{member}" for k in (*own, "haz_width", "undercut", "overlap")]
    keys += ["leg_difference", "size", "size_unequal", "theoretical_throat", "effective_throat", "convexity"]
    keys += ["concavity", "face_width", "weld_area", "fill_area", "dilution", "void_area_fraction", "largest_void"]
    return dict.fromkeys(keys, reason)


def foot_at_cut(section: Section, *, start: bool, end: bool) -> bool:
    """Return whether the throat's foot lies near an end of the face that the picture's edge has cut."""
    _, foot = face.throat(section, root.find_root(section).weld_root)
    width = float(np.hypot(*(section.face[0, -1] - section.face[0, 0])))
    near = [np.hypot(*(foot[0] - section.face[0, k])) < 0.1 * width for k in (0, -1)]
    return bool((start and near[0]) or (end and near[1]))


def missing_all(reasons: dict[str, str]) -> dict[str, Quantity]:
    """Return quantities that could not be had, by key."""
    return {key: missing(BY_KEY[key].unit, why) for key, why in reasons.items() if key in BY_KEY}
