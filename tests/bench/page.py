"""Writes docs/accuracy.md from measured runs, measuring what is missing.

    python -m tests.bench.page --processes 2                 # everything: about two hours of CPU
    python -m tests.bench.page --parts own-hard,hints-own-hard --count 50
    python -m tests.bench.page --plan                        # what would be measured, and how long it takes
    python -m tests.bench.page --only-write                  # the page anew from what is kept

Rows are kept in `.out/accuracy`, a file a part, a line a picture: stop it at any time with Ctrl-C and start it
again, it takes up where it was. A row measured with another state of the source that it rests on is measured anew;
`--keep-older` takes it as it is, and the page then says so. `--count` is the most pictures of every part. Seeds:
own family from 40000 on, second family from 0 on; none of them is for choosing or debugging anything.
"""

import argparse
import datetime as dt
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.bench import page_more, page_text
from tests.bench.parts import BY_NAME, PARTS, SETS, Part, all_rows
from tests.bench.store import ROOT, code_digest, read_lines, run_missing

FOLDER = ROOT / ".out" / "accuracy"
PAGE = ROOT / "docs" / "accuracy.md"
MEMORY_PHOTOS = 1000

Kept = dict[str, list[dict[str, Any]]]


def seeds_of(part: Part, count: int | None) -> Sequence[int]:
    """Return the seeds of a part; the memory part has one entry, named by its number of photos."""
    if part.name == "memory":
        return [MEMORY_PHOTOS if count is None else min(MEMORY_PHOTOS, max(200, 50 * count))]
    return part.seeds(count)


def plan(parts: Sequence[Part], folder: Path, count: int | None, *, keep_older: bool) -> str:
    """Return what is missing of each part, and about how many CPU minutes it takes."""
    lines, total = [f"{'part':24}{'pictures':>9}{'missing':>9}{'CPU min':>9}"], 0.0
    for part in parts:
        seeds, kept = seeds_of(part, count), read_lines(folder / f"{part.name}.jsonl")
        code = code_digest(part.sources)
        missing = sum(s not in kept or (kept[s]["code"] != code and not keep_older) for s in seeds)
        minutes = missing * part.cpu_s / 60
        if part.name == "memory":
            minutes *= seeds[0] / MEMORY_PHOTOS
        total += minutes
        lines.append(f"{part.name:24}{len(seeds):9}{missing:9}{minutes:9.0f}")
    return "\n".join([*lines, f"{'in all':42}{total:9.0f}"])


def gather(
    parts: Sequence[Part], folder: Path, count: int | None, *, processes: int, keep_older: bool, measure: bool
) -> Kept:
    """Return the lines of every part, measured where they are missing, or only those that are there."""
    out: Kept = {}
    for part in parts:
        path, seeds = folder / f"{part.name}.jsonl", seeds_of(part, count)
        if measure:
            code = code_digest(part.sources)
            alone = 1 if part.name == "memory" else processes
            out[part.name] = run_missing(path, part.job, seeds, code=code, processes=alone, keep_older=keep_older)
        else:
            kept = read_lines(path)
            out[part.name] = [kept[s] for s in seeds if s in kept]
    return {name: lines for name, lines in out.items() if lines}


def _states(kept: Kept) -> list[str]:
    """Return a sentence for every part whose rows are not all of the source as it is now."""
    lines = []
    for name, got in kept.items():
        now = code_digest(BY_NAME[name].sources)
        older = sum(line["code"] != now for line in got)
        if older:
            lines.append(
                f"{older} of {len(got)} pictures of `{name}` were measured with another state of the source."
            )
    return lines


def _commit() -> str:
    done = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    return done.stdout.strip() or "unknown"


