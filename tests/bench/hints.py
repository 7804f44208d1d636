"""Hints put to the test: whether a right hint on every doubtful stretch brings a picture within tolerance.

    python -m tests.bench.hints --first 10000 --count 50 [--seeds 10004,10017]

A person who looks at an outline sees what is flagged and what is plainly off, and clicks the right place there. A
script does the same from the truth:

* on a flagged stretch, a point of the true boundary in its middle;
* on a stretch of boundary or face that is off by more than `SEEN`, the point where it is most so, or the toe where
  that is at one;
* a toe or the joint root where that one is flagged or off;
* where the dimension lines drawn start from a weld root that is off, or an unfused length ends where it should not,
  the true place of that, and the same where these are withheld;
* a lap's end face as far as it is bare, where the line drawn along it is not along it.

What is still off is clicked in the next of `ROUNDS` rounds. Tolerance is that of `aims.out_of_tolerance`.
"""

import argparse
import sys
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from macrocheck.arrays import FloatArray, Point
from tests.bench.accuracy import case_rows, measure_case
from tests.bench.aims import out_of_tolerance
from tests.bench.cases import Case, CaseWeld, load_case
from tests.bench.compare import Row, match
from tests.bench.distance import dense, true_face, true_fusion

if TYPE_CHECKING:
    from macrocheck.outline import WeldOutline
    from macrocheck.results import Measurements, Result

SEEN = 0.1
"""How far off an outline, a toe or a joint root must be for a person to see it, mm."""
LENGTH = 0.3
"""How long a stretch must be off by that much, mm, unless it is off by twice that anywhere."""
BESIDE = 0.6
"""How far from a weld root that is drawn wrong a person looks for what is off, mm."""
ROUNDS = 3
ON_STRETCH = frozenset({"low_contrast", "second_boundary"})
AT_TOE = frozenset({"toe_unsure", "touches_edge", "toe_outside"})
OF_FRAME = frozenset({"surface_short", "surface_missing", "surface_bent", "member_unsure", "regions_unsure"})


def _text(kind: str, at: "FloatArray | Point") -> str:
    return f"{kind}={at[0]:.1f},{at[1]:.1f}"


def _toes(weld: CaseWeld) -> list[Point]:
    return [t for t in (weld.toe_butting_px, weld.toe_nonbutting_px) if t is not None]


def frame_hints(weld: CaseWeld, size: tuple[int, int]) -> list[str]:
    """Return hints at the joint root, where there is one, at both toes, and in the butting member."""
    root = [] if weld.joint_root_px is None else [_text("root", weld.joint_root_px)]
    return root + [_text("toe", t) for t in _toes(weld)] + member_hint(weld, size)


def member_hint(weld: CaseWeld, size: tuple[int, int]) -> list[str]:
    """Return a hint on the butting member's surface, a little past its toe, where that is in the picture."""
    if weld.toe_butting_px is None or weld.joint_root_px is None:
        return []
    toe, root = np.asarray(weld.toe_butting_px), np.asarray(weld.joint_root_px)
    for share in (0.3, 0.15, 0.05):
        at = toe + share * (toe - root)
        if 0 <= at[0] < size[0] and 0 <= at[1] < size[1]:
            return [_text("butting", at)]
    return []


def whole_hints(weld: CaseWeld, size: tuple[int, int]) -> list[str]:
    """Return what a person gives for a weld that was not found: root, toes, and two points of the boundary."""
    line = dense(true_fusion(weld), closed=False)
    return frame_hints(weld, size) + [
        _text("through", line[round(share * (len(line) - 1))]) for share in (0.25, 0.75)
    ]


def off_stretches(true_line: FloatArray, found: FloatArray, mm_per_px: float) -> list[FloatArray]:
    """Return, for every stretch of the true boundary (n, 2) that the found outline is off, its worst point."""
    away = np.asarray(cKDTree(dense(found, closed=True)).query(true_line)[0]) * mm_per_px
    step = float(np.median(np.hypot(*np.diff(true_line, axis=0).T))) * mm_per_px
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (away > SEEN).astype(int), [0]])))
    worst = []
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        if (j - i) * step >= LENGTH or away[i:j].max() > 2 * SEEN:
            worst.append(true_line[i + int(np.argmax(away[i:j]))])
    return worst


