"""The features of an outline file: reading them with the fault named, and telling changed geometry from found."""

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NoReturn, get_args

import numpy as np

from macrocheck.arrays import FloatArray, frozen
from macrocheck.errors import InputError
from macrocheck.flags import KINDS, Flag

Part = Literal[
    "face", "fusion", "surface_butting", "surface_nonbutting", "surface_top", "void", "haz_butting",
    "haz_nonbutting", "groove_butting", "groove_nonbutting", "indication", "seam_end",
]  # fmt: skip
PARTS: tuple[Part, ...] = get_args(Part)
MANY: frozenset[Part] = frozenset({"void", "indication"})
"""Parts that a weld may have several of."""

GEOMETRY: dict[Part, str] = dict.fromkeys(PARTS, "LineString") | {"void": "Polygon", "seam_end": "Point"}
_FEWEST: dict[str, int] = {"Point": 1, "LineString": 2, "Polygon": 3}

DIGEST_DECIMALS = 2
"""Decimals of a pixel that count as a change: far below any measurement, above what editors round away."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature of the file: `points` (n, 2) px (a polygon's ring without its closing point)."""

    number: int
    weld: int
    part: Part
    points: FloatArray
    properties: Mapping[str, Any]

    @property
    def label(self) -> str:
        """What to call it in a sentence."""
        return f"feature {self.number} ({self.part} of weld {self.weld})"

    @property
    def digest(self) -> str:
        """Digest of where the feature lies now."""
        return part_digest(self.part, self.points)

    @property
    def changed(self) -> bool:
        """Whether it lies elsewhere than where it was found, or was never found by the program."""
        return self.properties.get("found") != self.digest


def refuse(what: str) -> NoReturn:
    """Raise the InputError that says what is wrong in an outline file."""
    msg = f"The outline file cannot be used: {what}."
    raise InputError(msg) from None


def part_digest(part: str, points: FloatArray) -> str:
    """Digest of one part's geometry (SHA-256, first 16 hex digits)."""
    rounded = np.round(np.asarray(points, dtype="<f8"), DIGEST_DECIMALS) + 0.0  # no minus zero
    return hashlib.sha256(part.encode() + rounded.astype("<f8").tobytes()).hexdigest()[:16]


def weld_digest(part_digests: Sequence[str], *, joint: str, complete: tuple[bool, bool]) -> str:
    """Digest of a whole weld, so that a part removed or added shows as well as one moved."""
    text = "|".join([joint, str(complete), *sorted(part_digests)])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def read_features(entries: object) -> list[Feature]:
    """Check and read the `features` array of a GeoJSON FeatureCollection; raises InputError naming the fault."""
    if not isinstance(entries, list) or not entries:
        refuse("it holds no features; give the file that the program wrote, or draw a face and a fusion")
    only_weld = len({_index_text(e) for e in entries if isinstance(e, dict)} - {None}) <= 1
    return [_read_feature(n, entry, only_weld=only_weld) for n, entry in enumerate(entries, 1)]


def _properties(entry: Mapping[str, Any]) -> Mapping[str, Any]:
    properties = entry.get("properties")
    return properties if isinstance(properties, dict) else {}


def _index_text(entry: Mapping[str, Any]) -> str | None:
    index = _properties(entry).get("weld")
    return None if index is None else str(index)


def _read_feature(number: int, entry: object, *, only_weld: bool) -> Feature:
    name = f"feature {number}"
    if not isinstance(entry, dict) or entry.get("type") != "Feature":
        refuse(f"{name} is not a GeoJSON Feature")
    properties = _properties(entry)
    part = properties.get("part")
    if part not in PARTS:
        fault = "no part" if part is None else f"the unknown part {part!r}"
        refuse(f"{name} has {fault}; use one of {', '.join(PARTS)}")
    weld = _weld_index(name, properties.get("weld"), only_weld=only_weld)
    name = f"{name} ({part} of weld {weld})"
    return Feature(number, weld, part, _points(name, part, entry.get("geometry")), properties)


