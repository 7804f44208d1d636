"""A result as a value again, from its document and its outline: for drawing what was measured earlier."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from macrocheck.flags import KINDS, Flag

if TYPE_CHECKING:
    from macrocheck.results import Measurements, Result
    from macrocheck.scale import Scale


def scale_detail(scale: "Scale") -> dict[str, Any]:
    """Return what of a scale the result document leaves out: the marks as found, and the rectification."""
    return {
        "marks": [
            {
                "kind": m.kind,
                "text": m.text,
                "points_px": m.points_px.tolist(),
                "mm_per_px": m.mm_per_px,
                "u_rel": m.u_rel,
            }
            for m in scale.marks
        ],
        "plane": None if scale.plane is None else scale.plane.tolist(),
    }


def rebuilt(
    document: Mapping[str, Any], outline: Mapping[str, Any], detail: Mapping[str, Any] | None = None
) -> "Result":
    """Return the result that a document, its outline's GeoJSON and the scale's detail hold.

    Without the detail (a result file that was attached) the scale has no marks and no rectification. Numbers of the
    profiles come back as the document rounds them. Raises InputError where the outline does not fit.
    """
    from macrocheck.outline_file import outline_from_geojson
    from macrocheck.results import PhotoFacts, Result, Verdict, Verdicts

    photo, limits = document["photo"], document["limits"]
    found = outline_from_geojson(outline, width=photo["width"], height=photo["height"])
    return Result(
        photo=PhotoFacts(photo["path"], photo["sha256"], photo["width"], photo["height"], tuple(photo["notes"])),
        scale=rebuilt_scale(document["scale"], detail),
        outline=found,
        measurements=tuple(
            _measurements(weld, len(one.flags)) for weld, one in zip(document["welds"], found.welds, strict=True)
        ),
        verdicts=Verdicts(
            per_weld=tuple(tuple(Verdict(**v) for v in weld["verdicts"]) for weld in document["welds"]),
            grade=document["grade"],
            limits_name=limits["name"],
            rule=limits["rule"],
            notes=tuple(limits["notes"]),
            given=dict(limits.get("given_mm", {})),
            guard=limits.get("guard"),
        ),
        version=document["version"],
    )


def _flags(rows: Sequence[Mapping[str, Any]]) -> tuple[Flag, ...]:
    """Return the flags that this version knows; the document keeps the others."""
    return tuple(
        Flag(row["code"], row["text"], tuple((float(x), float(y)) for x, y in row["where_px"]))
        for row in rows
        if row["code"] in KINDS
    )


def rebuilt_scale(row: Mapping[str, Any], detail: Mapping[str, Any] | None) -> "Scale":
    """Return the scale of a result document; without the detail it has no marks and no rectification."""
    import numpy as np

    from macrocheck.scale import FoundMark, Scale

    detail = detail or {"marks": [], "plane": None}
    marks = tuple(
        FoundMark(
            m["kind"], m["text"], np.asarray(m["points_px"], np.float64).reshape(-1, 2), m["mm_per_px"], m["u_rel"]
        )
        for m in detail["marks"]
    )
    plane = detail["plane"]
    return Scale(
        row["mm_per_px"],
        row["u_rel"],
        row["method"],
        _flags(row["flags"]),
        marks,
        None if plane is None else np.asarray(plane, np.float64).reshape(3, 3),
        mark_offset_mm=row.get("mark_offset_mm"),
        camera_distance_mm=row.get("camera_distance_mm"),
    )


def _measurements(weld: Mapping[str, Any], of_outline: int) -> "Measurements":
    """Return one weld's measurements; the first `of_outline` flags in the document are its outline's."""
    import numpy as np

    from macrocheck.results import Measurements, Profile, Quantity

    def value(found: Any) -> Any:
        if isinstance(found, list):
            return tuple(tuple(v) if isinstance(v, list) else v for v in found)
        return found

    return Measurements(
        quantities={
            key: Quantity(value(q["value"]), q["u"], q["U95"], q["unit"], q["reason"])
            for key, q in weld["quantities"].items()
        },
        profiles={
            member: Profile(*(np.asarray(p[name], np.float64) for name in ("s_mm", "d_mm", "u_mm")))
            for member, p in weld["profile"].items()
        },
        flags=_flags(weld["flags"][of_outline:]),
        settings=dict(weld["settings"]),
    )
