"""How far the measuring agrees with itself: a gauge study of the readings on a record. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.results import CAUTIONS
from macrocheck.study import anova, reml
from macrocheck.study.data import name_and_unit, per_mm
from macrocheck.study.gauge import AnovaRow, Component, GaugeStudy, Reading, Repeatability, Source
from macrocheck.study.intervals import sd_interval
from macrocheck.study.values import CONFIDENCE, Interval, Lengths
from macrocheck.study.words import amount, counted, listed

CATEGORIES = 1.41
"""Distinct categories are this many times parts over gauge (MSA manual, from memory)."""

GOOD, USABLE = 10.0, 30.0
"""Gauge in per cent of the study's variation: under the first good, over the second not good enough (MSA manual,
from memory)."""

ROUNDING = 1e-18
"""A variance under this fraction of the total is rounding."""

MOST_SINGLE = 300
"""Sections measured once tell of the parts only; more of them than this would cost time and tell no more."""

_MEASURING: tuple[Source, ...] = ("repeat", "photo", "person", "person by section")
_REPRODUCING: tuple[Source, ...] = ("person", "person by section")
_ORDER: tuple[Source, ...] = ("coupon", "section", "person", "person by section", "photo", "repeat")

HOW = (
    "have two or three people measure ten or so sections two or three times each, outlines corrected anew every "
    "time (attach with --by NAME and --reason)"
)


def repeatability(
    readings: Sequence[tuple[str, Sequence[Reading]]],
    *,
    record: str = "",
    where: Sequence[str] = (),
    confidence: float = CONFIDENCE,
    lengths: Lengths = "mm",
) -> Repeatability:
    """Study the readings of each quantity, (key, readings in mm); `lengths`: the unit that lengths are to be in.

    Raises:
        InputError: where no section has two readings of anything, nor a coupon two sections.
    """
    studies = tuple(
        study(key, found, confidence=confidence, lengths=lengths) for key, found in readings if len(found) > 1
    )
    if all(not s.components for s in studies):
        msg = f"Nothing on {record or 'this record'} was measured more than once; {HOW}."
        raise InputError(msg)
    notes = [
        "Readings of one photo share its scale and its etch: what these do shows only between photos.",
        "The parts' scatter is that of these coupons, whatever their settings; percentages go with it.",
    ]
    return Repeatability(record, tuple(where), studies, confidence, tuple(notes), CAUTIONS)


def study(
    quantity: str, readings: Sequence[Reading], *, confidence: float = CONFIDENCE, lengths: Lengths = "mm"
) -> GaugeStudy:
    """Return the gauge study of one quantity; readings in mm, the study in `lengths`."""
    name, unit = name_and_unit(quantity, lengths)
    factor = per_mm(quantity, lengths)
    if factor != 1.0:
        readings = [replace(r, value=r.value * factor, u=None if r.u is None else r.u * factor) for r in readings]
    kept, notes = _worth(readings)
    again = len(kept) > len({(r.coupon, r.section) for r in kept})
    balanced = _as_table(kept)
    found = _by_table(balanced, kept, confidence) if balanced is not None else _by_likelihood(kept, confidence)
    if not again:
        found = replace(found, components=_nothing_repeated(found.components))
    us = [r.u for r in kept if r.u is not None]
    stated = math.sqrt(sum(u**2 for u in us) / len(us)) if us and len(us) == len(kept) else None
    sums = _Sums(found.components, again=again)
    people = tuple(sorted({r.person for r in kept}))
    notes += found.notes + _people_notes(people, found.components)
    if not again:
        notes.append(f"No section was measured twice, so the measuring is in the parts' scatter; {HOW}.")
    return GaugeStudy(
        quantity=quantity,
        name=name,
        unit=unit,
        readings=tuple(readings),
        n_coupons=len({r.coupon for r in kept}),
        n_sections=len({(r.coupon, r.section) for r in kept}),
        n_photos=len({(r.coupon, r.section, r.photo) for r in kept}),
        people=people,
        balanced=balanced is not None,
        method="analysis of variance" if balanced is not None else "restricted maximum likelihood",
        anova=found.rows,
        components=found.components,
        repeatability=sums.repeatability,
        reproducibility=sums.reproducibility,
        gauge=sums.gauge,
        parts=sums.parts,
        total=sums.total,
        percent_gauge=sums.percent,
        categories=sums.categories,
        pooled=found.pooled,
        stated_u=stated,
        text=_text(sums, stated, unit),
        notes=tuple(notes),
    )


def _nothing_repeated(components: Sequence[Component]) -> tuple[Component, ...]:
    """Call what is left over the sections': without a second reading the measuring is in it and not told apart."""
    made = []
    for c in components:
        if c.source == "repeat":
            also: tuple[Source, ...] = (*(s for s in c.also if s != "section"), "repeat")
            made.append(replace(c, source="section", also=also, of_measuring=False))
        else:
            made.append(c)
    return tuple(made)