def _weld_index(name: str, index: object, *, only_weld: bool) -> int:
    if index is None and only_weld:
        return 0
    if isinstance(index, str) and index.isascii() and index.isdigit() and len(index) < 5:
        return int(index)
    if (
        isinstance(index, int | float)
        and not isinstance(index, bool)
        and 0 <= index < 10_000
        and index == int(index)
    ):
        return int(index)
    refuse(f"{name} needs a whole number 0, 1, ... as its weld, not {index!r}")


def _points(name: str, part: Part, geometry: object) -> FloatArray:
    if not isinstance(geometry, dict):
        refuse(f"{name} has no geometry")
    kind, coordinates = geometry.get("type"), geometry.get("coordinates")
    wanted = GEOMETRY[part]
    # Editors wrap single shapes as "Multi..." and close lines into rings.
    if (
        isinstance(kind, str)
        and kind.startswith("Multi")
        and isinstance(coordinates, list)
        and len(coordinates) == 1
    ):
        kind, coordinates = kind.removeprefix("Multi"), coordinates[0]
    if kind == "Polygon":
        if not isinstance(coordinates, list) or len(coordinates) != 1:
            refuse(f"{name} must be one closed ring without holes")
        coordinates = coordinates[0]
    if kind != wanted and not (kind == "LineString" and wanted == "Polygon"):
        refuse(f"{name} must be a {wanted}, not {kind!r}")
    if wanted == "Point":
        coordinates = [coordinates]
    if not isinstance(coordinates, list):
        refuse(f"{name} has no coordinates")
    points = frozen([_position(name, p) for p in coordinates], columns=2)
    if wanted == "Polygon" and len(points) > 1 and np.array_equal(points[0], points[-1]):
        points = points[:-1]
    if len(points) < _FEWEST[wanted]:
        refuse(f"{name} has {len(points)} points; at least {_FEWEST[wanted]} are needed")
    return points


def _position(name: str, position: object) -> tuple[float, float]:
    if isinstance(position, list) and len(position) >= 2:
        x, y = position[:2]
        if is_number(x) and is_number(y):
            return float(x), float(y)
    refuse(f"{name} has the position {str(position)[:40]}, which is not a pair of numbers x, y")


def is_number(value: object) -> bool:
    """Whether a JSON value is a finite number (true and false are not)."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def listed(value: object) -> list[Any] | None:
    """Return a JSON array, also where an editor turned it into text; None for anything else."""
    if isinstance(value, str):
        try:
            value = json.loads(value)
        except (ValueError, RecursionError):
            return None
    return value if isinstance(value, list) else None


def number_or(feature: Feature, key: str, missing: float) -> float:
    """Return a property that must be a number of zero or more, or `missing` where there is none."""
    value = feature.properties.get(key)
    if value is None:
        return missing
    if not is_number(value) or value < 0:
        refuse(f"{feature.label} has {key} {value!r}, which must be a number of zero or more")
    return float(value)


def flag_or(feature: Feature, key: str, missing: bool) -> bool:
    """Return a property that must be true or false, or `missing` where there is none."""
    value = feature.properties.get(key)
    if value is None:
        return missing
    if not isinstance(value, bool):
        refuse(f"{feature.label} has {key} {value!r}, which must be true or false")
    return value


def read_flags(entries: object, where: str) -> tuple[Flag, ...]:
    """Read flags as `Flag.to_json` writes them; none where `entries` is None."""
    rows = [] if entries is None else listed(entries)
    if rows is None:
        refuse(f"{where} has flags that are not a list")
    flags = []
    for row in rows:
        code = row.get("code") if isinstance(row, dict) else None
        if not isinstance(code, str) or code not in KINDS:
            refuse(f"{where} has the unknown flag {code!r}")
        points = [_position(where, p) for p in listed(row.get("where_px")) or []]
        flags.append(Flag(code, str(row.get("text") or KINDS[code]), tuple(points)))
    return tuple(flags)
