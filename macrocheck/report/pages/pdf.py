"""A report as PDF, from the same HTML: tagged, fonts embedded, pages numbered."""

import logging
from types import ModuleType

from macrocheck.errors import InputError, OutputError
from macrocheck.report.pages.collecting import uncollected

_EXTRA = "A PDF needs an extra: pip install 'macrocheck[report]'"
_SYSTEM = (
    "A PDF needs the Pango libraries of the system, which are missing (Debian and Ubuntu: apt-get install "
    "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0); or write an .html and print that."
)


def pdf_bytes(html: str) -> bytes:
    """Return the page as PDF/UA-1 (ISO 14289-1); nothing is fetched but what the page itself holds.

    Raises InputError where the library or the system's libraries are missing.
    """
    return _printed(html, "pdf/ua-1")


def plain_pdf_bytes(html: str) -> bytes:
    """Return a page as PDF without tags, for what is laid over the pages of another."""
    return _printed(html, None)


def _printed(html: str, variant: str | None) -> bytes:
    weasyprint = need_library()
    for name in ("weasyprint", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)
    fetcher = weasyprint.URLFetcher(allowed_protocols=("data",), allow_redirects=False)
    with uncollected():
        made = weasyprint.HTML(string=html, url_fetcher=fetcher, media_type="print").write_pdf(pdf_variant=variant)
    if not made:
        msg = "The PDF came out empty; write an .html instead and print that."
        raise OutputError(msg)
    return bytes(made)


def need_library() -> ModuleType:
    """Return the library that makes PDFs; InputError that says what to install where it or Pango is missing."""
    try:
        import weasyprint
    except ImportError as error:
        raise InputError(_EXTRA) from error
    except OSError as error:  # the dynamic loader found no Pango
        raise InputError(_SYSTEM) from error
    module: ModuleType = weasyprint
    return module