def _of_flags(weld: CaseWeld, found: "WeldOutline", true_line: FloatArray, size: tuple[int, int]) -> list[str]:
    near = cKDTree(true_line)
    wanted: list[str] = []
    for flag in found.flags:
        where = np.asarray(flag.where_px).reshape(-1, 2)
        if flag.code in ON_STRETCH:
            # a stretch is flagged by its two ends and its middle
            wanted += [_text("through", true_line[near.query(p)[1]]) for p in where[1::3]]
        elif flag.code in AT_TOE and len(where):
            toes = sorted(_toes(weld), key=lambda t: float(np.hypot(t[0] - where[0, 0], t[1] - where[0, 1])))
            wanted += [_text("toe", t) for t in toes[:1]]
        elif flag.code in OF_FRAME:
            wanted += frame_hints(weld, size)
    return wanted


def true_weld_root(weld: CaseWeld, mm_per_px: float) -> FloatArray | None:
    """Return the weld root (x, y), px: where weld metal ends along the faying surface, or comes nearest to it."""
    reach = weld.truth.get("root_penetration")
    if not isinstance(reach, float) or weld.joint_root_px is None or weld.toe_nonbutting_px is None:
        return None
    root, toe = np.asarray(weld.joint_root_px), np.asarray(weld.toe_nonbutting_px)
    at = root - max(reach, 0.0) / mm_per_px * (toe - root) / np.hypot(*(toe - root))
    line = dense(true_fusion(weld), closed=False)
    return np.asarray(line[int(np.argmin(np.hypot(*(line - at).T)))])


def span_ends(weld: CaseWeld, side: str, mm_per_px: float) -> list[FloatArray]:
    """Return where the true unfused stretches of a member's surface end, (x, y) px each."""
    line = None if weld.outline is None else getattr(weld.outline, f"surface_{side}")
    spans = weld.truth.get(f"unfused_spans_{side}")
    toe = weld.toe_butting_px if side == "butting" else weld.toe_nonbutting_px
    if line is None or weld.joint_root_px is None or toe is None or not isinstance(spans, Sequence):
        return []
    root, d = np.asarray(weld.joint_root_px), np.asarray(line.direction)
    d = d if (np.asarray(toe) - root) @ d > 0 else -d
    return [root + at / mm_per_px * d for span in spans if span[1] - span[0] > LENGTH for at in span]


def _of_lengths(weld: CaseWeld, found: "WeldOutline", measured: "Measurements", mm_per_px: float) -> list[str]:
    """Return hints where the weld root and the ends of unfused stretches truly are, if they are drawn elsewhere."""

    def off(key: str) -> bool:
        true, got = weld.truth.get(key), measured.quantities.get(key)
        if not isinstance(true, float) or got is None:
            return False
        return not isinstance(got.value, float) or abs(got.value - true) > 2 * SEEN

    places = []
    line = dense(true_fusion(weld), closed=False)
    at = true_weld_root(weld, mm_per_px) if off("root_penetration") else None
    if at is not None:
        # where that is right already, the place beside it that is not
        beside = line[np.hypot(*(line - at).T) * mm_per_px < BESIDE]
        away = (
            np.asarray(cKDTree(dense(found.polygon, closed=True)).query(np.vstack([at[None], beside]))[0])
            * mm_per_px
        )
        places.append(beside[int(np.argmax(away[1:]))] if away[0] < SEEN / 2 < away.max() else at)
    toes = np.array(_toes(weld)).reshape(-1, 2)
    for side in ("butting", "nonbutting"):
        for end in span_ends(weld, side, mm_per_px) if off(f"unfused_{side}") else []:
            at = line[int(np.argmin(np.hypot(*(line - end).T)))]
            # one that ends at a toe, or where no weld metal is, is not clicked
            if np.hypot(*(at - end)) * mm_per_px < SEEN and np.hypot(*(toes - at).T).min() * mm_per_px > LENGTH:
                places.append(at)
    return [_text("through", p) for p in places]


