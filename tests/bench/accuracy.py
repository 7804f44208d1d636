"""Accuracy on rendered pictures with known truth.

    python -m tests.bench.accuracy --family own --look hard --first 10000 --count 100 [--processes 2] [--json FILE]

Renders pictures, measures each as the command does, and prints the errors per quantity, how well the stated
uncertainty holds, and how well the region is found. `--outline true` measures the true outline instead of finding
one: what is left is the error of measuring itself. The family `apart` is kept for reporting: nothing is tuned
on it. The report on all sets is written by `tests.bench.page`.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from macrocheck.errors import MacrocheckError
from tests.bench.aims import AIMS, slack
from tests.bench.cases import FAMILIES, Case, load_case
from tests.bench.compare import Row, match, summary, weld_row, worst
from tests.bench.distance import how_far
from tests.bench.store import work

if TYPE_CHECKING:
    from macrocheck.results import Result


def measure_case(
    case: Case, *, outline: str = "found", mark: str = "drawn", hints: Sequence[str] = ()
) -> tuple["Result", float]:
    """Measure a picture as the command does; returns the result and the processor time it took, s."""
    from macrocheck.pipeline import measure_read_photo

    given = case.true_outline() if outline == "true" else None
    text = f"px:{case.mm_per_px:.8f}mm" if mark == "stated" else case.mark
    joint: Any = case.joint
    start = time.process_time()
    result = measure_read_photo(case.photo(), mark=text, joint=joint, outline=given, hints=hints)
    return result, time.process_time() - start


def picture_rows(seed: int, *, family: str, look: str, outline: str = "found", mark: str = "drawn") -> list[Row]:
    """Render and measure one picture: one row per true weld that lies whole in it."""
    import cv2

    cv2.setNumThreads(1)
    case = load_case(family, look, seed)
    return case_rows(case, partial(measure_case, case, outline=outline, mark=mark))


def case_rows(case: Case, measure: "Callable[[], tuple[Result, float]]") -> list[Row]:
    """Return a row per true weld that lies whole in the picture, measured by `measure`."""
    base: Row = {"seed": case.seed, "joint": case.joint, "mark": case.mark, "mm_per_px": case.mm_per_px}
    base |= {"size": [case.rgb.shape[1], case.rgb.shape[0]], "seconds": 0.0, "extra": []}
    whole = [k for k, w in enumerate(case.welds) if w.whole]
    reason = ""
    try:
        result, seconds = measure()
    except MacrocheckError as error:
        reason = str(error)
    except Exception as error:  # noqa: BLE001 - a crash on one picture must not lose the others; it is counted
        reason = f"crash: {type(error).__name__}: {error}"
    if reason:
        return [{**base, "found": False, "reason": _short(reason), "weld": k} for k in whole]
    outline_flags = [f.code for f in result.outline.flags]
    at = match(case.welds, result.outline)
    flags_of = [
        [f.code for f in (*w.flags, *m.flags)] + outline_flags
        for w, m in zip(result.outline.welds, result.measurements, strict=True)
    ]
    base |= {
        "seconds": seconds,
        "scale_error": result.scale.mm_per_px / case.mm_per_px - 1,
        "welds_found": len(result.outline.welds),
        "extra": [flags for j, flags in enumerate(flags_of) if j not in at],
    }
    rows = []
    for k in whole:
        row, j = {**base, "weld": k}, at[k]
        if j is None:
            rows.append({**row, "found": False, "reason": "no outline where this weld is"})
            continue
        weld, found = case.welds[k], result.outline.welds[j]
        row |= weld_row(weld, found, result.measurements[j], outline_flags)
        if weld.outline is not None:
            row["off"] = how_far(weld, found.polygon, case.mm_per_px)
        rows.append(row)
    return rows


def _short(text: str) -> str:
    return text if len(text) < 110 else text[:107] + "..."


def table(figures: dict[str, Any], times: float) -> str:
    """Return the figures as text; `times`: how many times the aims the errors may be."""
    lines = [
        f"{figures['welds']} welds in {figures['pictures']} pictures; no result {_percent(figures['no_result'])}; "
        f"region IoU median {_number(figures['iou_median'])}, 10th percentile {_number(figures['iou_p10'])}; "
        f"members swapped {_percent(figures['swapped'])}; outlines where no weld is {figures['extra']}; "
        f"{_number(figures['seconds_median'])} s of processor time a photo (median)",
    ]
    lines += [f"  no result: {n} x {reason}" for reason, n in figures["reasons"].items()]
    if figures["flags"]:
        lines.append("  flags: " + ", ".join(f"{code} {n}" for code, n in figures["flags"].items()))
    head = ("median", "p95", "bias", "rms z", "core z", "U95 %", "wild %", "held %", "claimed", "")
    lines.append(f"{'quantity':28}{'n':>5}" + "".join(f"{h:>9}" for h in head))
    for key, f in figures["quantities"].items():
        cells = [_number(f.get(k)) for k in ("median", "p95", "bias", "rms_z", "core_z")]
        cells += [_percent(f.get(k)) for k in ("coverage", "wild", "withheld")]
        cells += [str(f["claimed"]), _against_aim(f, AIMS.get(key), times)]
        lines.append(f"{key:28}{f['n']:>5}" + "".join(f"{c:>9}" for c in cells))
    return "\n".join(lines)


def _against_aim(f: dict[str, Any], aim: tuple[float, float] | None, times: float) -> str:
    if aim is None or f.get("median") is None:
        return ""
    return "met" if f["median"] <= aim[0] * times and f["p95"] <= aim[1] * times else "MISSED"


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
    for _, got in work(job, range(asked.first, asked.first + asked.count), asked.processes):
        rows += got
    rows.sort(key=lambda r: (r["seed"], r["weld"]))
    figures = summary(rows)
    sys.stdout.write(table(figures, slack(asked.family, asked.look)) + "\n")
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
