"""A scripted person at the page: how many actions until a wrong outline is within tolerance.

    python -m tests.bench.review_hand --look hard --first 10000 --count 60 [--jitter photo] [--seeds 10004,10017]

The person sees the outline on the photograph and takes on what is most plainly off, one action at a time, as the
page offers them: drag a toe or the joint root, click where the boundary passes, redraw a stretch with a stroke,
draw a surface, mark a stretch unfused or fused, or draw a weld that was not found. Where the right place is, the
script takes from the truth, with a jitter of `JITTER_PX` on every click and every point of a stroke: px of the
screen, on which the weld was zoomed to `ON_SCREEN_PX`, or (`--jitter photo`) px of the photo. What is off is
weighed by how much it matters: an error over what is tolerated of it. Tolerance is that of
`aims.out_of_tolerance`, on the numbers that the page shows after each action, a weld at a time; the scale is
stated, for it is outlines that are put right.
"""

import argparse
import json
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.review import edits as e
from macrocheck.review.choices import Choices
from macrocheck.review.curves import along
from macrocheck.review.figures import Workbench, result_of
from macrocheck.review.reduce import reduced
from macrocheck.review.state import State, first_state
from tests.bench.accuracy import case_rows
from tests.bench.aims import AIMS, out_of_tolerance
from tests.bench.cases import Case, CaseWeld, load_case
from tests.bench.compare import Row, match
from tests.bench.distance import STEP, dense, true_fusion

if TYPE_CHECKING:
    from macrocheck.results import Result

JITTER_PX = 3.0
"""Root mean square distance of a click from the place that is meant, px."""
ON_SCREEN_PX = 600.0
"""To how many px of the screen a weld is zoomed: what fits a window of 1280 x 720 beside the numbers."""
MOST_ACTIONS = 8
SEEN_MM = 0.08
"""How far off a line must be for a person to see it, mm, and never less than what the hand itself misses by."""
_STROKE_STEP_MM = 0.5
_LONG_SHARE = 0.2
"""One stretch shorter than this share of the boundary is clicked; more than that is redrawn in one stroke."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that is off: how much it matters (error over tolerance), and what the person does about it."""

    weight: float
    edit: e.Edit
    what: str


class Hand:
    """A hand that lands about where it means to: within `jitter` px of the photo (root mean square)."""

    def __init__(self, seed: int, jitter: float) -> None:
        self._rng = np.random.default_rng(seed)
        self.jitter = jitter

    def at(self, point: "FloatArray | Point") -> Point:
        """A click meant for a point."""
        x, y = np.asarray(point) + self._rng.normal(0, self.jitter / np.sqrt(2), 2)
        return float(x), float(y)

    def seen(self, mm_per_px: float) -> float:
        """How far off a line must be to be taken on, mm."""
        return max(SEEN_MM, self.jitter * mm_per_px)

    def along(self, line: FloatArray, step: float) -> FloatArray:
        """A stroke meant to follow a line."""
        return np.asarray([self.at(p) for p in along(line, step)])


def _far(a: "FloatArray | Point", b: "FloatArray | Point") -> float:
    return float(np.hypot(*(np.asarray(a) - np.asarray(b))))


def _missing(case: Case, weld: CaseWeld, hand: Hand) -> Fault:
    joint: Any = case.joint
    assert weld.toe_butting_px is not None
    assert weld.toe_nonbutting_px is not None
    root = None if weld.joint_root_px is None else hand.at(weld.joint_root_px)
    edit = e.DrawWeld(joint, hand.at(weld.toe_butting_px), hand.at(weld.toe_nonbutting_px), root)
    return Fault(1e9, edit, "draw_weld")


def _points(k: int, weld: CaseWeld, found: WeldOutline, mm: float, hand: Hand) -> list[Fault]:
    faults = []
    pairs: tuple[tuple[e.MovedPoint, Point | None, Point | None], ...] = (
        ("joint_root", weld.joint_root_px, found.joint_root),
        ("toe_butting", weld.toe_butting_px, found.toe_butting),
        ("toe_nonbutting", weld.toe_nonbutting_px, found.toe_nonbutting),
    )
    for name, true, got in pairs:
        if true is None or got is None:
            continue
        off = _far(true, got) * mm
        if off > hand.seen(mm):
            faults.append(Fault(off / (2 * AIMS["leg_butting"][1]), e.MovePoint(k, name, hand.at(true)), name))
    return faults


def _surfaces(k: int, truth: WeldOutline, found: WeldOutline, hand: Hand) -> list[Fault]:
    faults = []
    for part in ("surface_butting", "surface_nonbutting"):
        true: SurfaceLine | None = getattr(truth, part)
        got: SurfaceLine | None = getattr(found, part)
        if true is None or (got is not None and abs(np.dot(true.direction, got.direction)) > np.cos(np.deg2rad(8))):
            continue
        toe = truth.toe_butting if part == "surface_butting" else truth.toe_nonbutting
        root = np.asarray(truth.joint_root if truth.joint_root is not None else true.point)
        beyond = root + 1.5 * _far(toe, root) * np.asarray(true.direction)
        faults.append(Fault(50.0, e.Redraw(f"{k}/{part}", np.asarray([hand.at(root), hand.at(beyond)])), part))
    return faults


