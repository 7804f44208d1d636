"""Limits as they are after reading: immutable, every formula already checked."""

from dataclasses import dataclass, field
from typing import Literal

from macrocheck.grade.formula import Condition, Formula

Mark = Literal["read", "from memory", "stated by the user"]
Rule = Literal["guard band", "simple"]

CHECK_YOUR_COPY = (
    "Check every row against your own copy of the code or standard before you rely on it: "
    "these rows were put together from extracts and from memory, not from the standard itself."
)


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit on one quantity (or on each of several alike, such as the undercut in both members).

    `at_least`, `at_most`: bounds in the quantity's unit, at least one of them set. `when`: the limit is for
    sections where this holds. `joints`: kinds of joint it is for, () for all. `counts_from`: an imperfection
    smaller than this is not counted, unit of the quantity (a setting of the file, no part of a standard).
    `length_rule`: what the rule says about length, which one section cannot decide; `free_at_least`,
    `free_at_most`: inside these there is no imperfection, so its length does not matter. `only_if_given`: left out
    where one of its symbols is not given, instead of undecided.
    """

    name: str
    quantities: tuple[str, ...]
    unit: str
    at_least: Formula | None = None
    at_most: Formula | None = None
    when: Condition | None = None
    joints: tuple[str, ...] = ()
    counts_from: Formula | None = None
    length_rule: str | None = None
    free_at_least: Formula | None = None
    free_at_most: Formula | None = None
    only_if_given: bool = False
    source: str = "stated by the user"
    mark: Mark = "stated by the user"
    note: str = ""

    @property
    def formulas(self) -> tuple[Formula, ...]:
        """The bounds that are set."""
        every = (self.at_least, self.at_most, self.free_at_least, self.free_at_most, self.counts_from)
        return tuple(f for f in every if f is not None)

    @property
    def symbols(self) -> frozenset[str]:
        """Every symbol that the bounds and the condition use."""
        used = frozenset[str]().union(*(f.symbols for f in self.formulas))
        return used | (self.when.symbols if self.when else frozenset())


@dataclass(frozen=True, slots=True)
class LimitSet:
    """A limits file: its limits and how they are to be decided.

    `rule` and `guard`: guard band of `guard` times U95, or simple acceptance (no guard band). `given`: symbol ->
    mm. `measured`: symbol -> key of the quantity whose measured value stands for it. `by_eye`: rules that no
    measurement here answers, for a person to look at. `shipped`: True for a set that comes with the package.
    """

    name: str
    limits: tuple[Limit, ...]
    rule: Rule = "guard band"
    guard: float = 1.0
    given: dict[str, float] = field(default_factory=dict)
    measured: dict[str, str] = field(default_factory=dict)
    by_eye: tuple[str, ...] = ()
    title: str = ""
    note: str = ""
    source: str = ""
    shipped: bool = False
