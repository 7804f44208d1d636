"""Coupons measured on this machine's cores, a process each; one that dies takes nothing else with it."""

import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import connection, get_context, parent_process

from macrocheck.run.work import Outcome, SectionJob, measure_sections

Job = tuple[SectionJob, ...]
"""A coupon's sections that are to be measured."""

DIED = "The process that measured it died (out of memory, or killed); run it again, with fewer --jobs."


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def measure_here(jobs: Sequence[Job], processes: int) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
    """Yield (index of the job, its outcomes) as they come.

    Where a process dies, every job that was under way is tried once more, alone; the one that dies again is a
    failure, the others are not.
    """
    left = list(range(len(jobs)))
    while left:
        suspects: list[int] = []
        yield from _many(jobs, left, min(processes, len(left)), suspects)
        for index in suspects:
            again: list[int] = []
            yield from _many(jobs, [index], 1, again)
            if again:
                yield index, tuple(Outcome(failure=DIED) for _ in jobs[index])


def _many(
    jobs: Sequence[Job], left: list[int], processes: int, suspects: list[int]
) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
    """Measure jobs out of `left` until it is empty or a process dies; then `suspects` holds what was under way."""
    pool = ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=_prepare)
    under_way: dict[Future[tuple[Outcome, ...]], int] = {}
    try:
        while (left or under_way) and not suspects:
            try:
                # One more than there are processes, so that none waits; not all, so that results do not pile up.
                while left and len(under_way) <= processes:
                    under_way[pool.submit(measure_sections, jobs[left[0]])] = left[0]
                    left.pop(0)
            except BrokenProcessPool:
                if not under_way:
                    suspects.append(left.pop(0))
                    return
            done, _ = wait(under_way, return_when=FIRST_COMPLETED)
            if any(isinstance(f.exception(), BrokenProcessPool) for f in done):
                done, _ = wait(under_way)  # the pool breaks them all; some may have come through before
            for future in done:
                index = under_way.pop(future)
                if isinstance(future.exception(), BrokenProcessPool):
                    suspects.append(index)
                else:
                    yield index, future.result()
    finally:
        # Also when the caller stops early (Ctrl-C): what runs is let finish. A worker killed half way through
        # sending its result would leave the executor waiting for the rest of it for ever.
        pool.shutdown(wait=True, cancel_futures=True)


def _prepare() -> None:
    """Begin a worker: one thread, deaf to Ctrl-C (the parent ends it), and gone when the parent is gone."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_follow, args=(parent.sentinel,), daemon=True).start()


def _follow(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)
