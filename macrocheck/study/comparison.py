"""Comparison: what each group of coupons did, and how the groups differ."""

from dataclasses import dataclass

from macrocheck.study.values import CONFIDENCE, CouponValue, Interval, Need, SectionValue, Side, plain

FORMAT = "macrocheck-comparison"
FORMAT_VERSION = 1


@dataclass(frozen=True, slots=True)
class Share:
    """How many coupons were accepted: all of a coupon's sections accepted, none undecided or rejected.

    `share` = accepted / graded; `interval`: Clopper-Pearson, two-sided; `at_least`: the one-sided lower
    Clopper-Pearson bound at the same confidence. None where no coupon was graded.
    """

    graded: int
    accepted: int
    undecided: int
    rejected: int
    share: float | None
    interval: Interval | None
    at_least: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Spread:
    """Where the scatter of a group comes from, as standard deviations in the quantity's unit.

    `coupon`: from coupon to coupon; `section`: from section to section within a coupon; `measurement`: root mean
    square of the stated standard uncertainty of a section. Where no coupon has two sections, coupon and section
    cannot be told apart: `coupon` then holds both and `section` is None. None: cannot be had. Zero: less than the
    measuring hides. `text`: one sentence.
    """

    coupon: float | None
    section: float | None
    measurement: float | None
    text: str


@dataclass(frozen=True, slots=True)
class ToleranceBound:
    """With `confidence`, at least `share` of such coupons lie on this `side` of `bound`.

    `factor`: number of standard deviations from the mean (None for the bound by ranks, which assumes no normal
    distribution). `text`: the sentence. `bound` is None where it cannot be had; the text then says why.
    """

    side: Side
    bound: float | None
    share: float
    confidence: float
    factor: float | None
    method: str
    text: str


@dataclass(frozen=True, slots=True)
class Worst:
    """The single worst section of a group: which, and its value with U95."""

    coupon: str
    section: SectionValue


@dataclass(frozen=True, slots=True)
class Summary:
    """One quantity of one group.

    `mean` of the coupons with its Student `interval`; `sd`: standard deviation of the coupons (what is seen,
    measuring included) with its chi-square interval; `least` and `most` of the sections; `worst`: the least where
    more is better, else the most (`worse` says which way is worse). `tolerance`: by normal theory;
    `tolerance_ranks`: by ranks, where there are enough coupons; `tolerance_section`: for a single section of any
    such coupon instead of a coupon's mean, where coupons have several. `share`: accepted by the limits on this
    quantity.
    `at_least`, `at_most`: the tightest of those limits. `missing`: sections that have no value for it.
    None where too few coupons give it; `needs` and `notes` say so.
    """

    quantity: str
    name: str
    unit: str
    coupons: tuple[CouponValue, ...]
    n_coupons: int
    n_sections: int
    missing: int
    mean: float | None
    interval: Interval | None
    sd: float | None
    sd_interval: Interval | None
    least: float | None
    most: float | None
    worse: Side
    worst: Worst | None
    spread: Spread | None
    tolerance: ToleranceBound | None
    tolerance_ranks: ToleranceBound | None
    share: Share | None
    at_least: float | None = None
    at_most: float | None = None
    needs: tuple[Need, ...] = ()
    notes: tuple[str, ...] = ()
    tolerance_section: ToleranceBound | None = None

    def says_nothing(self, bound: ToleranceBound) -> bool:
        """Tell whether a lower bound lies under zero, where nothing measured lies."""
        return bound.side == "at least" and bound.bound is not None and bound.bound <= 0 <= (self.least or 0.0)


@dataclass(frozen=True, slots=True)
class Group:
    """Coupons that share their settings: `settings` (name, value as shown) pairs, `label` the same as one text."""

    label: str
    settings: tuple[tuple[str, str], ...]
    n_coupons: int
    n_sections: int
    not_measured: int
    share: Share
    summaries: tuple[Summary, ...]

    def summary(self, quantity: str) -> Summary | None:
        """Return the summary of one quantity."""
        return next((s for s in self.summaries if s.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class Difference:
    """Second group less first group in one quantity: Welch's interval on the coupons' values.

    `df`: Welch-Satterthwaite degrees of freedom. `p`: of no difference; `p_adjusted`: after Holm over all
    differences of this comparison. `stands_out`: p_adjusted under 1 - confidence. None where a group has fewer than
    two coupons. `need`: how many coupons in each group would show a difference as large as this one.
    """

    quantity: str
    name: str
    unit: str
    first: str
    second: str
    difference: float
    interval: Interval | None
    df: float | None
    p: float | None
    p_adjusted: float | None
    stands_out: bool | None
    need: Need | None
    text: str


@dataclass(frozen=True, slots=True)
class ShareDifference:
    """Second group's share accepted less the first's, with its interval.

    `p`: of equal shares (Boschloo's exact test); `p_adjusted`: after Holm over all pairs of groups. `stands_out`:
    p_adjusted under 1 - confidence, and the interval leaves out 0.
    """

    first: str
    second: str
    difference: float
    interval: Interval
    stands_out: bool
    text: str
    p: float = 1.0
    p_adjusted: float = 1.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """Groups of coupons and their differences; `by` and `quantities` as asked, `where` the conditions as written.

    `left_out`: (coupon, why) for coupons that fit the conditions and belong to no group. `confidence` and `share`
    are those of every interval and tolerance bound.
    """

    record: str
    by: tuple[str, ...]
    quantities: tuple[str, ...]
    where: tuple[str, ...]
    groups: tuple[Group, ...]
    differences: tuple[Difference, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    confidence: float = CONFIDENCE
    share: float = 0.9
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    share_differences: tuple[ShareDifference, ...] = ()

    def to_json(self) -> dict[str, object]:
        """Return the comparison as a document of plain values."""
        body = plain(self)
        return {"format": FORMAT, "format_version": FORMAT_VERSION, **(body if isinstance(body, dict) else {})}
