"""What the templates show: text and pictures, nothing left to work out or format."""

from collections.abc import Sequence
from dataclasses import dataclass

from macrocheck.report.tables import Row

USUAL_PLOT_PX = 777
"""Width of a plot of the usual size on the screen."""

Pair = tuple[str, str]
"""A title and what stands beside it."""


@dataclass(frozen=True, slots=True)
class PictureView:
    """A picture: its file's bytes and ending ("jpg", "svg"), its size in px, and what it shows in words."""

    content: bytes
    ending: str
    width: int
    height: int
    alt: str

    @property
    def share(self) -> int:
        """Per cent of the text width that a section's picture takes: 90 mm high at the most, 119 mm wide."""
        return round(100 * min(119.0, max(70.0, 90.0 * self.width / self.height)) / 178.0)


@dataclass(frozen=True, slots=True)
class LimitView:
    """One limit and its verdict: the number and its guard band, or `text` on why there is none.

    `reference`: the number of its source in the list of sources.
    """

    limit: str
    quantity: str
    requirement: str
    measured: str
    word: str
    text: str
    source: str
    mark: str
    reference: int


@dataclass(frozen=True, slots=True)
class SidesRow:
    """A quantity that both sides of a weld have; a side is None where it has no value."""

    name: str
    unit: str
    first: Row | None
    second: Row | None


@dataclass(frozen=True, slots=True)
class WeldView:
    """One weld: rows of both `sides` (their names), the other rows, what is `said` under them, and its limits."""

    title: str
    sides: Pair
    paired: Sequence[SidesRow]
    rows: Sequence[Row]
    said: Sequence[Pair]
    limits: Sequence[LimitView]


@dataclass(frozen=True, slots=True)
class FlagView:
    """A flag with the number that it has in the picture, 0 where it has none there."""

    number: int
    code: str
    text: str
    weld: str


@dataclass(frozen=True, slots=True)
class SectionView:
    """One section. `grade` is a key of `wording.GRADE_WORDS`; `facts` are scale and provenance."""

    name: str
    grade: str
    failure: str
    picture: PictureView | None
    whole: PictureView | None
    note: str
    scale: Sequence[Pair]
    welds: Sequence[WeldView]
    flags: Sequence[FlagView]
    facts: Sequence[Pair]
    history: Sequence["RevisionView"]


@dataclass(frozen=True, slots=True)
class RevisionView:
    """A revision: what it is of, when, who, why, with what, and how its hash begins."""

    what: str
    at: str
    who: str
    reason: str
    version: str
    hash: str


@dataclass(frozen=True, slots=True)
class CouponView:
    """One coupon; `anchor` is its id in the page."""

    anchor: str
    name: str
    grade: str
    run: str
    settings: Sequence[Pair]
    derived: str
    examination: Sequence[Pair]
    missing: str
    sections: Sequence[SectionView]
    history: Sequence[RevisionView]


@dataclass(frozen=True, slots=True)
class TableRow:
    """A line of the run's table: a section's weld, or the heading of a group (`heading` set, the rest empty)."""

    heading: str = ""
    anchor: str = ""
    coupon: str = ""
    section: str = ""
    cells: Sequence[Pair] = ()
    grade: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class CompareRow:
    """A group in a comparison, all text."""

    group: str
    n: str
    mean: str
    interval: str
    sd: str
    worst: str
    bound: str
    accepted: str


@dataclass(frozen=True, slots=True)
class CompareView:
    """The comparison of one quantity: rows a group, differences, what is lacking."""

    title: str
    unit: str
    bound_title: str
    graded: bool
    rows: Sequence[CompareRow]
    differences: Sequence[tuple[str, str, str, bool]]
    notes: Sequence[str]


@dataclass(frozen=True, slots=True)
class PlotView:
    """A plot with its title for readers who do not see it."""

    picture: PictureView
    caption: str

    @property
    def share(self) -> int:
        """Per cent of the text width: a plot of the usual width takes all of it."""
        return min(100, round(100 * self.picture.width / USUAL_PLOT_PX))


@dataclass(frozen=True, slots=True)
class SourceView:
    """A source of limits: number, text, how it is known."""

    number: int
    text: str
    mark: str


@dataclass(frozen=True, slots=True)
class ReportView:
    """The whole report."""

    title: str
    facts: Sequence[Pair]
    cautions: Sequence[str]
    faults: Sequence[str]
    counts: Sequence[tuple[str, str, int]]
    headings: Sequence[Pair]
    rows: Sequence[TableRow]
    comparisons: Sequence[CompareView]
    compare_notes: Sequence[str]
    plots: Sequence[PlotView]
    coupons: Sequence[CouponView]
    sources: Sequence[SourceView]
    limit_sets: Sequence[tuple[str, Sequence[str]]]
    formulas: Sequence[Pair]
    notes: Sequence[str]
    paper: str
    made: str