_TURNED = np.deg2rad(2.0)
"""How far a line must be turned against an edge for a person to see it."""


def _of_end_face(weld: CaseWeld, found: "WeldOutline", mm_per_px: float) -> list[str]:
    """Return two hints on the bare part of a lap's end face, where the line drawn is not along it."""
    ends = span_ends(weld, "butting", mm_per_px)
    if found.joint != "lap" or len(ends) < 2:
        return []
    a, b = max(
        ((ends[k], ends[k + 1]) for k in range(0, len(ends), 2)), key=lambda e: float(np.hypot(*(e[1] - e[0])))
    )
    line = found.surface_butting
    if line is not None:
        away = line.signed_distance(np.array([a, b]))
        turned = abs(away[1] - away[0]) / max(float(np.hypot(*(b - a))), 1e-9)
        if turned < np.sin(_TURNED) and np.abs(away).max() * mm_per_px < SEEN:
            return []
    return [_text("edge", a + share * (b - a)) for share in (0.15, 0.85)]


def _of_errors(weld: CaseWeld, found: "WeldOutline", true_line: FloatArray, mm_per_px: float) -> list[str]:
    wanted = []
    pairs = [
        ("root", weld.joint_root_px, found.joint_root),
        ("toe", weld.toe_butting_px, found.toe_butting),
        ("toe", weld.toe_nonbutting_px, found.toe_nonbutting),
    ]
    for kind, true, got in pairs:
        if true is not None and (
            got is None or float(np.hypot(got[0] - true[0], got[1] - true[1])) * mm_per_px > SEEN
        ):
            wanted.append(_text(kind, true))
    face = dense(true_face(weld), closed=False)
    places = [p for line in (true_line, face) for p in off_stretches(line, found.polygon, mm_per_px)]
    return wanted + [_at_toe(p, weld, mm_per_px) for p in places]


def _at_toe(place: FloatArray, weld: CaseWeld, mm_per_px: float) -> str:
    """Return a hint at a place where the outline is off: the toe, where it is at one."""
    near = [t for t in _toes(weld) if np.hypot(*(place - np.asarray(t))) * mm_per_px < LENGTH]
    return _text("toe", near[0]) if near else _text("through", place)


def right_hints(case: Case, result: "Result | None") -> list[str]:
    """Return a hint for every doubtful or wrong stretch of every weld that lies whole in the picture."""
    size = (case.rgb.shape[1], case.rgb.shape[0])
    at = [None] * len(case.welds) if result is None else match(case.welds, result.outline)
    wanted: list[str] = []
    for weld, j in zip(case.welds, at, strict=True):
        if not weld.whole:
            continue
        if result is None or j is None:
            wanted += whole_hints(weld, size)
            continue
        line = dense(true_fusion(weld), closed=False)
        found = result.outline.welds[j]
        wanted += _of_flags(weld, found, line, size) + _of_errors(weld, found, line, case.mm_per_px)
        wanted += _of_lengths(weld, found, result.measurements[j], case.mm_per_px)
        wanted += _of_end_face(weld, found, case.mm_per_px)
    return list(dict.fromkeys(wanted))


def _passed_by(result: "Result | None", hints: Sequence[str]) -> list[str]:
    """Return the `through` hints that no outline passes within 3 px."""
    lines = [] if result is None else [dense(w.polygon, closed=True) for w in result.outline.welds]
    near = cKDTree(np.vstack(lines)) if lines else None
    out = []
    for hint in hints:
        kind, _, place = hint.partition("=")
        at = [float(v) for v in place.split(",")]
        if kind == "through" and (near is None or near.query(at)[0] > 3.0):
            out.append(hint)
    return out


def _measured(case: Case, hints: Sequence[str]) -> "tuple[Result | None, list[Row]]":
    kept: list[Result] = []

    def measure() -> "tuple[Result, float]":
        got = measure_case(case, hints=hints)
        kept.append(got[0])
        return got

    rows = case_rows(case, measure)
    return (kept[0] if kept else None), rows