class _Sums:
    """Standard deviations added up; None where the measuring cannot be told from the parts."""

    def __init__(self, components: Sequence[Component], *, again: bool) -> None:
        def sd(sources: Sequence[Source]) -> float:
            return math.sqrt(sum(c.variance for c in components if c.source in sources))

        self.total: float | None = sd(_ORDER) if components else None
        self.repeatability = sd(("repeat", "photo")) if again else None
        self.reproducibility = (
            sd(_REPRODUCING) if again and any(c.source in _REPRODUCING for c in components) else None
        )
        self.gauge = sd(_MEASURING) if again else None
        self.parts = sd(("coupon", "section")) if again else None
        self.percent = self.categories = None
        if self.gauge is not None and self.total:
            self.percent = 100 * self.gauge / self.total
            if self.gauge > 0 and self.parts is not None:
                self.categories = int(CATEGORIES * self.parts / self.gauge)


@dataclass(frozen=True, slots=True)
class _Found:
    components: tuple[Component, ...]
    rows: tuple[AnovaRow, ...] = ()
    pooled: bool = False
    notes: tuple[str, ...] = ()


def _worth(readings: Sequence[Reading]) -> tuple[list[Reading], list[str]]:
    """Leave out sections measured once where there are very many of them."""
    count: dict[tuple[str, str], int] = {}
    for r in readings:
        count[r.coupon, r.section] = count.get((r.coupon, r.section), 0) + 1
    single = [key for key, n in count.items() if n == 1]
    if len(single) <= MOST_SINGLE or len(single) == len(count):
        return list(readings), []
    drop = set(single[MOST_SINGLE:])
    note = (
        f"Of {len(single)} sections measured once the first {MOST_SINGLE} are taken; they tell of the parts only."
    )
    return [r for r in readings if (r.coupon, r.section) not in drop], [note]


def _as_table(readings: Sequence[Reading]) -> FloatArray | None:
    """Return readings (sections, people, trials) where they fill such a table and there is nothing else in them."""
    sections = list(dict.fromkeys((r.coupon, r.section) for r in readings))
    people = list(dict.fromkeys(r.person for r in readings))
    photos = {(r.coupon, r.section, r.photo) for r in readings}
    coupons = {r.coupon for r in readings}
    cells: dict[tuple[tuple[str, str], str], list[float]] = {}
    for r in readings:
        cells.setdefault(((r.coupon, r.section), r.person), []).append(r.value)
    sizes = {len(v) for v in cells.values()}
    full = len(cells) == len(sections) * len(people) and len(sizes) == 1
    flat = len(photos) == len(sections) and len(coupons) in {1, len(sections)}
    enough = len(sections) > 1 and (len(people) > 1 or next(iter(sizes)) > 1)
    if not (full and flat and enough):
        return None
    return np.array([[cells[s, p] for p in people] for s in sections])


def _by_table(table: FloatArray, readings: Sequence[Reading], confidence: float) -> _Found:
    sections, people, _ = table.shape
    found = anova.crossed(table) if people > 1 else anova.one_way(table[:, 0, :])
    one_each = len({r.coupon for r in readings}) == sections
    part: Source = "coupon" if one_each else "section"
    also: dict[Source, tuple[Source, ...]] = {part: ("section", "photo") if one_each else ("photo",)}
    variances: dict[Source, float] = {part: found.parts}
    levels: dict[Source, int] = {part: sections, "repeat": len(readings)}
    if people > 1:
        variances |= {"person": found.people}
        levels |= {"person": people, "person by section": sections * people}
        if found.pooled or table.shape[2] == 1:
            also["repeat"] = ("person by section",)
        else:
            variances["person by section"] = found.both
    variances["repeat"] = found.repeats
    scatter = (found.alone, float(found.df_alone))
    return _Found(_components(variances, levels, scatter, also, confidence), found.rows, found.pooled)


