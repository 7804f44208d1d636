"""How every plot looks: one set of colours, markers and line styles that also tell groups apart in grey.

Hues: the colour-blind-safe set of M. Okabe and K. Ito, "Color Universal Design" (2002, revised 2008). Nothing is
told by hue alone: every group has its own marker and its own line style too.
"""

import functools
import io
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.quantities import BY_KEY
from macrocheck.report.numbers import LengthUnit, shown_unit
from macrocheck.report.palette import GREEN, ORANGE, PURPLE, SKY, VERMILION
from macrocheck.units import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

P = ParamSpec("P")
T = TypeVar("T")

INK = "#161b22"
FADED = "#606770"
RULE = "#cecec4"
PLATE = "#e9e7e1"
METAL = "#b9b5aa"

WIDTH_IN, HEIGHT_IN = 6.7, 3.3
"""Usual size: the text width of an A4 page between 20 mm margins."""

_BLUE = (0, 114, 178)


@dataclass(frozen=True, slots=True)
class Look:
    """How one group is drawn: colour, marker and dash pattern (off, (on, off, ...) in points)."""

    colour: str
    marker: str
    dashes: tuple[float, tuple[float, ...] | None]


def _hex(rgb: tuple[int, int, int]) -> str:
    return "#{:02x}{:02x}{:02x}".format(*rgb)


LOOKS: tuple[Look, ...] = (
    Look(_hex(_BLUE), "o", (0, None)),
    Look(_hex(VERMILION), "s", (0, (5.0, 1.6))),
    Look(_hex(GREEN), "^", (0, (1.2, 1.4))),
    Look(_hex(PURPLE), "D", (0, (6.0, 1.4, 1.2, 1.4))),
    Look(_hex(ORANGE), "v", (0, (3.0, 1.2))),
    Look(_hex(SKY), "P", (0, (6.0, 1.4, 1.2, 1.4, 1.2, 1.4))),
    Look(INK, "X", (0, (9.0, 2.5))),
)
"""In order of the groups; more groups than looks begin again."""

LIMIT = "#8f1d14"
LIMIT_DASHES = (7.0, 2.0, 1.5, 2.0)
HALO: Mapping[str, Any] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6}
"""Behind text that stands among lines."""

_RC: Any = {
    "font.family": ["DejaVu Sans"],  # comes with Matplotlib, so a plot looks the same everywhere
    "font.size": 8.0,
    "axes.titlesize": 9.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 8.0,
    "axes.edgecolor": FADED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": "#e4e2db",
    "grid.linewidth": 0.6,
    "xtick.color": FADED,
    "ytick.color": FADED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "text.color": INK,
    "text.parse_math": False,  # names are people's own: a $ in one is a $
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",  # the same letters on every machine, no font to look for
    "svg.hashsalt": "macrocheck",  # the same bytes for the same plot
}


def need_library() -> None:
    """Refuse where Matplotlib is missing: InputError that names the extra."""
    try:
        import matplotlib as mpl  # noqa: F401
    except ImportError as error:
        msg = "Plots need an extra: pip install 'macrocheck[report]'"
        raise InputError(msg) from error


def styled(draw: Callable[P, T]) -> Callable[P, T]:
    """Make a function draw in this style: the settings hold for every text and line that it makes."""

    @functools.wraps(draw)
    def drawn(*args: P.args, **more: P.kwargs) -> T:
        need_library()
        from matplotlib import rc_context

        with rc_context(_RC):
            return draw(*args, **more)

    return drawn