def hint_rows(seed: int, *, family: str, look: str) -> list[Row]:
    """Measure a picture, and where it is doubtful or wrong, again with right hints; one row.

    `state` before: "sound", "doubtful" (within tolerance, flagged), "wrong" or "no result"; `rounds`: per round the
    hints so far, what is out of tolerance, the worst distance and IoU, and the hints that no outline passes.
    """
    import cv2

    cv2.setNumThreads(1)
    case = load_case(family, look, seed)
    result, rows = _measured(case, ())
    wrong = out_of_tolerance(rows)
    flags = sorted({f for r in rows if r["found"] for f in (*r["flags"], *r["outline_flags"])})
    lost = any(not r["found"] for r in rows)
    state = "no result" if lost else "wrong" if wrong else "doubtful" if flags else "sound"
    row: Row = {"seed": seed, "joint": case.joint, "state": state, "flags": flags, "wrong": wrong, "rounds": []}
    hints: list[str] = []
    while state != "sound" and len(row["rounds"]) < ROUNDS and (wrong or not row["rounds"]):
        more = [h for h in right_hints(case, result) if h not in hints]
        if not more:
            break
        hints += more
        result, rows = _measured(case, hints)
        wrong = out_of_tolerance(rows)
        row["rounds"].append(
            {
                "hints": list(hints),
                "wrong": wrong,
                "fusion_max": max((r["off"]["fusion_max"] for r in rows if r["found"]), default=None),
                "face_max": max((r["off"]["face_max"] for r in rows if r["found"]), default=None),
                "swapped": any(r["swapped"] for r in rows if r["found"]),
                "iou": min((r["iou"] for r in rows if r["found"]), default=None),
                "not_passed": _passed_by(result, hints),
                "flags": sorted({f for r in rows if r["found"] for f in (*r["flags"], *r["outline_flags"])}),
            }
        )
    return [row]


def within(row: Row, rounds: int) -> bool:
    """Whether a picture is within tolerance after so many rounds of hints."""
    steps = [row["wrong"], *(r["wrong"] for r in row["rounds"])]
    return any(not w for w in steps[: rounds + 1]) and not steps[min(rounds, len(steps) - 1)]


def only_withheld(wrong: Sequence[str]) -> bool:
    """Whether nothing is wrong but that numbers are withheld."""
    return bool(wrong) and all(w.endswith(" withheld") for w in wrong)


def remains(last: Row) -> str:
    """Return what the last round of a picture leaves of errors in the outline itself, in words."""
    parts = [
        f"{name} off by at most {last[key]:.2f} mm"
        for name, key in (("fusion boundary", "fusion_max"), ("face", "face_max"))
        if last.get(key) is not None
    ]
    if last.get("swapped"):
        parts.append("members taken for one another")
    if last.get("not_passed"):
        parts.append(f"{len(last['not_passed'])} hints passed by")
    return ", ".join(parts)


def table(rows: Sequence[Row]) -> str:
    """Return the figures as text."""
    lines = [f"{len(rows)} pictures"]
    for state in ("sound", "doubtful", "wrong", "no result"):
        mine = [r for r in rows if r["state"] == state]
        after = [sum(within(r, k) for r in mine) for k in range(ROUNDS + 1)]
        lines.append(f"{state:10}{len(mine):5}  within tolerance after 0, 1, .. rounds: {after}")
    for row in rows:
        if not within(row, ROUNDS):
            last = row["rounds"][-1] if row["rounds"] else {"hints": [], "wrong": row["wrong"]}
            lines.append(
                f"  seed {row['seed']} {row['joint']} ({row['state']}, {len(last['hints'])} hints): "
                f"{'; '.join(last['wrong'])}; {remains(last)}"
            )
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    from tests.bench.store import chosen_seeds, picture_options, work

    parser = argparse.ArgumentParser(description="Whether right hints bring hard pictures within tolerance.")
    picture_options(parser)
    asked = parser.parse_args(arguments)
    seeds = chosen_seeds(asked)
    rows: list[Row] = []
    for _, got in work(partial(hint_rows, family=asked.family, look=asked.look), seeds, asked.processes):
        rows += got
    rows.sort(key=lambda r: r["seed"])
    sys.stdout.write(table(rows) + "\n")
    if asked.json:
        import json

        asked.json.write_text(json.dumps(rows), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
