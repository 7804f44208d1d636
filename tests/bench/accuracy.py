"""Accuracy on rendered pictures with known truth.

    python -m tests.bench.accuracy --family apart --look fair --count 200 [--processes 2] [--json FILE]

Renders pictures, measures each as the command does, and prints the errors per quantity, how well the stated
uncertainty holds, and how well the region is found. `--outline true` measures the true outline instead of finding
one: what is left is the error of measuring itself. The family `apart` is kept for reporting: nothing is tuned
on it.
"""

import argparse
import json
import multiprocessing
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from macrocheck.errors import MacrocheckError
from tests.bench.cases import FAMILIES, Case, load_case
from tests.bench.compare import Row, match, summary, weld_row, worst

AIMS: dict[str, tuple[float, float]] = {
    "leg_butting": (0.05, 0.20),
    "leg_nonbutting": (0.05, 0.20),
    "theoretical_throat": (0.05, 0.20),
    "actual_throat": (0.05, 0.20),
    "effective_throat": (0.05, 0.20),
    "depth_of_fusion_butting": (0.08, 0.25),
    "depth_of_fusion_nonbutting": (0.08, 0.25),
    "root_penetration": (0.08, 0.25),
    "unfused_butting": (0.15, 0.6),
    "unfused_nonbutting": (0.15, 0.6),
}
"""Largest median and 95th percentile of the absolute error aimed for with a fair etch, mm."""
SLACK = {"grain": 1.5}
"""How much larger they may be in other looks; a look not named here has no aim of its own."""


def _measure(case: Case, outline: str, mark: str) -> tuple[Any, float]:
    from macrocheck.pipeline import measure_read_photo

    given = case.true_outline() if outline == "true" else None
    text = f"px:{case.mm_per_px:.8f}mm" if mark == "stated" else case.mark
    joint: Any = case.joint
    start = time.perf_counter()
    result = measure_read_photo(case.photo(), mark=text, joint=joint, outline=given)
    return result, time.perf_counter() - start


def picture_rows(seed: int, *, family: str, look: str, outline: str = "found", mark: str = "drawn") -> list[Row]:
    """Render and measure one picture: one row per true weld that lies whole in it."""
    import cv2

    cv2.setNumThreads(1)
    case = load_case(family, look, seed)
    base = {"seed": seed, "joint": case.joint, "mark": case.mark, "mm_per_px": case.mm_per_px, "seconds": 0.0}
    welds = [w for w in case.welds if w.whole]
    try:
        result, seconds = _measure(case, outline, mark)
    except MacrocheckError as error:
        return [{**base, "found": False, "reason": _short(str(error)), "weld": k} for k in range(len(welds))]
    except Exception as error:  # noqa: BLE001 - a crash on one picture must not lose the others; it is counted
        reason = f"crash: {type(error).__name__}: {error}"
        return [{**base, "found": False, "reason": _short(reason), "weld": k} for k in range(len(welds))]
    base |= {"seconds": seconds, "scale_error": result.scale.mm_per_px / case.mm_per_px - 1}
    rows = []
    outline_flags = [f.code for f in result.outline.flags]
    for k, (weld, at) in enumerate(zip(welds, match(welds, result.outline), strict=True)):
        row = {**base, "weld": k, "welds_found": len(result.outline.welds)}
        if at is None:
            rows.append({**row, "found": False, "reason": "no weld found near the true joint root"})
        else:
            rows.append({**row, **weld_row(weld, result.outline.welds[at], result.measurements[at], outline_flags)})
    return rows


def _short(text: str) -> str:
    return text if len(text) < 110 else text[:107] + "..."


def _all_rows(job: "partial[list[Row]]", seeds: range, processes: int) -> Iterator[list[Row]]:
    if processes < 2:
        yield from map(job, seeds)
        return
    # An executor, not a Pool: a worker that dies ends the run with a sentence instead of hanging it.
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(job, seeds)


def table(figures: dict[str, Any], look: str) -> str:
    """Return the figures as text."""
    lines = [
        f"{figures['welds']} welds in {figures['pictures']} pictures; no result {_percent(figures['no_result'])}; "
        f"region IoU median {_number(figures['iou_median'])}, 10th percentile {_number(figures['iou_p10'])}; "
        f"members swapped {_percent(figures['swapped'])}; {_number(figures['seconds_median'])} s a photo (median)",
    ]
    lines += [f"  no result: {n} x {reason}" for reason, n in figures["reasons"].items()]
    if figures["flags"]:
        lines.append("  flags: " + ", ".join(f"{code} {n}" for code, n in figures["flags"].items()))
    head = ("median", "p95", "bias", "rms z", "core z", "U95 %", "wild %", "held %", "claimed", "")
    lines.append(f"{'quantity':28}{'n':>5}" + "".join(f"{h:>9}" for h in head))
    slack = 1.0 if look == "fair" else SLACK.get(look)
    for key, f in figures["quantities"].items():
        cells = [_number(f.get(k)) for k in ("median", "p95", "bias", "rms_z", "core_z")]
        cells += [_percent(f.get(k)) for k in ("coverage", "wild", "withheld")]
        cells += [str(f["claimed"]), _against_aim(f, AIMS.get(key), slack)]
        lines.append(f"{key:28}{f['n']:>5}" + "".join(f"{c:>9}" for c in cells))
    return "\n".join(lines)


def _against_aim(f: dict[str, Any], aim: tuple[float, float] | None, slack: float | None) -> str:
    if aim is None or slack is None or f.get("median") is None:
        return ""
    return "met" if f["median"] <= aim[0] * slack and f["p95"] <= aim[1] * slack else "MISSED"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.1f}"


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    parser = argparse.ArgumentParser(description="Accuracy on rendered pictures with known truth.")
    parser.add_argument("--family", choices=FAMILIES, default="apart")
    parser.add_argument("--look", default="fair")
    parser.add_argument("--count", type=int, default=200, help="number of pictures")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument(
        "--outline", choices=("found", "true"), default="found", help="true: measure the true outline"
    )
    parser.add_argument(
        "--mark", choices=("drawn", "stated"), default="drawn", help="stated: give the true px size"
    )
    parser.add_argument("--json", type=Path, help="write the figures and every row here")
    parser.add_argument("--worst", metavar="KEY", help="list the ten worst rows of this quantity")
    asked = parser.parse_args(arguments)
    job = partial(picture_rows, family=asked.family, look=asked.look, outline=asked.outline, mark=asked.mark)
    rows: list[Row] = []
    for got in _all_rows(job, range(asked.first, asked.first + asked.count), asked.processes):
        rows += got
    figures = summary(rows)
    sys.stdout.write(table(figures, asked.look) + "\n")
    if asked.worst:
        for error, row in worst(rows, asked.worst, 10):
            entry = row["quantities"][asked.worst]
            had = f"truth {entry['truth']}, value {entry['value']}, U95 {entry['U95']}"
            sys.stdout.write(
                f"  seed {row['seed']} weld {row['weld']} {row['joint']}: error {error:.3f}, {had}, "
                f"IoU {row['iou']:.3f}, flags {','.join(row['flags'])}\n"
            )
    if asked.json:
        head = {k: getattr(asked, k) for k in ("family", "look", "count", "first", "outline", "mark")}
        asked.json.write_text(json.dumps({**head, "summary": figures, "rows": rows}), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