def _stretches(
    k: int, part: str, true: FloatArray, found: FloatArray, mm: float, hand: Hand, clicked: int
) -> list[Fault]:
    """Where the true line is seen to run elsewhere: a click for one short stretch, then a stroke over all."""
    away = np.asarray(cKDTree(dense(found, closed=False)).query(true)[0]) * mm
    off = np.flatnonzero(away > hand.seen(mm))
    if not len(off):
        return []
    worst = int(np.argmax(away))
    weight = float(away[worst]) / (2 * AIMS["depth_of_fusion_butting"][1])
    first, last = int(off[0]), int(off[-1])
    if part == "fusion" and last - first < _LONG_SHARE * len(true) and not clicked:
        return [Fault(weight, e.AddHint("through", hand.at(true[worst])), "pass_through")]
    # The stroke begins and ends on the line where it is right again.
    room = round(0.5 / mm / STEP)
    stroke = hand.along(true[max(first - room, 0) : last + room + 1], _STROKE_STEP_MM / mm)
    return [Fault(weight * (1 + len(off) / len(true)), e.Redraw(f"{k}/{part}", stroke), f"redraw {part}")]


def _spans(k: int, weld: CaseWeld, found: "Result", mm: float, hand: Hand, *, lines_off: bool) -> list[Fault]:
    """The longest stretch of each leg that is unfused in truth and not here, or the other way round."""
    faults = []
    assert weld.outline is not None
    members: tuple[tuple[e.Member, SurfaceLine | None], ...] = (
        ("butting", weld.outline.surface_butting),
        ("nonbutting", weld.outline.surface_nonbutting),
    )
    for member, line in members:
        key = f"unfused_spans_{member}"
        true, got = weld.truth.get(key), found.measurements[k].quantities.get(key)
        if (
            true is None
            or got is None
            or not isinstance(got.value, tuple)
            or line is None
            or weld.joint_root_px is None
        ):
            continue
        spans: list[Any] = list(got.value)
        grid = np.arange(0, 40, 0.02)
        is_true, is_got = (
            np.any([(grid >= a) & (grid <= b) for a, b in rows], axis=0) if len(rows) else np.zeros(len(grid), bool)
            for rows in (true, spans)
        )
        for state, wrong in (("unfused", is_true & ~is_got), ("fused", is_got & ~is_true)):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], wrong.astype(int), [0]])))
            lengths = (edges[1::2] - edges[::2]) * 0.02
            if not len(lengths) or lengths.max() < 0.3:
                continue
            n = int(np.argmax(lengths))
            ends = grid[[edges[2 * n], min(edges[2 * n + 1], len(grid) - 1)]]
            d = np.asarray(line.direction)
            a, b = (hand.at(np.asarray(weld.joint_root_px) + s / mm * d) for s in ends)
            word: e.SpanKind = "unfused" if state == "unfused" else "fused"
            weight = float(lengths.max()) / (2 * AIMS["unfused_butting"][1])
            weight *= 0.2 if lines_off else 1.0  # one looks at the line first, then at where it lies on a surface
            faults.append(Fault(weight, e.MarkSpan(k, word, a, b, member), f"mark {state}"))
    return faults


def faults_of(
    case: Case, number: int, state: State, result: "Result | None", hand: Hand, done: Sequence[str]
) -> list[Fault]:
    """Everything a person sees to be off about one weld, with what they would do about it, worst first."""
    mm, weld = case.mm_per_px, case.welds[number]
    if weld.outline is None:
        return []
    j = None if result is None else match(case.welds, result.outline)[number]
    if j is None or result is None:
        return [_missing(case, weld, hand)]
    found = state.welds[j].now
    clicked = done.count("pass_through")
    lines = _stretches(j, "fusion", dense(true_fusion(weld), closed=False), found.fusion, mm, hand, clicked)
    lines += _stretches(j, "face", dense(weld.outline.face, closed=False), found.face, mm, hand, clicked)
    faults = _points(j, weld, found, mm, hand) + _surfaces(j, weld.outline, found, hand) + lines
    faults += _spans(j, weld, result, mm, hand, lines_off=bool(lines))
    if not faults and found.withheld:  # all is where it should be: the person says so, and is given the numbers
        faults.append(Fault(1.0, e.Confirm(j), "confirm"))
    return sorted(faults, key=lambda f: -f.weight)


class Looked:
    """A picture at the page: the state, and what is out of tolerance of each weld that lies whole in it."""

    def __init__(self, case: Case) -> None:
        self.case, self.photo = case, case.photo()
        self.bench = Workbench(self.photo)
        joint: Any = case.joint
        choices = Choices(marks=(f"px:{case.mm_per_px:.8f}mm",), joint=joint)
        self.see(first_state(self.photo.width, self.photo.height, choices, self.bench))

    def see(self, state: State) -> None:
        """Look at a state."""
        self.state = state
        self.result = result_of(self.photo, self.bench.figures(state))
        rows = case_rows(self.case, self._measured)
        self.wrong = {row["weld"]: out_of_tolerance([row]) for row in rows}

    def _measured(self) -> tuple["Result", float]:
        if self.result is None:
            msg = self.state.problem or "nothing was measured"
            raise InputError(msg)
        return self.result, 0.0


