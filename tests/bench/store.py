"""Rows of a long run, kept a line a picture, so that the run can be stopped at any time and taken up again.

A file holds JSON lines {"seed", "code", "rows"}. `code` is a digest of the source that the rows rest on: rows of
another state of the code are measured anew, unless the caller keeps them.
"""

import argparse
import hashlib
import json
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
ENDINGS = {".py", ".onnx", ".toml", ".json"}

Rows = list[dict[str, Any]]
Job = Callable[[int], Rows]


def picture_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which pictures a bench looks at, on how many processes, and where its rows go."""
    parser.add_argument("--family", default="own")
    parser.add_argument("--look", default="hard")
    parser.add_argument("--first", type=int, default=10000, help="first seed")
    parser.add_argument("--count", type=int, default=20, help="number of pictures")
    parser.add_argument("--seeds", help="these seeds instead, separated by commas")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every row here")


def chosen_seeds(asked: argparse.Namespace) -> list[int]:
    """Return the seeds that `picture_options` were given."""
    if asked.seeds:
        return [int(s) for s in asked.seeds.split(",")]
    return list(range(asked.first, asked.first + asked.count))


def code_digest(sources: Iterable[str]) -> str:
    """Return a digest of files and of all source below folders, given as paths from the top of the tree."""
    total = hashlib.sha256()
    for name in sorted(sources):
        path = ROOT / name
        files = [path] if path.is_file() else sorted(p for p in path.rglob("*") if p.suffix in ENDINGS)
        if not files:
            msg = f"{path} holds no source"
            raise ValueError(msg)
        for file in files:
            total.update(file.relative_to(ROOT).as_posix().encode())
            total.update(hashlib.sha256(file.read_bytes()).digest())
    return total.hexdigest()[:12]


def read_lines(path: Path) -> dict[int, dict[str, Any]]:
    """Return seed -> the latest line kept for it; a line cut short by a kill is passed over."""
    kept: dict[int, dict[str, Any]] = {}
    if path.exists():
        for text in path.read_text(encoding="utf-8").splitlines():
            try:
                line = json.loads(text)
            except json.JSONDecodeError:
                continue
            kept[int(line["seed"])] = line
    return kept


def run_missing(
    path: Path, job: Job, seeds: Sequence[int], *, code: str, processes: int, keep_older: bool = False
) -> list[dict[str, Any]]:
    """Do `job` for every seed that `path` does not hold yet, and return the lines of all `seeds` in their order.

    Every line is written as soon as its picture is done. RuntimeError, naming the seeds, where a process dies.
    """
    kept = read_lines(path)
    missing = [s for s in seeds if s not in kept or (kept[s]["code"] != code and not keep_older)]
    if missing:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as file:
            if file.tell() and not _ends_whole(path):
                file.write("\n")
            say = _Progress(path.stem, len(missing))
            for seed, rows in work(job, missing, processes):
                line = {"seed": seed, "code": code, "rows": rows}
                file.write(json.dumps(line) + "\n")
                file.flush()
                kept[seed] = line
                say.done()
    return [kept[s] for s in seeds]


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) == b"\n"


def work(job: Job, seeds: Sequence[int], processes: int) -> Iterator[tuple[int, Rows]]:
    """Yield (seed, rows) as they are done; RuntimeError, naming the seeds, where a process dies."""
    if processes < 2:
        for seed in seeds:
            yield seed, job(seed)
        return
    # An executor, not a Pool: a worker that dies ends the run with a sentence instead of hanging it.
    pool = ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"))
    left = iter(seeds)
    under_way = {pool.submit(job, s): s for _, s in zip(range(2 * processes), left, strict=False)}
    try:
        while under_way:
            ready, _ = wait(under_way, return_when=FIRST_COMPLETED)
            for future in ready:
                seed = under_way.pop(future)
                yield seed, future.result()
                following = next(left, None)
                if following is not None:
                    under_way[pool.submit(job, following)] = following
    except BrokenProcessPool as error:
        at = ", ".join(str(s) for s in sorted(under_way.values()))
        msg = f"A process died (out of memory?) at one of the seeds {at} or just before; what was done is kept."
        raise RuntimeError(msg) from error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


class _Progress:
    """A line on standard error every half minute."""

    def __init__(self, name: str, total: int) -> None:
        self._name, self._total, self._count = name, total, 0
        self._begun = self._said = time.monotonic()

    def done(self) -> None:
        self._count += 1
        now = time.monotonic()
        if now - self._said > 30 or self._count == self._total:
            self._said = now
            left = (now - self._begun) / self._count * (self._total - self._count)
            sys.stderr.write(f"{self._name}: {self._count} of {self._total}, {left / 60:.0f} min left\n")
            sys.stderr.flush()
