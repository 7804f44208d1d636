"""A long report as PDF: laid out chapter by chapter, so that memory holds a few pages at a time, and joined.

Links, bookmarks, names and tags of the chapters become those of the whole; page numbers are set when all pages are
counted.
"""

import os
import re
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from multiprocessing import get_context

from macrocheck.errors import OutputError
from macrocheck.report.pages.html import html_chapters
from macrocheck.report.pages.joining import ELSEWHERE, Joined, need_library, numbers_page
from macrocheck.report.pages.pdf import pdf_bytes, plain_pdf_bytes
from macrocheck.report.pages.view import ReportView

SECTIONS = 8
"""Sections a chapter: some sixteen pages, 0.3 GB while they are laid out."""
PROCESSES = 4
"""Chapters laid out at the same time, at most; each takes a core and the memory of a chapter."""


def long_pdf_bytes(view: ReportView) -> bytes:
    """Return the report as PDF/UA-1, as `pdf_bytes` of the whole page would make it."""
    need_library()
    chapters = [_linked(page) for page in html_chapters(view, SECTIONS)]
    processes = max(1, min(PROCESSES, len(chapters), _cores()))
    try:
        with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
            made = pool.map(pdf_bytes, chapters)
            whole = Joined(next(made))
            for chapter in made:
                whole.add(chapter)
            numbers = pool.submit(plain_pdf_bytes, numbers_page(whole.count, view.paper))
            return whole.numbered(numbers.result())
    except BrokenExecutor as error:
        msg = (
            "The PDF could not be laid out: a process was ended, most likely for want of memory; write an .html "
            "instead, or fewer coupons."
        )
        raise OutputError(msg) from error


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _linked(page: str) -> str:
    """Mark links to what is in another chapter. Only the templates write href; text has its quotes escaped."""
    here = set(re.findall(r' id="([\w-]+)"', page))

    def link(match: re.Match[str]) -> str:
        return match[0] if match[1] in here else f'href="{ELSEWHERE}{match[1]}"'

    return re.sub(r'href="#([\w-]+)"', link, page)
