"""Coupons measured on an existing Dask cluster: the photographs travel with the work, nothing has to be shared."""

import logging
import time
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from macrocheck import __version__
from macrocheck.errors import InputError, OutputError
from macrocheck.run.pool import DIED, Job
from macrocheck.run.work import TIME_LIMIT_S, Outcome, gave_up, measure_sections

WAIT_S = 15
"""How long the scheduler may take to answer, and how long there may be no worker, s."""

_AHEAD = 2
"""Coupons sent for each thread of the cluster: one under way and one waiting beside it."""

_LARGE = "distributed.admin.large-graph-warning-threshold"
"""Photographs are large, and each is needed once: what Dask would warn about is meant."""

_LOOK_S = 5.0
"""The clocks are looked at this often."""


def measure_there(jobs: Job) -> tuple[str, tuple[Outcome, ...]]:
    """Measure a coupon's sections in a worker of the cluster; return its macrocheck's version and the outcomes."""
    import cv2

    cv2.setNumThreads(1)  # the cluster says how many are measured at once
    return __version__, measure_sections(jobs)


def measure_on_cluster(
    jobs: Sequence[Job], address: str, time_limit_s: float = TIME_LIMIT_S
) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
    """Yield (index of the job, its outcomes) as they come from the cluster at `address` (tcp://HOST:PORT).

    A worker that dies takes nothing with it: its coupons go to the others. `time_limit_s`: a photograph may take
    that long, and as long again wait for its turn; then its coupon is a failure and its worker is begun anew.
    Raises InputError where the extra `cluster` is missing or nothing answers at the address, OutputError where the
    cluster is lost in the middle.
    """
    try:
        import dask
        import distributed
        from distributed.comm.core import CommClosedError
    except ImportError as error:
        msg = 'A cluster needs an extra, here and on its workers: pip install "macrocheck[cluster]".'
        raise InputError(msg) from error
    if not jobs:
        return
    library: Any = distributed  # its functions carry no types
    for name in ("distributed", "distributed.client"):  # what goes wrong is said in a sentence of ours
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client: Any = library.Client(address, timeout=WAIT_S)
    except (OSError, ValueError, TimeoutError) as error:
        msg = f"No Dask scheduler answers at {address}; write its address as tcp://HOST:PORT."
        raise InputError(msg) from error
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
        with dask.config.set({_LARGE: "1TB"}):
            yield from _many(client, jobs, time_limit_s)
    except (CommClosedError, TimeoutError, CancelledError) as error:
        msg = f"The cluster at {address} was lost or has no worker; what is finished is kept, run it again."
        raise OutputError(msg) from error
    finally:
        client.close(timeout=WAIT_S)


def _many(client: Any, jobs: Sequence[Job], time_limit_s: float) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
    from distributed import wait

    waiting: Any = wait
    left = deque(range(len(jobs)))
    ahead = _AHEAD * max(1, sum(client.nthreads().values()))
    most_s = _AHEAD * time_limit_s * max(map(len, jobs))
    sent: dict[Any, int] = {}  # what is not in it is let go of, here and on the cluster
    since: dict[int, float] = {}

    def send() -> None:
        while left and len(sent) < ahead:
            index = left.popleft()
            future = client.submit(measure_there, _with_photos(jobs[index]), pure=False)
            sent[future], since[index] = index, time.monotonic()

    send()
    seen = time.monotonic()
    while sent:
        try:
            done = waiting(list(sent), timeout=min(_LOOK_S, most_s), return_when="FIRST_COMPLETED").done
        except TimeoutError:
            done = set()
        come = [(future, sent.pop(future)) for future in done]
        send()
        done.clear()
        while come:
            future, index = come.pop(0)
            yield index, _outcomes(future, jobs[index])
            del future
        now = time.monotonic()
        late = [future for future, index in sent.items() if now - since[index] > most_s]
        if client.nthreads():
            seen = now
        elif now - seen > WAIT_S:
            raise TimeoutError
        for future in late:
            index = sent.pop(future)
            _end(client, future)
            since.update(dict.fromkeys(sent.values(), time.monotonic()))  # what waited behind it begins anew
            yield index, tuple(Outcome(failure=gave_up(most_s)) for _ in jobs[index])


def _end(client: Any, future: Any) -> None:
    """Give a coupon up and begin its worker anew, where something looks after it that can (Dask's nanny)."""
    workers = [worker for worker, keys in client.processing().items() if future.key in keys]
    future.cancel()
    with suppress(ValueError, OSError, TimeoutError):  # a worker without a nanny goes on as it is, a thread fewer
        client.restart_workers(workers, timeout=WAIT_S, raise_for_error=False)


def _with_photos(jobs: Job) -> Job:
    """Put the photographs' bytes into the jobs; one that cannot be read is left to fail where it is measured."""
    sent = []
    for job in jobs:
        try:
            sent.append(replace(job, content=Path(job.photo).read_bytes()))
        except OSError:
            sent.append(replace(job, content=b""))
    return tuple(sent)


def _outcomes(future: Any, jobs: Job) -> tuple[Outcome, ...]:
    from distributed import KilledWorker

    error = future.exception()
    if error is not None:
        what = DIED if isinstance(error, KilledWorker) else f"The cluster could not measure it: {_one_line(error)}."
        return tuple(Outcome(failure=what) for _ in jobs)
    version, outcomes = future.result()
    if version != __version__:
        what = f"A worker of the cluster has macrocheck {version}, this is {__version__}; make them the same."
        return tuple(Outcome(failure=what) for _ in jobs)
    done: tuple[Outcome, ...] = outcomes
    return done


def _one_line(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())[:200].rstrip(".")