def jitter_px(weld: CaseWeld, on: str) -> float:
    """Return the hand's jitter in px of the photo."""
    span = float(np.ptp(weld.polygon_px, axis=0).max())
    return JITTER_PX if on == "photo" else JITTER_PX * span / ON_SCREEN_PX


def hand_rows(seed: int, *, family: str, look: str, jitter: str = "screen") -> list[Row]:
    """Find a picture's outlines and have the person put them right; a row per weld that lies whole in it.

    `state`: "within" tolerance as found, "wrong" or "no result". `actions`: what was done until it was within
    tolerance, or until nothing more was seen or `MOST_ACTIONS` were done. `left`: what is still out of tolerance.
    `ms`: per action, milliseconds until its numbers stood (wall, CPU).
    """
    import cv2

    cv2.setNumThreads(1)
    case = load_case(family, look, seed)
    page = Looked(case)
    rows = []
    for number, wrong in sorted(page.wrong.items()):
        hand = Hand(seed, jitter_px(case.welds[number], jitter))
        at = None if page.result is None else match(case.welds, page.result.outline)[number]
        state = "within" if not wrong else "no result" if at is None else "wrong"
        row: Row = {"seed": seed, "joint": case.joint, "weld": number, "first": wrong, "state": state}
        row |= {"actions": [], "ms": []}
        while page.wrong[number] and len(row["actions"]) < MOST_ACTIONS and _one_action(page, number, hand, row):
            pass
        row["left"] = page.wrong[number]
        rows.append(row)
    return rows


def _one_action(page: Looked, number: int, hand: Hand, row: Row) -> bool:
    """Do what matters most of what was not done well already; False where there is nothing."""
    for fault in faults_of(page.case, number, page.state, page.result, hand, row["actions"]):
        if row["actions"].count(fault.what) >= 2:
            continue
        wall, cpu = time.perf_counter(), time.process_time()
        try:
            after, _ = reduced(page.state, fault.edit, max(CLICK_U_PX, hand.jitter), page.bench, {})
        except InputError:
            continue  # the page says why, and the person does the next thing
        page.bench.figures(after)
        row["ms"].append([1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)])
        row["actions"].append(fault.what)
        page.see(after)
        return True
    return False


def summary(rows: Sequence[Row]) -> dict[str, Any]:
    """Return the figures over many rows."""
    wrong = [r for r in rows if r["state"] != "within"]
    right = [r for r in wrong if not r["left"]]
    # One that was never put right counts as more actions than any.
    counts = [len(r["actions"]) if not r["left"] else MOST_ACTIONS + 1 for r in wrong]
    ms = [m for r in rows for m in r["ms"]]
    return {
        "welds": len(rows),
        "wrong": len(wrong),
        "put_right": len(right),
        "actions_median": statistics.median(counts) if counts else None,
        "within_3": sum(c <= 3 for c in counts),
        "ms_p95": [float(np.percentile([m[i] for m in ms], 95)) for i in (0, 1)] if ms else None,
        "ms_median": [float(np.median([m[i] for m in ms])) for i in (0, 1)] if ms else None,
    }


def table(rows: Sequence[Row]) -> str:
    """Return the figures as text."""
    s = summary(rows)
    lines = [
        f"{s['welds']} welds, {s['wrong']} out of tolerance as found, {s['put_right']} of them put right; "
        f"actions: median {s['actions_median']}, at most 3 in {s['within_3']}",
    ]
    if s["ms_p95"]:
        lines.append(
            f"an action's numbers: median {s['ms_median'][0]:.0f} ms, 95th percentile {s['ms_p95'][0]:.0f} ms "
            f"(CPU {s['ms_median'][1]:.0f}, {s['ms_p95'][1]:.0f} ms)"
        )
    for r in rows:
        if r["state"] != "within":
            end = f"left: {'; '.join(r['left'])}" if r["left"] else "within"
            lines.append(
                f"  seed {r['seed']} {r['joint']} ({'; '.join(r['first'][:3])}): {', '.join(r['actions'])} -> {end}"
            )
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    from tests.bench.store import chosen_seeds, picture_options, work

    parser = argparse.ArgumentParser(description="How many actions put a wrong outline right.")
    picture_options(parser)
    parser.add_argument("--jitter", choices=("screen", "photo"), default="screen", help="whose px the jitter is")
    asked = parser.parse_args(arguments)
    seeds = chosen_seeds(asked)
    make: Callable[[int], list[Row]] = partial(hand_rows, family=asked.family, look=asked.look, jitter=asked.jitter)
    rows = [row for _, got in work(make, seeds, asked.processes) for row in got]
    rows.sort(key=lambda r: r["seed"])
    sys.stdout.write(table(rows) + "\n")
    if asked.json:
        asked.json.write_text(json.dumps(rows), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
