"""The pictures of all sections, drawn while the rest of the report is made: many of them by processes."""

import math
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from itertools import islice
from multiprocessing import get_context
from threading import Event

from macrocheck.cores import cores
from macrocheck.errors import OutputError
from macrocheck.record.photos import PhotoStore
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.pages.facts import SectionFacts
from macrocheck.report.pages.photos import Found, find_photo
from macrocheck.report.pages.pictures import SectionPictures, section_pictures

PICTURE_BYTES = 26_000_000
"""What all pictures together may weigh; more of them are made smaller."""
LONGEST_PX, SHORTEST_PX = 1500, 700
"""Longer side of a section's picture: the most that 120 mm of paper show at 300 px per inch, and the least that can
be read."""
_BYTES_PER_PX = 0.21
"""Of a JPEG at the best quality, with outline and labels; 0.13 to 0.2 on rendered photographs of 12 Mpx."""
_MOST_OVER = 1.2
"""A picture may weigh this much more than its share."""
_MANY = 24
"""More sections than this are drawn by processes, which take a second to begin."""
_PROCESSES = 4
"""At most."""
_THREADS = 2
"""Sections drawn at the same time in this process: more of them wait for one another."""

Drawn = Mapping[str, Mapping[str, SectionPictures]]
"""Coupon -> section -> pictures."""


@contextmanager
def drawing(sections: Sequence[SectionFacts], store: PhotoStore, unit: LengthUnit) -> Iterator[Callable[[], Drawn]]:
    """Begin to draw the sections, as large as all of them together may be; what is yielded waits for the pictures.

    Raises OutputError where a process was ended.
    """
    stopped = Event()
    with ThreadPoolExecutor(1) as aside:
        made = aside.submit(_draw, sections, store, unit, stopped)
        try:
            yield made.result
        finally:
            stopped.set()


def _draw(sections: Sequence[SectionFacts], store: PhotoStore, unit: LengthUnit, stopped: Event) -> Drawn:
    long_px = picture_side(len(sections))
    most_bytes = round(_MOST_OVER * PICTURE_BYTES / max(len(sections), 1))
    drawn: dict[str, dict[str, SectionPictures]] = {s.coupon: {} for s in sections}
    try:
        with _pool(len(sections)) as (pool, at_once):
            rest = iter(sections)

            def begun(section: SectionFacts) -> tuple[SectionFacts, Future[SectionPictures]]:
                return section, pool.submit(_one, section, find_photo(section, store), long_px, most_bytes, unit)

            waiting = [begun(s) for s in islice(rest, 2 * at_once)]  # photographs are large: few of them wait
            while waiting and not stopped.is_set():
                section, made = waiting.pop(0)
                drawn[section.coupon][section.section] = made.result()
                waiting += [begun(s) for s in islice(rest, 1)]
    except BrokenExecutor as error:
        msg = (
            "The pictures could not be drawn: a process was ended, most likely for want of memory; close other "
            "programs, or choose fewer coupons with --where."
        )
        raise OutputError(msg) from error
    return _Forgiving(drawn)


def _one(section: SectionFacts, found: Found, long_px: int, most_bytes: int, unit: LengthUnit) -> SectionPictures:
    return section_pictures(section, found, long_px=long_px, most_bytes=most_bytes, unit=unit)


@contextmanager
def _pool(sections: int) -> Iterator[tuple[Executor, int]]:
    """Yield what draws, and how many sections at the same time."""
    processes = min(_PROCESSES, cores())
    if sections <= _MANY or processes < 2:
        with ThreadPoolExecutor(_THREADS) as threads:
            yield threads, _THREADS
    else:
        context = get_context("spawn")
        with ProcessPoolExecutor(processes, mp_context=context, initializer=_begin) as pool:
            yield pool, processes


def _begin() -> None:
    """Leave Ctrl-C to the process that began this one, and the other cores to the other processes."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


class _Forgiving(dict[str, dict[str, SectionPictures]]):
    """A coupon without sections has no pictures."""

    def __missing__(self, key: str) -> dict[str, SectionPictures]:
        return {}


def picture_side(count: int) -> int:
    """Return the longer side, px, of each of `count` pictures of the usual shape (4:3)."""
    each = PICTURE_BYTES / max(count, 1) / _BYTES_PER_PX
    return round(min(LONGEST_PX, max(SHORTEST_PX, math.sqrt(each * 4 / 3))))
