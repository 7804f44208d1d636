"""A report as one HTML file that needs nothing else: no network, no script, pictures inside."""

import base64
from typing import TYPE_CHECKING

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.report.pages.templates import ICONS, template
from macrocheck.report.pages.view import PictureView, ReportView
from macrocheck.report.pages.wording import GRADE_WORDS
from macrocheck.report.pages.words import WORDS

if TYPE_CHECKING:
    from markupsafe import Markup

_PAGE_SIZES = {"a4": "A4", "letter": "letter"}
_MEDIA_TYPES = {"jpg": "image/jpeg", "svg": "image/svg+xml"}
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
    need_templates()
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("macrocheck.report.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"breaks": _breaks, "address": _address}
    environment.globals |= {"words": WORDS, "grades": GRADE_WORDS}
    return environment.get_template("report.html").render(
        view=view,
        style=Markup(template("report.css").decode()),  # noqa: S704  our own file, which holds no text of anybody else's
        icons={word: data_address(template(file), "svg") for word, file in ICONS.items()},
        version=__version__,
        page_size=_PAGE_SIZES[view.paper],
    )


def data_address(content: bytes, ending: str) -> str:
    """Return a picture's bytes as a data address (RFC 2397)."""
    return f"data:{_MEDIA_TYPES[ending]};base64,{base64.b64encode(content).decode('ascii')}"


def _address(picture: PictureView) -> "Markup":
    """Return a picture as a data address, which needs no escaping."""
    from markupsafe import Markup

    return Markup(data_address(picture.content, picture.ending))  # noqa: S704  letters, digits and +/=;,: only


def _breaks(text: str) -> "Markup":
    """Return the class of a cell that may break within words where a word is long, else nothing.

    A name of 100 letters must not widen a table, and a short one is not to be broken.
    """
    from markupsafe import Markup

    long = any(len(word) > _LONGEST_WORD for word in text.split())
    return Markup(' class="long"') if long else Markup("")