def new_figure(
    width: float = WIDTH_IN, height: float = HEIGHT_IN, rows: int = 1, columns: int = 1, **more: Any
) -> tuple["Figure", list["Axes"]]:
    """Return a figure of `width` x `height` inches and its axes, row by row; call it in a `styled` function."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False, **more)
    return figure, list(axes.ravel())


def to_svg(figure: "Figure") -> bytes:
    """Return a figure as SVG: letters as outlines, no date, no script, nothing to fetch."""
    return _saved(figure, "svg", metadata={"Date": None, "Creator": "macrocheck"})


def to_png(figure: "Figure", dpi: float = 200.0) -> bytes:
    """Return a figure as PNG with `dpi` pixels per inch."""
    return _saved(figure, "png", dpi=dpi, metadata={"Software": "macrocheck"})


def _saved(figure: "Figure", kind: str, **how: Any) -> bytes:
    from matplotlib import rc_context

    file = io.BytesIO()
    with rc_context(_RC), warnings.catch_warnings():
        # A letter that the font lacks comes out as a box; the name stands in the tables too.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(file, format=kind, **how)
    return file.getvalue()


def look(index: int) -> Look:
    """Return the look of group `index` (from 0)."""
    return LOOKS[index % len(LOOKS)]


def factor(unit: str, lengths: LengthUnit) -> float:
    """Return what a number in a quantity's `unit` ("mm", "mm2", "deg", "1") is multiplied by to be shown."""
    inch = {"mm": 1 / MM_PER_INCH, "mm2": 1 / MM_PER_INCH**2}
    return 100.0 if unit == "1" else inch.get(unit, 1.0) if lengths == "in" else 1.0


def axis_label(name: str, unit: str, lengths: LengthUnit = "mm") -> str:
    """Return "Root penetration, mm"."""
    printed = shown_unit(unit, lengths)
    return f"{name}, {printed}" if printed else name


def quantity_name(key: str) -> str:
    """Return the trade's name of a quantity, or its key in words."""
    return BY_KEY[key].name if key in BY_KEY else key.replace("_", " ")


def counted(coupons: int, sections: int | None = None) -> str:
    """Return "n = 6 coupons, 12 sections"."""
    text = f"n = {coupons} coupon{'' if coupons == 1 else 's'}"
    return text if sections is None else f"{text}, {sections} section{'' if sections == 1 else 's'}"


def safe(text: str, longest: int = 40) -> str:
    """Return a name that can be drawn: no control characters, shortened in the middle where it is long."""
    plain = shown(text)
    if len(plain) <= longest:
        return plain
    half = (longest - 1) // 2
    return f"{plain[: longest - 1 - half]}…{plain[-half:]}"


def wrapped(text: str, width: int) -> str:
    """Return a label broken into lines of at most `width` characters."""
    import textwrap

    return "\n".join(textwrap.wrap(text, width, break_long_words=True)) or text


def limit_across(ax: "Axes", value: float, text: str, *, above: bool = True) -> None:
    """Draw a limit as a line across the axes, its text at the right end `above` the line or under it."""
    ax.axhline(value, color=LIMIT, linewidth=1.1, dashes=LIMIT_DASHES, zorder=1.5)
    ax.annotate(
        text,
        (0.995, value),
        xycoords=ax.get_yaxis_transform(),
        xytext=(0, 2 if above else -2),
        textcoords="offset points",
        ha="right",
        va="bottom" if above else "top",
        color=LIMIT,
        fontsize=6.5,
        bbox=HALO,
    )


def limit_upright(ax: "Axes", value: float, text: str) -> None:
    """Draw a limit as an upright line, its text over the axes."""
    ax.axvline(value, color=LIMIT, linewidth=1.1, dashes=LIMIT_DASHES, zorder=1.5)
    ax.annotate(
        text,
        (value, 1.0),
        xycoords=ax.get_xaxis_transform(),
        xytext=(0, 2),
        textcoords="offset points",
        ha="center",
        va="bottom",
        color=LIMIT,
        fontsize=6.5,
    )


def notes_under(figure: "Figure", lines: Sequence[str]) -> None:
    """Write notes small under a figure."""
    if lines:
        width = int(figure.get_figwidth() * 18)
        figure.supxlabel(
            "\n".join(wrapped(line, width) for line in lines), x=0.01, ha="left", fontsize=6.5, color=FADED
        )
