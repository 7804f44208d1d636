"""What was measured beside what is true: matching welds, rows, and the figures over many rows."""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from macrocheck.arrays import FloatArray
from macrocheck.outline import Outline, WeldOutline
from macrocheck.quantities import QUANTITIES
from macrocheck.results import Measurements
from tests.bench.cases import CaseWeld

Row = dict[str, Any]
"""One weld of one picture: seed, found, iou, flags, quantities {key: {truth, value, u, U95, reason}}."""

SPANS = tuple(q.key for q in QUANTITIES if q.key.startswith("unfused_spans"))
_OVERLAP = 0.25


def polygon_of(points: FloatArray) -> Polygon:
    """Return a valid polygon of an outline (n, 2); of several parts the largest."""
    shape = Polygon(points).buffer(0)
    parts = getattr(shape, "geoms", None)
    return max(parts, key=lambda p: p.area) if parts else shape


def overlap_share(a: Polygon, b: Polygon) -> float:
    """Return the intersection over union of two regions."""
    union = a.union(b).area
    return float(a.intersection(b).area / union) if union > 0 else 0.0


def match(truth: Sequence[CaseWeld], outline: Outline) -> list[int | None]:
    """Return for each true weld the index of the found weld that is meant for it, or None.

    That is the one whose region overlaps it most, by at least a quarter of what both cover; failing that the one
    whose joint root (or middle, where either has no joint root) lies nearest, within half the square root of the
    weld's area. A found weld is used once.
    """
    pairs = []
    regions = [polygon_of(found.polygon) for found in outline.welds]
    for i, weld in enumerate(truth):
        region = polygon_of(weld.polygon_px)
        reach = 0.5 * float(np.sqrt(region.area))
        for j, found in enumerate(outline.welds):
            share = overlap_share(region, regions[j])
            root = found.joint_root
            if root is not None and weld.joint_root_px is not None:
                far = float(np.hypot(root[0] - weld.joint_root_px[0], root[1] - weld.joint_root_px[1]))
            else:
                far = float(region.centroid.distance(regions[j].centroid))
            if share >= _OVERLAP:
                pairs.append((0, 1 - share, i, j))
            elif far < reach:
                pairs.append((1, far, i, j))
    out: list[int | None] = [None] * len(truth)
    used: set[int] = set()
    for _, _, i, j in sorted(pairs):
        if out[i] is None and j not in used:
            out[i] = j
            used.add(j)
    return out


def _swapped(truth: CaseWeld, found: WeldOutline) -> bool:
    if found.joint == "bead":  # one member: which toe comes first says nothing
        return False
    if truth.toe_butting_px is None or truth.toe_nonbutting_px is None:
        return False
    right, wrong = (
        np.hypot(*(np.asarray(found.toe_butting) - np.asarray(toe)))
        for toe in (truth.toe_butting_px, truth.toe_nonbutting_px)
    )
    return bool(wrong < right)


def weld_row(truth: CaseWeld, found: WeldOutline, measured: Measurements, outline_flags: Iterable[str]) -> Row:
    """Return the row of one matched weld."""
    flags = [f.code for f in (*found.flags, *measured.flags)]
    quantities = {}
    for key, value in truth.truth.items():
        had = measured.quantities.get(key)
        quantities[key] = {
            "truth": value,
            "value": None if had is None else had.value,
            "u": None if had is None else had.u,
            "U95": None if had is None else had.U95,
            "reason": "no such quantity in the result" if had is None else had.reason,
        }
    return {
        "found": True,
        "iou": overlap_share(polygon_of(truth.polygon_px), polygon_of(found.polygon)),
        "swapped": _swapped(truth, found),
        "flags": sorted(set(flags)),
        "outline_flags": sorted(set(outline_flags)),
        "quantities": quantities,
    }


def spans_error(truth: Any, value: Any) -> float:
    """Return the length, mm, over which two lists of (start, end) intervals disagree."""
    cuts = sorted({float(x) for spans in (truth, value) for span in spans for x in span})
    wrong = 0.0
    for a, b in itertools.pairwise(cuts):
        middle = 0.5 * (a + b)
        inside = [any(s <= middle <= e for s, e in spans) for spans in (truth, value)]
        wrong += (b - a) * (inside[0] != inside[1])
    return wrong


def samples(rows: Iterable[Row], key: str) -> Iterable[tuple[float, float | None, float | None, Row]]:
    """Yield (error, u, U95, row) of one quantity over the rows where both numbers stand."""
    for row in rows:
        entry = row["quantities"].get(key)
        if entry is None or entry["truth"] is None or entry["value"] is None:
            continue
        if key in SPANS:
            yield spans_error(entry["truth"], entry["value"]), None, None, row
        elif isinstance(entry["truth"], Sequence):
            for t, v in zip(entry["truth"], entry["value"], strict=True):
                yield float(v) - float(t), entry["u"], entry["U95"], row
        else:
            yield float(entry["value"]) - float(entry["truth"]), entry["u"], entry["U95"], row


