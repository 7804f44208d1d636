"""What the accuracy report says of baselines, hints, kinds of joint and memory, from the kept rows alone."""

import statistics
from collections.abc import Mapping, Sequence

import numpy as np

from tests.bench.compare import Row
from tests.bench.hints import ROUNDS, SEEN, only_withheld, remains, within
from tests.bench.memory import growth
from tests.bench.page_text import TITLES, number, percent, rows_of_table, without_name


def _quantile(values: Sequence[float], share: float) -> float | None:
    """Return a quantile where failures count as infinitely far; None where it is one of them."""
    ordered = sorted(values)
    if not ordered:
        return None
    at = ordered[min(len(ordered) - 1, int(np.ceil(share * len(ordered))) - 1)]
    return None if np.isinf(at) else at


def baseline_figures(rows: Sequence[Row]) -> dict[str, dict[str, float | None]]:
    """Return per method the figures over all welds; a weld without a result counts as infinitely far.

    `mean`: over the welds that every method has outlined.
    """
    out: dict[str, dict[str, float | None]] = {}
    lost = {(r["seed"], r["weld"]) for r in rows if not r["found"]}
    for method in dict.fromkeys(r["method"] for r in rows):
        mine = [r for r in rows if r["method"] == method]
        found = [r for r in mine if r["found"]]
        missing = [float("inf")] * (len(mine) - len(found))
        far = [r["off"]["fusion_mean"] for r in found] + missing
        within = [-r["off"]["iou"] for r in found] + missing
        common = [r["off"]["fusion_mean"] for r in found if (r["seed"], r["weld"]) not in lost]
        spent: dict[int, float] = {}
        for r in mine:  # the program does a picture at once, a baseline one weld
            spent[r["seed"]] = r["seconds"] if method == "macrocheck" else spent.get(r["seed"], 0.0) + r["seconds"]
        alone = {r["seed"]: r["outline_s"] for r in mine if "outline_s" in r}
        ious = [_quantile(within, 0.5), _quantile(within, 0.9)]
        out[method] = {
            "welds": float(len(mine)),
            "none": float(len(missing) / len(mine)),
            "half": _quantile(far, 0.5),
            "mean": statistics.mean(common) if common else None,
            "most": _quantile(far, 0.9),
            "outline": _quantile([r["off"]["outline_mean"] for r in found] + missing, 0.5),
            "iou": None if ious[0] is None else -ious[0],
            "iou_p10": None if ious[1] is None else -ious[1],
            "seconds": statistics.median(spent.values()),
            "outline_s": statistics.median(alone.values()) if alone else None,
            "pixels": statistics.median(r["pixels"] for r in mine),
        }
    return out


def baseline_section(rows: Sequence[Row]) -> list[str]:
    """Return the comparison with general-purpose segmentation."""
    figures = baseline_figures(rows)
    own = figures["macrocheck"]
    lines = [
        "## Beside general-purpose segmentation",
        "",
        f"{len({r['seed'] for r in rows})} pictures of the own hard set, {own['welds']:.0f} welds, all in "
        "the same run. "
        "The program gets the photograph and nothing else. The others get by hand, taken from the truth: "
        "a crop around "
        "each weld of at most 1 Mpx, the box of the weld, a stroke in the middle of it; their settings "
        "are the best of "
        "some tried on other pictures. Distance: from the points of the true fusion boundary to the "
        "nearest point of "
        "the outline found, the mean along the boundary of one weld; then over the welds, one without a result "
        "counting as infinitely far (the mean is over the welds that every method outlined). *Whole outline*: mean "
        "both ways between the whole outlines, median weld. Seconds are processor time a picture, one "
        "thread; for the "
        "program they are the whole measurement.",
        "",
    ]
    head = ["", "median weld, mm", "mean, mm", "90 % of welds, mm", "whole outline, mm", "IoU median"]
    head += ["IoU 10 %", "none, %", "s a picture", "Mpx"]
    body = [
        [
            name,
            *(number(f[k]) for k in ("half", "mean", "most", "outline", "iou", "iou_p10")),
            percent(f["none"]),
            number(f["seconds"], 2),
            number((f["pixels"] or 0) / 1e6, 2),
        ]
        for name, f in figures.items()
    ]
    lines += [*rows_of_table(head, body), ""]
    if own["outline_s"] is not None:
        lines += [f"Of the program's time {own['outline_s']:.2f} s are for finding the outline.", ""]
    others = {k: f for k, f in figures.items() if k != "macrocheck"}
    for key, what in (("half", "At the median weld"), ("mean", "In the mean"), ("most", "At the 90th percentile")):
        best = min(others, key=lambda k: float("inf") if (v := others[k][key]) is None else v)
        far, mine = others[best][key], own[key]
        if far is None or mine is None:
            lines.append(f"* {what} there is no figure to compare.")
            continue
        times = (others[best]["seconds"] or 0.0) / (own["seconds"] or 1.0)
        lines.append(
            f"* {what} the nearest of the others, {best}, is {far / mine:.1f} times as far from the true "
            "fusion boundary "
            f"(aim: at least 3), and takes {times:.1f} times as long (aim: more than 1)."
        )
    return [*lines, ""]