def page(kept: Kept) -> str:
    """Return the text of the page."""
    rows = {name: all_rows(lines) for name, lines in kept.items()}
    import cv2

    lines = [
        "# Accuracy",
        "",
        "Written by `python -m tests.bench.page --processes 2` from measured runs; nothing in it is typed by hand. "
        f"{dt.datetime.now(tz=dt.UTC):%Y-%m-%d}, commit {_commit()}, {os.cpu_count()} cores of "
        "a shared "
        f"{platform.machine()} machine, Python {platform.python_version()}, OpenCV {cv2.__version__}.",
        "",
        "All pictures are rendered, so that the truth is exact; photographs of metal hold surprises that "
        "nobody has "
        "drawn. *Own family*: `macrocheck.render`, whose geometry the network's training pictures share, "
        "its painting "
        "not; seeds on which nothing was tuned. *Second family*: `tests/apart`, written separately with "
        "another look, "
        "never trained on. *Third family*: `tests/elsewhere`, written apart from both, "
        "never trained on; seeds under 1000 show where the program errs, those here were not looked at. "
        "*Fourth family*: `tests/otherwise`, whole scenes on a bench, written apart from all others, "
        "used in the same way. "
        "Kinds of joint are stated unless said otherwise; the scale is stated in the "
        "own family (marks "
        "have a benchmark of their own), in the second family half the pictures have a bar that has to be found, "
        "in the third two of three, in the fourth a bar, a rule or a disc in three of four. "
        "In the own family what is melted over an unmelted seam behind the root is a wedge of 20 degrees at least, "
        "as heat leaves it; thinner ones, which were drawn before 2026-11-30, made up a good part of the largest "
        "errors of root penetration. Lengths that are too unsure to state "
        "([definitions](definitions.md#uncertainty)) count as withheld, not as errors. A visual measurement is not "
        "a qualification.",
        "",
    ]
    states = _states(kept)
    if states:
        lines += [*(f"* {s}" for s in states), ""]
    sets = {p.name: rows[p.name] for p in SETS if p.name in rows}
    if sets:
        lines += page_text.sets_sections(sets)
    if "baselines-own-hard" in rows:
        lines += page_more.baseline_section(rows["baselines-own-hard"])
    if "hints-own-hard" in rows:
        lines += page_more.hints_section(rows["hints-own-hard"])
    joints = {name: r for name, r in rows.items() if name.startswith("joint-")}
    if joints:
        lines += page_more.joint_section(joints)
    if "memory" in rows:
        lines += page_more.memory_section(rows["memory"])
    return "\n".join(lines).rstrip() + "\n"


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done, 130 when stopped by Ctrl-C."""
    parser = argparse.ArgumentParser(description="Write docs/accuracy.md, measuring what is missing.")
    parser.add_argument("--parts", help=f"only these, separated by commas: {', '.join(BY_NAME)}")
    parser.add_argument("--count", type=int, help="most pictures of every part")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where rows are kept")
    parser.add_argument("--out", type=Path, default=PAGE, help="where the page goes")
    parser.add_argument("--keep-older", action="store_true", help="keep rows of an earlier state of the source")
    parser.add_argument("--only-write", action="store_true", help="measure nothing")
    parser.add_argument("--plan", action="store_true", help="say what is missing and how long it takes, and stop")
    asked = parser.parse_args(arguments)
    wanted = BY_NAME.keys() if asked.parts is None else asked.parts.split(",")
    unknown = [name for name in wanted if name not in BY_NAME]
    if unknown:
        parser.error(f"no part is called {', '.join(unknown)}; there are {', '.join(BY_NAME)}")
    parts = [p for p in PARTS if p.name in wanted]
    if asked.plan:
        sys.stdout.write(plan(parts, asked.folder, asked.count, keep_older=asked.keep_older) + "\n")
        return 0
    options = {"processes": asked.processes, "keep_older": asked.keep_older}
    try:
        kept = gather(parts, asked.folder, asked.count, measure=not asked.only_write, **options)
    except KeyboardInterrupt:
        sys.stderr.write("stopped; what was done is kept, the same command goes on from there\n")
        return 130
    except RuntimeError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    if not kept:
        sys.stderr.write(f"nothing is kept in {asked.folder} yet; leave out --only-write\n")
        return 1
    asked.out.write_text(page(kept), encoding="utf-8")
    sys.stdout.write(f"{asked.out}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
