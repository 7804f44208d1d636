"""Photographs measured on this machine's cores, a process each; one that dies or hangs takes nothing else with it.

A pool of our own: each process has a pipe to itself, so that it can be killed at any moment without harm to the
others. The standard library's executor has one pipe for all; it breaks as a whole where one dies, and cannot end
one that hangs.
"""

import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from multiprocessing import connection, get_context, parent_process
from multiprocessing.connection import Connection

from macrocheck.run.work import TIME_LIMIT_S, Outcome, SectionJob, gave_up, measure_section

Job = tuple[SectionJob, ...]
"""A coupon's sections that are to be measured."""

DIED = "The process that measured it died (out of memory, or killed); run it again, with fewer --jobs."

_START_S = 120.0
"""How long a process may take to begin, on a machine that is busy with other things."""

_LOOK_S = 5.0
"""The clocks are looked at this often. Of a longer pause (a closed laptop, Ctrl-Z) at most twice this counts."""

_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

_Unit = tuple[int, int]
"""A coupon's index and its section's."""


def measure_here(
    jobs: Sequence[Job], processes: int, time_limit_s: float = TIME_LIMIT_S
) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
    """Yield (index of the job, its outcomes) as they come.

    `time_limit_s`: a photograph that takes longer is a failure, and its process is ended. One whose process dies
    is tried once more, alone, after the others; if it dies again it is a failure.
    """
    outcomes: dict[int, dict[int, Outcome]] = {}
    for (i, k), outcome in _each(jobs, processes, time_limit_s):
        found = outcomes.setdefault(i, {})
        found[k] = outcome
        if len(found) == len(jobs[i]):
            del outcomes[i]  # or memory would grow with the run
            yield i, tuple(found[k] for k in range(len(jobs[i])))


def _each(jobs: Sequence[Job], processes: int, time_limit_s: float) -> Iterator[tuple[_Unit, Outcome]]:
    died: list[_Unit] = []
    yield from _many(
        jobs, [(i, k) for i, job in enumerate(jobs) for k in range(len(job))], processes, time_limit_s, died
    )
    for unit in died:
        again: list[_Unit] = []
        yield from _many(jobs, [unit], 1, time_limit_s, again)
        if again:
            yield unit, Outcome(failure=DIED)


def _many(
    jobs: Sequence[Job], units: Sequence[_Unit], processes: int, time_limit_s: float, died: list[_Unit]
) -> Iterator[tuple[_Unit, Outcome]]:
    """Measure `units`; those whose process died are put into `died`."""
    left = deque(units)
    workers = [_Worker(time_limit_s) for _ in range(min(processes, len(left)))]
    try:
        looked = time.monotonic()
        while True:
            for i, worker in enumerate(workers):
                if left and worker.dead:
                    workers[i] = _Worker(time_limit_s)
                workers[i].take(jobs, left)
            busy = {w: w.unit for w in workers if w.unit is not None}
            if not busy:
                return
            ready = connection.wait([w.pipe for w in busy], min(_LOOK_S, *(w.left_s for w in busy)))
            now = time.monotonic()
            passed, looked = min(now - looked, 2 * _LOOK_S), now
            for worker, unit in busy.items():
                worker.left_s -= passed
                if worker.pipe in ready:
                    outcome = worker.receive()
                    if worker.dead:
                        died.append(unit)
                    elif outcome is not None:
                        worker.take(jobs, left)  # before what came is recorded, so that it does not wait for that
                        yield unit, outcome
                elif worker.left_s <= 0:
                    worker.end()
                    yield unit, Outcome(failure=gave_up(time_limit_s))
    finally:  # also when the caller stops early (Ctrl-C): what is under way is for the next run
        for worker in workers:
            worker.end()


class _Worker:
    """A process that measures, its pipe, what it is at, and how long it may still take."""

    def __init__(self, time_limit_s: float) -> None:
        context = get_context("spawn")
        self.time_limit_s = time_limit_s
        self.pipe, other = context.Pipe()
        self.process = context.Process(target=_serve, args=(other, measure_section), daemon=True)
        with _interrupts_held(), _one_thread():
            self.process.start()
        other.close()
        self.unit: _Unit | None = None
        self.left_s = max(_START_S, time_limit_s)
        self.begun = self.dead = False

    def take(self, jobs: Sequence[Job], left: deque[_Unit]) -> None:
        """Send it something to do, if there is anything and it has nothing."""
        if not left or self.dead or self.unit is not None:
            return
        self.unit = left.popleft()
        if self.begun:
            self.left_s = self.time_limit_s
        with suppress(OSError):  # it is dead; reading from it will say so
            self.pipe.send(jobs[self.unit[0]][self.unit[1]])

    def receive(self) -> Outcome | None:
        """Take what it sent: an outcome, or None where it said that it has begun, or is dead."""
        try:
            outcome: Outcome | None = self.pipe.recv()
        except (EOFError, OSError):
            self.end()
            return None
        if outcome is None:
            self.begun, self.left_s = True, self.time_limit_s
        else:
            self.unit = None
        return outcome

    def end(self) -> None:
        """End it, whatever it is at."""
        if not self.dead:
            self.dead, self.unit = True, None
            self.process.kill()
            self.process.join()
            self.pipe.close()


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Start a process deaf to Ctrl-C from its first moment; it reaches this process afterwards."""
    if sys.platform == "win32":
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # it would lift the hold when it is started in the middle
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Start a process whose linear algebra takes one thread, as the environment says that it begins with."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _serve(pipe: Connection, measure: Callable[[SectionJob], Outcome]) -> None:
    """Measure what comes through the pipe until it is closed."""
    _prepare()
    with suppress(EOFError, OSError):  # the parent is gone
        pipe.send(None)
        while True:
            pipe.send(measure(pipe.recv()))


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
