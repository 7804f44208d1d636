"""What is aimed for: errors of the quantities in mm, and when one picture counts as right."""

from collections.abc import Iterable, Mapping
from typing import Any

LEGS_AND_THROATS = ("leg_butting", "leg_nonbutting", "theoretical_throat", "actual_throat", "effective_throat")
DEPTHS = ("depth_of_fusion_butting", "depth_of_fusion_nonbutting", "root_penetration")
UNFUSED = ("unfused_butting", "unfused_nonbutting")
GROUPS: dict[str, tuple[tuple[str, ...], float, float]] = {
    "legs and throats": (LEGS_AND_THROATS, 0.03, 0.12),
    "depth of fusion, root penetration": (DEPTHS, 0.05, 0.18),
    "unfused length": (UNFUSED, 0.10, 0.4),
}
"""Group -> its quantities, largest median and 95th percentile of the absolute error with a fair etch, mm."""
AIMS: dict[str, tuple[float, float]] = {
    key: (median, high) for keys, median, high in GROUPS.values() for key in keys
}
IOU = (0.985, 0.97)
"""Least median and 10th percentile of the intersection over union of the weld metal with a fair etch."""
NO_RESULT = 0.03
RMS_Z = (0.8, 1.25)
COVERAGE = (0.93, 0.98)


def slack(family: str, look: str) -> float:
    """How many times the aims the errors of a set may be: 1 for the project's own fair etch, 2 elsewhere."""
    return 1.0 if (family, look) == ("own", "fair") else 2.0


def iou_aims(times: float) -> tuple[float, float]:
    """Least median and 10th percentile of the overlap at this slack: what is missing to 1 may be larger."""
    return 1 - times * (1 - IOU[0]), 1 - times * (1 - IOU[1])


def _no_fillet_angle(row: Mapping[str, Any]) -> bool:
    """Whether the members truly meet outside 60 to 135 degrees, where a theoretical throat is rightly withheld."""
    angle = row["quantities"].get("dihedral_angle", {}).get("truth")
    return angle is not None and not 60.0 <= angle <= 135.0


def out_of_tolerance(rows: Iterable[Mapping[str, Any]], times: float = 2.0) -> list[str]:
    """Return what is not within tolerance in one picture's rows, in words; empty where all is.

    Every weld must be found, every quantity of `AIMS` whose truth is known be answered and lie within `times` its
    95th percentile, and the region overlap reach `times` the aimed 10th percentile.
    """
    wrong = []
    for row in rows:
        name = f"weld {row['weld']}: "
        if not row["found"]:
            wrong.append(f"{name}{row['reason']}")
            continue
        if row["iou"] < iou_aims(times)[1]:
            wrong.append(f"{name}IoU {row['iou']:.3f}")
        for key, (_, high) in AIMS.items():
            entry = row["quantities"].get(key)
            if entry is None or entry["truth"] is None:
                continue
            if entry["value"] is None and key == "theoretical_throat" and _no_fillet_angle(row):
                continue
            if entry["value"] is None:
                wrong.append(f"{name}{key} withheld")
            elif abs(entry["value"] - entry["truth"]) > times * high:
                wrong.append(f"{name}{key} off by {entry['value'] - entry['truth']:+.2f}")
    return wrong
