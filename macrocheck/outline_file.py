"""Outline as GeoJSON (RFC 7946), which a person may correct in any editor of such files and hand back.

The coordinates are not longitude and latitude but pixels of the upright photo, x right, y down; a foreign member
of the collection says so. One feature for every part of every weld: `weld` (index from 0) and `part`; the face
carries what holds for the whole weld.
"""

import json
import os
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError
from macrocheck.flags import Flag
from macrocheck.outline import Joint, Outline, SurfaceLine, WeldOutline
from macrocheck.outline_correction import CORRECTED, line_ends, read_weld
from macrocheck.outline_features import (
    GEOMETRY,
    Feature,
    Part,
    is_number,
    part_digest,
    read_features,
    read_flags,
    refuse,
    weld_digest,
)
from macrocheck.paths import os_reason, shown

FORMAT = "macrocheck-outline"
FORMAT_VERSION = 1
MEMBER = "macrocheck"
"""Name of the foreign member (RFC 7946, 6.1)."""

COORDINATES = (
    "Pixels of the upright photo (EXIF orientation applied): x right, y down, pixel centres at whole numbers. "
    "Not longitude and latitude."
)
_MADE_BY = ("found", "found with hints", "drawn by hand", "corrected by hand")
_MOST_BYTES = 100_000_000


def outline_to_geojson(outline: Outline) -> dict[str, Any]:
    """Return the outline as a GeoJSON FeatureCollection of plain lists, numbers and strings."""
    return {
        "type": "FeatureCollection",
        MEMBER: {
            "format": FORMAT,
            "version": FORMAT_VERSION,
            "coordinates_are": COORDINATES,
            "width": outline.width,
            "height": outline.height,
            "welds": len(outline.welds),
            "made_by": outline.made_by,
            "flags": [f.to_json() for f in outline.flags],
        },
        "features": [f for i, weld in enumerate(outline.welds) for f in _weld_features(i, weld)],
    }


def outline_bytes(outline: Outline) -> bytes:
    """Return the outline as the bytes of a GeoJSON file, one feature a line."""
    document = outline_to_geojson(outline)
    features = ",\n".join(json.dumps(f, ensure_ascii=False, allow_nan=False) for f in document.pop("features"))
    head = json.dumps(document, ensure_ascii=False, allow_nan=False)
    return f'{head[:-1]},\n"features": [\n{features}\n]}}\n'.encode()


def outline_from_geojson(
    document: Mapping[str, Any], *, width: int, height: int, joint: Joint | None = None
) -> Outline:
    """Return the outline that a GeoJSON document holds, for a photo of `width` x `height` px.

    What the program wrote comes back exactly. A weld that a person changed or drew is made good where it can be
    (see `outline_correction`), carries the flag `corrected_by_hand`, and `made_by` says so. `joint`: for welds
    that were drawn without one. Raises InputError, one sentence that names the feature and the fault.
    """
    if document.get("type") != "FeatureCollection":
        refuse("it is not a GeoJSON FeatureCollection")
    head = _head(document, width, height)
    by_weld: dict[int, list[Feature]] = defaultdict(list)
    for feature in read_features(document.get("features")):
        by_weld[feature.weld].append(feature)
    welds, fresh = [], []
    for index in sorted(by_weld):
        weld, by_hand = read_weld(by_weld[index], width=width, height=height, joint=joint)
        welds.append(weld)
        fresh.append(by_hand)
    flags = read_flags(head.get("flags"), "the collection")
    made_by = head.get("made_by") if head.get("made_by") in _MADE_BY else "drawn by hand"
    count = head.get("welds", 0)
    if is_number(count) and count > len(welds) and not any(f.code == CORRECTED for f in flags):
        flags = (*flags, Flag(CORRECTED, "A weld was removed by hand."))
    if made_by != "drawn by hand" and (any(fresh) or any(f.code == CORRECTED for f in flags)):
        made_by = "corrected by hand"
    return Outline(width, height, tuple(welds), str(made_by), flags)


def read_outline(path: str | os.PathLike[str], *, width: int, height: int, joint: Joint | None = None) -> Outline:
    """Read an outline file; raises InputError as `outline_from_geojson` does, with the file named."""
    name = shown(path)
    try:
        file = Path(path)
        if file.exists() and not file.is_file():
            what = "is a folder; name the outline file in it" if file.is_dir() else "is not an ordinary file"
        elif file.stat().st_size > _MOST_BYTES:
            what = "is larger than any outline file"
        else:
            document = json.loads(file.read_bytes())
            if not isinstance(document, dict):
                refuse("it is not a GeoJSON FeatureCollection")
            return outline_from_geojson(document, width=width, height=height, joint=joint)
    except FileNotFoundError:
        what = "does not exist; check the name and the folder"
    except OSError as error:
        what = f"cannot be read: {os_reason(error)}"
    except json.JSONDecodeError as error:
        what = f"is not JSON: {error.msg} at line {error.lineno}, column {error.colno}"
    except (ValueError, RecursionError):
        what = "is not JSON text; give the .outline.geojson that measure wrote with --out, or one that you drew"
    except InputError as error:
        msg = f"{name}: {error}"
        raise InputError(msg) from None
    msg = f"{name} {what}."
    raise InputError(msg) from None