def _by_likelihood(readings: Sequence[Reading], confidence: float) -> _Found:
    labels: dict[Source, list[tuple[str, ...]]] = {
        "coupon": [(r.coupon,) for r in readings],
        "section": [(r.coupon, r.section) for r in readings],
        "person": [(r.person,) for r in readings],
        "person by section": [(r.person, r.coupon, r.section) for r in readings],
        "photo": [(r.coupon, r.section, r.photo) for r in readings],
    }
    numbers: dict[Source, NDArray[np.intp]] = {s: _numbered(v) for s, v in labels.items()}
    used: list[Source] = []
    also: dict[Source, tuple[Source, ...]] = {}
    for source, number in numbers.items():
        count = int(number.max()) + 1
        if count == 1 or (source == "person by section" and "person" not in used):
            continue
        same = next((u for u in used if _same(number, numbers[u])), None)
        if same is not None:
            also[same] = (*also.get(same, ()), source)
        elif count == len(readings):
            also["repeat"] = (*also.get("repeat", ()), source)
        else:
            used.append(source)
    if not used:
        return _Found(())
    values = np.array([r.value for r in readings])
    blocks = numbers["coupon"] if len({r.coupon for r in readings}) > 1 else numbers["section"]
    inner = [s for s in used if s != "person"]
    people = numbers["person"] if "person" in used else None
    found = reml.components(values, blocks, [numbers[s] for s in inner], people)
    variances: dict[Source, float] = dict(zip(inner, found.nested, strict=True))
    if people is not None:
        variances["person"] = found.crossed
    variances["repeat"] = found.repeats
    scatter = (found.repeats, found.df_repeats)
    levels: dict[Source, int] = {s: int(numbers[s].max()) + 1 for s in used} | {"repeat": len(readings)}
    note = "Readings are unbalanced: components by restricted maximum likelihood, which weighs them as they are."
    return _Found(_components(variances, levels, scatter, also, confidence), notes=(note,))


def _numbered(labels: Sequence[tuple[str, ...]]) -> NDArray[np.intp]:
    index = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    return np.array([index[label] for label in labels], dtype=np.intp)


def _same(a: NDArray[np.intp], b: NDArray[np.intp]) -> bool:
    """Tell whether two factors part the readings alike (both are numbered in order of appearance)."""
    return bool(np.array_equal(a, b))


def _components(
    raw: dict[Source, float],
    levels: dict[Source, int],
    scatter: tuple[float, float],
    also: dict[Source, tuple[Source, ...]],
    confidence: float,
) -> tuple[Component, ...]:
    """Return the components; `scatter`: variance and degrees of freedom behind the interval of the repeats."""
    # Readings that agree to the last digit leave rounding behind, which is no scatter.
    nothing = ROUNDING * sum(raw.values())
    variances = {s: v if v > nothing else 0.0 for s, v in raw.items()}
    total = sum(variances.values())
    made = []
    for source in (s for s in _ORDER if s in variances):
        v = variances[source]
        interval = None
        if source == "repeat" and scatter[1] >= 1 and v > 0 and scatter[0] > 0:
            low, high = sd_interval(math.sqrt(scatter[0]), scatter[1], confidence)
            interval = Interval(float(low), float(high), confidence)
        made.append(
            Component(
                source=source,
                variance=v,
                sd=math.sqrt(v),
                percent_study=100 * math.sqrt(v / total) if total > 0 else 0.0,
                percent_variance=100 * v / total if total > 0 else 0.0,
                of_measuring=source in _MEASURING,
                levels=levels[source],
                interval=interval,
                also=also.get(source, ()),
            )
        )
    return tuple(made)


def _people_notes(people: Sequence[str], components: Sequence[Component]) -> tuple[str, ...]:
    if len(people) == 1:
        return (f"Only {people[0]} measured: how people differ cannot be told.",)
    if len(people) == 2 and any(c.source == "person" for c in components):
        return ("Two people tell poorly how people differ; three or more are usual (common practice, no source).",)
    return ()


def _text(sums: _Sums, stated: float | None, unit: str) -> str:
    if sums.gauge is None or sums.percent is None:
        return "How far the measuring agrees with itself cannot be told from these readings."
    if sums.gauge == 0:
        return "Every reading of a section gave the same number: nothing that it rests on was drawn differently."
    word = "good" if sums.percent < GOOD else "usable with care" if sums.percent <= USABLE else "not good enough"
    size = amount(sums.gauge, unit, fine=True)
    text = f"Measuring scatters by {size} (standard deviation), {sums.percent:.0f} % of the study"
    if sums.categories is not None:
        text += f", {counted(sums.categories, 'distinct category', 'distinct categories')}"
    text += f": {word} for telling these parts apart (under {GOOD:.0f} %: good; over {USABLE:.0f} %: not)"
    if stated is not None and stated > 0:
        how = "more than" if sums.gauge > stated else "no more than"
        text += f"; that is {how} the stated uncertainty, {amount(stated, unit, fine=True)}"
    return text + "."


def sources_text(component: Component) -> str:
    """Return what a component stands for, with what could not be told apart from it."""
    return listed([component.source, *component.also])
