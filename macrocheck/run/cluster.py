"""Coupons measured on an existing Dask cluster: the photographs travel with the work, nothing has to be shared."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from macrocheck import __version__
from macrocheck.errors import InputError, OutputError
from macrocheck.run.pool import DIED, Job
from macrocheck.run.work import Outcome, measure_sections

WAIT_S = 15
"""How long the scheduler may take to answer."""

_AHEAD = 2
"""Coupons sent for each thread of the cluster: one under way and one waiting beside it."""


def measure_there(jobs: Job) -> tuple[str, tuple[Outcome, ...]]:
    """Measure a coupon's sections in a worker of the cluster; return its macrocheck's version and the outcomes."""
    import cv2

    cv2.setNumThreads(1)  # the cluster says how many are measured at once
    return __version__, measure_sections(jobs)


def measure_on_cluster(jobs: Sequence[Job], address: str) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
    """Yield (index of the job, its outcomes) as they come from the cluster at `address` (tcp://HOST:PORT).

    A worker that dies takes nothing with it: its coupons go to the others. Raises InputError where the extra
    `cluster` is missing or nothing answers at the address, OutputError where the cluster is lost in the middle.
    """
    try:
        import distributed
        from distributed import KilledWorker
        from distributed.comm.core import CommClosedError
    except ImportError as error:
        msg = 'A cluster needs an extra, here and on its workers: pip install "macrocheck[cluster]".'
        raise InputError(msg) from error
    if not jobs:
        return
    library: Any = distributed  # its functions carry no types
    try:
        client: Any = library.Client(address, timeout=WAIT_S)
    except (OSError, ValueError, TimeoutError) as error:
        msg = f"No Dask scheduler answers at {address}; write its address as tcp://HOST:PORT."
        raise InputError(msg) from error
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
        ahead = _AHEAD * sum(client.nthreads().values())
        left = iter(range(len(jobs)))
        indices: dict[str, int] = {}

        def send() -> Any | None:
            """Send the next coupon that can be read."""
            for index in left:
                future = client.submit(measure_there, _with_photos(jobs[index]), pure=False)
                indices[future.key] = index
                return future
            return None

        coming: Any = library.as_completed([f for f in (send() for _ in range(ahead)) if f is not None])
        for future in coming:
            index = indices.pop(future.key)
            if (more := send()) is not None:
                coming.add(more)
            yield index, _outcomes(future, jobs[index], KilledWorker)
    except (CommClosedError, TimeoutError) as error:
        msg = f"The cluster at {address} was lost or has no worker; what is finished is kept, run it again."
        raise OutputError(msg) from error
    finally:
        client.close(timeout=WAIT_S)


def _with_photos(jobs: Job) -> Job:
    """Put the photographs' bytes into the jobs; one that cannot be read is left to fail where it is measured."""
    sent = []
    for job in jobs:
        try:
            sent.append(replace(job, content=Path(job.photo).read_bytes()))
        except OSError:
            sent.append(replace(job, content=b""))
    return tuple(sent)


def _outcomes(future: Any, jobs: Job, killed: type[Exception]) -> tuple[Outcome, ...]:
    error = future.exception()
    if error is not None:
        what = DIED if isinstance(error, killed) else f"The cluster could not measure it: {_one_line(error)}."
        return tuple(Outcome(failure=what) for _ in jobs)
    version, outcomes = future.result()
    if version != __version__:
        what = f"A worker of the cluster has macrocheck {version}, this is {__version__}; make them the same."
        return tuple(Outcome(failure=what) for _ in jobs)
    done: tuple[Outcome, ...] = outcomes
    return done


def _one_line(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())[:200].rstrip(".")
