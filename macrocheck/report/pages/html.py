"""A report as one HTML file that needs nothing else: no network, no script, pictures inside."""

from collections.abc import Sequence
from importlib import resources
from typing import TYPE_CHECKING

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.report.pages.view import CouponView, ReportView
from macrocheck.report.pages.wording import GRADE_WORDS

if TYPE_CHECKING:
    from markupsafe import Markup

PAGE_SIZES = {"a4": "A4", "letter": "letter"}
_LONGEST_WORD = 12
"""Letters of a word in a table that is not broken."""


def need_templates() -> None:
    """Refuse where Jinja is missing: InputError that names the extra."""
    try:
        import jinja2  # noqa: F401
    except ImportError as error:
        msg = "Reports need an extra: pip install 'macrocheck[report]'"
        raise InputError(msg) from error


def html_page(view: ReportView) -> str:
    """Fill the templates; every text is escaped, and what the templates leave out is a fault."""
    return _filled(view, view.coupons, front=True, back=True)


def html_chapters(view: ReportView, sections: int) -> list[str]:
    """Return the page in chapters that each stand alone: the front, coupons of about so many sections, the sources.

    Their pages have no number. A link to what is in another chapter points nowhere in its own.
    """
    footer = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x} " for c in view.title)
    parts: list[list[CouponView]] = []
    for coupon in view.coupons:
        if not parts or sum(max(1, len(c.sections)) for c in parts[-1]) >= sections:
            parts.append([])
        parts[-1].append(coupon)
    made = [_filled(view, part, footer=footer) for part in parts]
    return [_filled(view, (), footer=footer, front=True), *made, _filled(view, (), footer=footer, back=True)]


def _filled(
    view: ReportView, coupons: Sequence[CouponView], *, footer: str = "", front: bool = False, back: bool = False
) -> str:
    need_templates()
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    style = (resources.files("macrocheck.report.pages") / "templates" / "report.css").read_text(encoding="utf-8")
    environment = Environment(
        loader=PackageLoader("macrocheck.report.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["breaks"] = _breaks
    return environment.get_template("report.html").render(
        view=view,
        coupons=coupons,
        footer=Markup(footer),  # noqa: S704  letters and digits, and all else as hexadecimal numbers
        front=front,
        back=back,
        style=Markup(style),  # noqa: S704  our own file, which holds no text of anybody else's
        grades=GRADE_WORDS,
        version=__version__,
        page_size=PAGE_SIZES[view.paper],
    )


def _breaks(text: str) -> "Markup":
    """Return the class of a cell that may break within words where a word is long, else nothing.

    A name of 100 letters must not widen a table, and a short one is not to be broken.
    """
    from markupsafe import Markup

    long = any(len(word) > _LONGEST_WORD for word in text.split())
    return Markup(' class="long"') if long else Markup("")
