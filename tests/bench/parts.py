"""The parts of the accuracy report: which pictures each takes, what is done with them, what that rests on."""

import contextlib
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from tests.bench.accuracy import case_rows, measure_case, picture_rows
from tests.bench.baselines import METHODS, baseline_row
from tests.bench.cases import load_case
from tests.bench.compare import Row
from tests.bench.hints import hint_rows
from tests.bench.memory import memory_rows
from tests.bench.store import Job

TOOL = (
    "macrocheck/outline.py",
    "macrocheck/pipeline.py",
    "macrocheck/quantities.py",
    "macrocheck/calibrate",
    "macrocheck/segment",
    "macrocheck/measure",
)
"""Source on which every measured number rests."""
BENCH = tuple(f"tests/bench/{name}.py" for name in ("cases", "accuracy", "compare", "distance"))
PICTURES = {
    "own": ("macrocheck/render",),
    "apart": ("tests/apart",),
    "elsewhere": ("tests/elsewhere",),
    "otherwise": ("tests/otherwise",),
}


@dataclass(frozen=True, slots=True)
class Part:
    """One part: `job` for each of `count` seeds from `first` on; `cpu_s`: about what one takes."""

    name: str
    job: Job
    first: int
    count: int
    cpu_s: float
    sources: tuple[str, ...]

    def seeds(self, count: int | None) -> range:
        """Return the seeds, of which there are at most `count`."""
        return range(self.first, self.first + (self.count if count is None else min(count, self.count)))


def baseline_rows(seed: int, *, family: str, look: str) -> list[Row]:
    """Measure one picture and run every baseline on its welds; a row per weld and method.

    `seconds` of processor time: of the program, the whole measurement of the picture, of which `outline_s` is for
    finding the outline; of a baseline, the method on that weld.
    """
    import cv2

    from macrocheck.errors import MacrocheckError
    from macrocheck.segment import find_outline

    cv2.setNumThreads(1)
    case = load_case(family, look, seed)
    begun = time.process_time()
    with contextlib.suppress(MacrocheckError):
        find_outline(case.photo(), joint=case.joint)
    outline_s = time.process_time() - begun
    begun = time.process_time()
    measured = case_rows(case, partial(measure_case, case))
    seconds = time.process_time() - begun
    rows: list[Row] = []
    for row in measured:
        own: Row = {"seed": seed, "weld": row["weld"], "found": row["found"], "method": "macrocheck"}
        own |= {"seconds": seconds, "outline_s": outline_s, "pixels": case.rgb.shape[0] * case.rgb.shape[1]}
        rows.append({**own, "off": row.get("off")})
        rows += [baseline_row(case, row["weld"], name, method) for name, method in METHODS.items()]
    return rows


def joint_rows(seed: int, *, family: str, look: str) -> list[Row]:
    """Have the kind of joint told; one row: true kind, told kind (None: no result), whether that is flagged."""
    import cv2

    from macrocheck.errors import MacrocheckError
    from macrocheck.segment import find_outline

    cv2.setNumThreads(1)
    case = load_case(family, look, seed)
    begun = time.perf_counter()
    try:
        outline = find_outline(case.photo(), joint="auto")
    except MacrocheckError:
        return [{"seed": seed, "true": case.joint, "told": None, "unsure": False}]
    unsure = any(f.code == "joint_unsure" for f in outline.flags)
    told = outline.welds[0].joint
    return [
        {"seed": seed, "true": case.joint, "told": told, "unsure": unsure, "seconds": time.perf_counter() - begun}
    ]


def memory_job(photos: int, *, every: int) -> list[dict[str, Any]]:
    """Measure so many photos in one process; the number stands where other parts have their seed."""
    return memory_rows(photos, every)


def _set(family: str, look: str, first: int, count: int, cpu_s: float) -> Part:
    job = partial(picture_rows, family=family, look=look)
    return Part(f"{family}-{look}", job, first, count, cpu_s, (*TOOL, *BENCH, *PICTURES[family]))


def _with(name: str, what: Any, family: str, look: str, first: int, count: int, cpu_s: float, *more: str) -> Part:
    job = partial(what, family=family, look=look)
    return Part(f"{name}-{family}-{look}", job, first, count, cpu_s, (*TOOL, *BENCH, *PICTURES[family], *more))


SETS: tuple[Part, ...] = (
    _set("own", "fair", 40000, 200, 2.3),
    _set("own", "grain", 41000, 100, 2.3),
    _set("own", "hard", 42000, 500, 1.8),
    _set("own", "bead", 44000, 60, 1.5),
    _set("apart", "fair", 0, 200, 1.8),
    _set("apart", "grain", 0, 100, 2.0),
    _set("apart", "hard", 0, 200, 2.0),
    _set("elsewhere", "fair", 5000, 60, 2.0),
    _set("elsewhere", "hard", 5000, 60, 2.0),
    _set("otherwise", "fair", 5000, 60, 2.5),
    _set("otherwise", "hard", 5000, 60, 2.5),
    _set("otherwise", "bead", 5000, 60, 2.5),
    _set("otherwise", "corner", 5000, 60, 2.5),
)
"""For reporting alone: seeds from 40000 on of the own family, 5000 on of third and fourth, all of the second."""

PARTS: tuple[Part, ...] = (
    *SETS,
    _with("joint", joint_rows, "own", "hard", 42000, 120, 1.6),
    _with("joint", joint_rows, "apart", "hard", 0, 120, 1.6),
    _with("hints", hint_rows, "own", "hard", 42000, 500, 4.5, "tests/bench/hints.py", "tests/bench/aims.py"),
    _with("baselines", baseline_rows, "own", "hard", 42000, 60, 30.0, "tests/bench/baselines.py"),
    Part("memory", partial(memory_job, every=50), 1000, 1, 900.0, (*TOOL, "tests/bench/memory.py")),
)
BY_NAME: dict[str, Part] = {p.name: p for p in PARTS}


def all_rows(lines: Sequence[dict[str, Any]]) -> list[Row]:
    """Return the rows of kept lines."""
    return [row for line in lines for row in line["rows"]]