def hints_section(rows: Sequence[Row]) -> list[str]:
    """Return what right hints do to doubtful and wrong pictures."""
    lines = [
        "## Hints",
        "",
        f"{len(rows)} pictures of the own hard set. Where a picture is flagged, wrong or without a result, "
        "a script "
        "gives the hints that a person would: a point of the true boundary in the middle of each flagged "
        "stretch and "
        f"at the worst of each stretch that is off by more than {SEEN} mm, a toe or the joint root where "
        "that is flagged "
        f"or off; what is still off then, in the next of {ROUNDS} rounds. *Within tolerance*: every leg and throat "
        "within 0.24 mm, depth of fusion and root penetration within 0.36 mm, unfused length within 0.8 "
        "mm, none of "
        "these withheld, IoU at least 0.94, every weld found.",
        "",
    ]
    head = ["before", "pictures", "within tolerance without a hint"]
    head += [*(f"after round {k + 1}" for k in range(ROUNDS)), "hints a picture"]
    body = []
    for state in ("sound", "doubtful", "wrong", "no result"):
        mine = [r for r in rows if r["state"] == state]
        given = [len(r["rounds"][-1]["hints"]) for r in mine if r["rounds"]]
        cells = [str(sum(within(r, k) for r in mine)) for k in range(ROUNDS + 1)]
        body.append([state, str(len(mine)), *cells, number(statistics.median(given), 0) if given else "–"])
    total = [str(sum(within(r, k) for r in rows)) for k in range(ROUNDS + 1)]
    body.append(["all", str(len(rows)), *total, ""])
    lines += [*rows_of_table(head, body), ""]
    left = [r for r in rows if not within(r, ROUNDS)]
    if left:
        mere = sum(only_withheld((r["rounds"][-1] if r["rounds"] else r)["wrong"]) for r in left)
        lines += [f"Not within tolerance after that: {len(left)}, of which {mere} only for numbers withheld:", ""]
        body = []
        for r in left:
            last = r["rounds"][-1] if r["rounds"] else {"hints": [], "wrong": r["wrong"]}
            held = sum(w.endswith(" withheld") for w in last["wrong"])
            wrong = [without_name(w.partition(": ")[2]) for w in last["wrong"] if not w.endswith(" withheld")]
            wrong = [*dict.fromkeys(wrong), *([f"{held} numbers withheld"] if held else [])]
            body.append(
                [str(r["seed"]), r["joint"], r["state"], str(len(last["hints"])), "; ".join(wrong), remains(last)]
            )
        head = ["seed", "joint", "before", "hints", "still", "outline"]
        lines += [*rows_of_table(head, body), ""]
    return lines


def joint_section(parts: Mapping[str, Sequence[Row]]) -> list[str]:
    """Return how well the kind of joint is told."""
    lines = ["## Kind of joint, `--joint auto`", ""]
    body = []
    for name, rows in parts.items():
        told = [r for r in rows if r["told"] is not None]
        right = [r for r in told if r["told"] == r["true"]]
        wrong = [r for r in told if r["told"] != r["true"] and not r["unsure"]]
        cells = (len(rows), len(right), sum(r["unsure"] for r in right), len(told) - len(right), len(wrong),
                 len(rows) - len(told))  # fmt: skip
        seeds = ", ".join(str(r["seed"]) for r in wrong[:10])
        body.append([TITLES[name.removeprefix("joint-")], *(str(c) for c in cells), seeds])
    head = [
        "",
        "pictures",
        "right",
        "of them unsure",
        "wrong",
        "of them not said to be unsure",
        "no result",
        "seeds",
    ]
    return [*lines, *rows_of_table(head, body), ""]


def memory_section(rows: Sequence[Mapping[str, float]]) -> list[str]:
    """Return the memory of one process over many photos."""
    last, slope = rows[-1], growth(rows)
    lines = [
        "## Memory over many photos",
        "",
        f"One process, {last['photos']:.0f} photos of 0.5 Mpx one after the other, each read from its file.",
        "",
    ]
    step = max(1, len(rows) // 10)
    shown = [r for k, r in enumerate(rows) if k % step == step - 1 or k == 0]
    head = ["photos", *(f"{r['photos']:.0f}" for r in shown)]
    body = [
        ["held, MB", *(f"{r['held_mb']:.0f}" for r in shown)],
        ["peak, MB", *(f"{r['peak_mb']:.0f}" for r in shown)],
    ]
    lines += [*rows_of_table(head, body), ""]
    if slope is not None:
        lines += [f"A straight line from photo 200 on grows by {slope:+.1f} MB over 1,000 photos.", ""]
    return lines
