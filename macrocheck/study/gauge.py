"""GaugeStudy: how far the measuring itself agrees with itself."""

from dataclasses import dataclass
from typing import Literal

from macrocheck.study.values import CONFIDENCE, Interval, plain

FORMAT = "macrocheck-gauge-study"
FORMAT_VERSION = 1

Source = Literal["repeat", "photo", "person", "person by section", "section", "coupon"]
"""repeat: the same person, the same photo, again; photo: another photo of the same section; person: people differ
everywhere alike; person by section: people differ on one section and not on another; section: from section to
section of one coupon; coupon: from coupon to coupon."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one quantity: of which coupon and section, from which photo, by whom, with which u.

    `person`: who drew or corrected the outline; "macrocheck" where the outline is as found. `revision`: its number
    on the record.
    """

    coupon: str
    section: str
    photo: str
    person: str
    value: float
    u: float | None = None
    revision: int | None = None


@dataclass(frozen=True, slots=True)
class Component:
    """One source of scatter: variance and `sd` in the quantity's unit.

    `percent_study` = 100 sd / total sd; `percent_variance` = 100 variance / total variance. `interval` of sd where
    it can be had. `of_measuring`: whether it counts as the measuring's (gauge) or as the parts'. `levels`: how many
    different ones there were. `also`: sources that could not be told apart from this one and are in it.
    """

    source: Source
    variance: float
    sd: float
    percent_study: float
    percent_variance: float
    of_measuring: bool
    levels: int
    interval: Interval | None = None
    also: tuple[Source, ...] = ()


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of the analysis of variance: F and p against the line it is tested with, None where it is not."""

    name: str
    df: int
    sum_squares: float
    mean_square: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """The study of one quantity.

    `repeatability`, `reproducibility`, `gauge` (both together), `parts`, `total`: standard deviations in the
    quantity's unit; None where no section was measured more than once (`notes` says what to do).
    `percent_gauge` = 100 gauge / total. `categories`: number of distinct categories, 1.41 parts / gauge, cut to
    whole. `method`: "analysis of variance" for balanced data, "restricted maximum likelihood" otherwise.
    `pooled`: the person-by-section line was added to the repeats (its p over 0.25). `stated_u`: root mean square of
    the readings' stated standard uncertainty, to compare with `gauge`; what is common to every reading of one photo
    (its scale) is in the former only. `text`: one sentence of what it says.
    """

    quantity: str
    name: str
    unit: str
    readings: tuple[Reading, ...]
    n_coupons: int
    n_sections: int
    n_photos: int
    people: tuple[str, ...]
    balanced: bool
    method: str
    anova: tuple[AnovaRow, ...]
    components: tuple[Component, ...]
    repeatability: float | None
    reproducibility: float | None
    gauge: float | None
    parts: float | None
    total: float | None
    percent_gauge: float | None
    categories: int | None
    pooled: bool
    stated_u: float | None
    text: str
    notes: tuple[str, ...] = ()

    def component(self, source: Source) -> Component | None:
        """Return one component."""
        return next((c for c in self.components if c.source == source), None)


@dataclass(frozen=True, slots=True)
class Repeatability:
    """The studies of several quantities of one record."""

    record: str
    where: tuple[str, ...]
    studies: tuple[GaugeStudy, ...]
    confidence: float = CONFIDENCE
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def to_json(self) -> dict[str, object]:
        """Return the studies as a document of plain values."""
        body = plain(self)
        return {"format": FORMAT, "format_version": FORMAT_VERSION, **(body if isinstance(body, dict) else {})}