def _head(document: Mapping[str, Any], width: int, height: int) -> Mapping[str, Any]:
    """Return the foreign member; empty where an editor dropped it."""
    head = document.get(MEMBER)
    if not isinstance(head, Mapping):
        return {}
    version = head.get("version", FORMAT_VERSION)
    if head.get("format", FORMAT) != FORMAT or not is_number(version):
        refuse(f"its member {MEMBER!r} does not name the format {FORMAT!r}")
    if version > FORMAT_VERSION:
        refuse(f"it was written by a newer macrocheck (version {version} of the format); update macrocheck")
    was = (head.get("width", width), head.get("height", height))
    if was != (width, height):
        refuse(
            f"it belongs to a photo of {was[0]} x {was[1]} px, not to this one of {width} x {height} px; "
            "give the photo it was drawn on"
        )
    return head


def _weld_features(index: int, weld: WeldOutline) -> list[dict[str, Any]]:
    parts: list[tuple[Part, FloatArray, dict[str, Any]]] = [
        ("face", weld.face, {"u_at": _u_at(weld.face, weld.u_face)}),
        ("fusion", weld.fusion, {"u_at": _u_at(weld.fusion, weld.u_fusion)}),
    ]
    lines: tuple[tuple[Part, SurfaceLine | None], ...] = (
        ("surface_butting", weld.surface_butting),
        ("surface_nonbutting", weld.surface_nonbutting),
        ("surface_top", weld.surface_top),
    )
    parts += [(part, line_ends(line), _line_properties(line)) for part, line in lines if line is not None]
    parts += [("void", ring, {}) for ring in weld.voids]
    curves: tuple[tuple[Part, FloatArray | None], ...] = (
        ("haz_butting", weld.haz_butting),
        ("haz_nonbutting", weld.haz_nonbutting),
        ("groove_butting", weld.groove_butting),
        ("groove_nonbutting", weld.groove_nonbutting),
    )
    parts += [(part, curve, {}) for part, curve in curves if curve is not None]
    parts += [("indication", curve, {}) for curve in weld.indications]
    if weld.seam_end is not None:
        parts.append(("seam_end", _as_points(weld.seam_end), {}))
    digests = [part_digest(part, points) for part, points, _ in parts]
    complete = (weld.complete_butting, weld.complete_nonbutting)
    whole: dict[str, Any] = {
        "joint": weld.joint,
        "correlation_px": weld.correlation_px,
        "complete_butting": complete[0],
        "complete_nonbutting": complete[1],
        "u_haz_px": weld.u_haz,
        "u_voids_px": [*weld.u_voids, len(weld.voids)],
        "u_seam_end_px": weld.u_seam_end,
        "gap_px": None if weld.gap_px is None else list(weld.gap_px),
        "flags": [f.to_json() for f in weld.flags],
        "withheld": dict(weld.withheld),
        "found_weld": weld_digest(digests, joint=weld.joint, complete=complete),
    }
    return [
        {
            "type": "Feature",
            "geometry": _geometry(part, points),
            "properties": {
                "weld": index,
                "part": part,
                "found": digest,
                **(whole if part == "face" else {}),
                **more,
            },
        }
        for (part, points, more), digest in zip(parts, digests, strict=True)
    ]


def _as_points(point: Point) -> FloatArray:
    import numpy as np

    return np.asarray([point], dtype=np.float64)


def _u_at(points: FloatArray, u: FloatArray) -> list[list[float]]:
    """Rows x, y, u: where each vertex was found and its standard uncertainty, px; survives added vertices."""
    return [
        [round(float(x), 2), round(float(y), 2), float(v)]
        for (x, y), v in zip(points.tolist(), u.tolist(), strict=True)
    ]


def _line_properties(line: SurfaceLine) -> dict[str, Any]:
    return {
        "point": list(line.point),
        "direction": list(line.direction),
        "u_offset_px": line.u_offset,
        "u_angle_rad": line.u_angle,
        "length_px": line.length,
    }


def _geometry(part: Part, points: FloatArray) -> dict[str, Any]:
    rows = points.tolist()
    match GEOMETRY[part]:
        case "Point":
            return {"type": "Point", "coordinates": rows[0]}
        case "Polygon":
            return {"type": "Polygon", "coordinates": [[*rows, rows[0]]]}
        case kind:
            return {"type": kind, "coordinates": rows}