THERE = 1e-3
"""Of a quantity's unit: less is 0."""


def _there(entry: Mapping[str, Any]) -> bool:
    """Whether a quantity is there, by its truth or its value."""
    return bool(max(np.abs(entry["truth"]).max(), np.abs(entry["value"]).max()) > THERE)


def figures(rows: Sequence[Row], key: str) -> dict[str, float | int | None] | None:
    """Return the figures of one quantity over the found welds, or None where no truth stands.

    `median`, `p90`, `p95`, `max` of the absolute error, `bias`, `rms_z` of error / u, `core_z` (1.4826 times the
    median of |error| / u, blind to outliers), `coverage` of U95, `wild`: share beyond 3 U95 with no flag on the
    weld, `withheld`: share of known truths not answered, `claimed`: answers where the truth cannot be had.
    `there`, `there_rms_z`, `there_coverage`: number of those whose truth or value is over `THERE` either way, and
    the same of them alone, since a sure 0 that is right has no error.
    """
    known = [r for r in rows if r["quantities"].get(key, {}).get("truth") is not None]
    unknown = [r for r in rows if key in r["quantities"] and r["quantities"][key]["truth"] is None]
    claimed = sum(r["quantities"][key]["value"] is not None for r in unknown)
    if not known:
        return None
    sample = list(samples(rows, key))
    withheld = sum(r["quantities"][key]["value"] is None for r in known) / len(known)
    out: dict[str, float | int | None] = {"n": len(sample), "withheld": withheld, "claimed": claimed}
    if not sample:
        return out
    error = np.array([s[0] for s in sample])
    out |= {
        "median": float(np.median(np.abs(error))),
        "p90": float(np.percentile(np.abs(error), 90)),
        "p95": float(np.percentile(np.abs(error), 95)),
        "max": float(np.max(np.abs(error))),
        "bias": float(np.mean(error)),
    }
    sure = [(e, u, big, row) for e, u, big, row in sample if u is not None and big is not None and u > 1e-9]
    if sure:
        z = np.array([e / u for e, u, _, _ in sure])
        inside = np.array([abs(e) <= big for e, _, big, _ in sure])
        wild = [abs(e) > 3 * big and not row["flags"] and not row["outline_flags"] for e, _, big, row in sure]
        out |= {
            "rms_z": float(np.sqrt(np.mean(z**2))),
            "core_z": float(1.4826 * np.median(np.abs(z))),
            "coverage": float(np.mean(inside)),
            "wild": float(np.mean(wild)),
        }
        there = np.array([_there(row["quantities"][key]) for *_, row in sure])
        out["there"] = int(there.sum())
        if there.any():
            out |= {
                "there_rms_z": float(np.sqrt(np.mean(z[there] ** 2))),
                "there_coverage": float(np.mean(inside[there])),
            }
    return out


def summary(rows: Sequence[Row]) -> dict[str, Any]:
    """Return the figures over all rows; every row is one true weld that lies whole in its picture.

    `extra`: outlines, over all pictures, that lie where no weld is.
    """
    found = [r for r in rows if r["found"]]
    ious = [float(r["iou"]) for r in found]
    seconds = {r["seed"]: r["seconds"] for r in rows}
    extra = {r["seed"]: len(r["extra"]) for r in rows}
    return {
        "welds": len(rows),
        "pictures": len(seconds),
        "no_result": 1 - len(found) / len(rows) if rows else None,
        "reasons": _count(r["reason"] for r in rows if not r["found"]),
        "iou_median": float(np.median(ious)) if ious else None,
        "iou_p10": float(np.percentile(ious, 10)) if ious else None,
        "swapped": float(np.mean([r["swapped"] for r in found])) if found else None,
        "extra": sum(extra.values()),
        "seconds_median": float(np.median(list(seconds.values()))) if seconds else None,
        "flags": _count(code for r in found for code in (*r["flags"], *r["outline_flags"])),
        "quantities": {q.key: f for q in QUANTITIES if (f := figures(found, q.key)) is not None},
    }


def _count(things: Iterable[str]) -> dict[str, int]:
    out: dict[str, int] = {}
    for thing in things:
        out[thing] = out.get(thing, 0) + 1
    return dict(sorted(out.items(), key=lambda item: -item[1]))


def worst(rows: Sequence[Row], key: str, count: int) -> list[tuple[float, Row]]:
    """Return the rows with the largest absolute error of one quantity, worst first."""
    listed = [(abs(e), row) for e, _, _, row in samples([r for r in rows if r["found"]], key)]
    return sorted(listed, key=lambda s: -s[0])[:count]
