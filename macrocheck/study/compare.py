"""Coupons into groups by their settings, groups summed up and set against each other. Pure."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from macrocheck.errors import InputError
from macrocheck.results import CAUTIONS
from macrocheck.study import intervals
from macrocheck.study.comparison import Comparison, Difference, Group, ShareDifference, Summary
from macrocheck.study.data import Coupon, coupon_value, grade_of, in_lengths
from macrocheck.study.summary import share_of, summary_of
from macrocheck.study.values import CONFIDENCE, CouponValue, Interval, Lengths, Need
from macrocheck.study.words import amount, counted, listed, percent, span, unit_text

SHARE = 0.9
MOST_GROUPS = 12
"""More groups than this are no comparison that anyone reads."""

MATTER: tuple[str, ...] = (
    "process", "wire", "wire_diameter", "gas", "wire_feed_speed", "volts", "amps", "travel_speed", "position",
    "thickness_butting", "thickness_nonbutting", "technique", "operator",
)  # fmt: skip
"""Settings of which it is said where they vary within a group. Common practice, no source."""

VARIES = 0.1
"""Numbers within this fraction of each other are taken for one setting. Our choice."""


@dataclass(frozen=True, slots=True)
class By:
    """A setting to group by; `step`: numbers that fall into the same multiple of it are one group."""

    name: str
    step: float | None = None


def parse_by(text: str) -> tuple[By, ...]:
    """Read "wire_diameter,gas" or "amps:10"; raises InputError."""
    made = []
    for part in (p.strip() for p in text.split(",")):
        name, colon, step = part.partition(":")
        if not name.strip():
            msg = f"--by names settings, parted by commas, such as wire_diameter,gas or amps:10; not '{text}'."
            raise InputError(msg)
        width = None
        if colon:
            try:
                width = float(step)
            except ValueError:
                width = math.nan
            if not (math.isfinite(width) and width > 0):
                msg = f"'{part}' is not a setting with a step; write NAME:STEP, such as amps:10."
                raise InputError(msg)
        made.append(By(name.strip(), width))
    return tuple(made)


def compare(
    coupons: Sequence[Coupon],
    *,
    by: Sequence[By],
    quantities: Sequence[str],
    record: str = "",
    where: Sequence[str] = (),
    confidence: float = CONFIDENCE,
    share: float = SHARE,
    lengths: Lengths = "mm",
) -> Comparison:
    """Compare groups of coupons.

    `by`: settings whose values make the groups; none puts all coupons into one. `quantities`: keys. `confidence`
    of every interval and bound, `share` of the coupons that the tolerance bound speaks of. `lengths`: the unit that
    measured lengths are to be in.

    Raises:
        InputError: where no coupon has what is asked for, or there are too many groups.
    """
    grouped, left_out = _grouped(in_lengths(coupons, lengths), by)
    if not grouped:
        why = f" ({left_out[0][0]}: {left_out[0][1]})" if left_out else ""
        msg = f"No coupon is left to compare{why}; loosen --where or group by another setting."
        raise InputError(msg)
    if len(grouped) > MOST_GROUPS:
        names = listed([b.name for b in by])
        msg = (
            f"{names} give {len(grouped)} groups, more than {MOST_GROUPS}; group by fewer settings, or in steps "
            f"such as --by {by[0].name}:10."
        )
        raise InputError(msg)
    groups = tuple(
        _group(key, members, quantities, confidence=confidence, share=share, lengths=lengths)
        for key, members in grouped.items()
    )
    return Comparison(
        record=record,
        by=tuple(b.name for b in by),
        quantities=tuple(quantities),
        where=tuple(where),
        groups=groups,
        differences=_differences(groups, quantities, confidence),
        left_out=tuple(left_out),
        confidence=confidence,
        share=share,
        notes=_notes(coupons, grouped, groups, quantities, by),
        cautions=CAUTIONS,
        share_differences=_share_differences(groups, confidence),
    )


Key = tuple[tuple[str, str], ...]


def _grouped(coupons: Sequence[Coupon], by: Sequence[By]) -> tuple[dict[Key, list[Coupon]], list[tuple[str, str]]]:
    found: dict[Key, list[Coupon]] = {}
    order: dict[Key, tuple[object, ...]] = {}
    spelled: dict[tuple[str, str], str] = {}
    left_out = []
    for coupon in coupons:
        key, rank, lacking = [], [], []
        for b in by:
            value = _value(coupon, b)
            if value is None:
                lacking.append(b.name)
                continue
            text, place = value
            key.append((b.name, spelled.setdefault((b.name, text.casefold()), text)))
            rank.append(place)
        if lacking:
            left_out.append((coupon.coupon, f"{listed(lacking)} not noted"))
            continue
        found.setdefault(tuple(key), []).append(coupon)
        order[tuple(key)] = tuple(rank)
    return {k: found[k] for k in sorted(found, key=lambda k: order[k])}, left_out


def _value(coupon: Coupon, by: By) -> tuple[str, tuple[int, float, str]] | None:
    """Return a setting's value as the group is called, and where it stands among others."""
    if by.name == "run":
        return None if coupon.run is None else (coupon.run, (1, 0.0, coupon.run))
    noted = coupon.settings.get(by.name)
    if noted is None or not noted.text.strip():
        return None
    if noted.value is None:
        if by.step is not None:
            msg = f"{by.name} is '{noted.text}' on coupon {coupon.coupon}, no number; leave the step off."
            raise InputError(msg)
        text = " ".join(noted.text.split())
        return text, (1, 0.0, text.casefold())
    unit = f" {unit_text(noted.unit)}" if noted.unit not in {"", "1"} else ""
    if by.step is not None:
        low = math.floor(noted.value / by.step + 1e-9) * by.step
        return f"{low:.6g} to {low + by.step:.6g}{unit}", (0, low, unit)
    return f"{noted.value:.6g}{unit}", (0, float(f"{noted.value:.6g}"), unit)


def _as_written(members: Sequence[Coupon], name: str) -> str | None:
    """Return a length as all members have it written, unit and all (".045 in"); None where they differ."""
    noted = [s for c in members if (s := c.settings.get(name)) is not None]
    texts = {" ".join(s.text.split()) for s in noted}
    text = next(iter(texts), "")
    if len(texts) == 1 and all(s.unit == "mm" for s in noted) and text[-1:] in {"m", "n", '"', "a"}:
        return text
    return None


def _group(
    key: Key, members: Sequence[Coupon], quantities: Sequence[str], *, confidence: float, share: float,
    lengths: Lengths,
) -> Group:  # fmt: skip
    key = tuple((name, _as_written(members, name) or value) for name, value in key)
    summaries = []
    for quantity in quantities:
        found = [coupon_value(c, quantity) for c in members]
        values: list[CouponValue] = [v for v, _ in found if v is not None]
        failed = sum(s.failure is not None for c in members for s in c.sections)
        missing = sum(m for _, m in found) - failed
        summaries.append(summary_of(quantity, values, missing, confidence=confidence, share=share, lengths=lengths))
    accepted = share_of([grade_of(c) for c in members], confidence=confidence)
    return Group(
        label=", ".join(value for _, value in key) or "all coupons",
        settings=key,
        n_coupons=len(members),
        n_sections=sum(s.failure is None for c in members for s in c.sections),
        not_measured=sum(s.failure is not None for c in members for s in c.sections),
        share=replace(
            accepted, text=_share_text(accepted.text, accepted.graded, accepted.accepted, share, confidence)
        ),
        summaries=tuple(summaries),
    )


def _share_text(text: str, graded: int, accepted: int, share: float, confidence: float) -> str:
    if not graded or accepted == 0 or intervals.share_at_least(accepted, graded, confidence) >= share:
        return text
    need = intervals.coupons_for_share(graded - accepted, share, confidence)
    more = f"{counted(need - graded, 'more coupon')}, all accepted, would show {percent(share)}"
    return f"{text.rstrip('.')}; {more}."


def _differences(groups: Sequence[Group], quantities: Sequence[str], confidence: float) -> tuple[Difference, ...]:
    made: list[Difference] = []
    for quantity in quantities:
        for first, second in combinations(groups, 2):
            a, b = first.summary(quantity), second.summary(quantity)
            if a is not None and b is not None and a.mean is not None and b.mean is not None:
                made.append(_difference(first.label, second.label, a, b, confidence))
    tested = [i for i, d in enumerate(made) if d.p is not None]
    adjusted = intervals.holm([p for d in made if (p := d.p) is not None])
    for i, p in zip(tested, adjusted, strict=True):
        made[i] = _judged(made[i], p, confidence)
    return tuple(made)


def _difference(first: str, second: str, a: Summary, b: Summary, confidence: float) -> Difference:
    difference = (b.mean or 0.0) - (a.mean or 0.0)
    shown = amount(difference, a.unit, signed=True)
    start = f"{a.name}: {second} less {first} {shown}"
    if a.sd is None or b.sd is None:
        need = Need("difference", min(a.n_coupons, b.n_coupons), 2, "Each group needs 2 coupons for an interval.")
        text = f"{start}; no interval, a group has fewer than 2 coupons."
        return Difference(
            a.quantity, a.name, a.unit, first, second, difference, None, None, None, None, None, need, text
        )
    if a.sd == 0 and b.sd == 0:
        text = f"{start}; no interval, neither group scatters at all."
        return Difference(
            a.quantity, a.name, a.unit, first, second, difference, None, None, None, None, None, None, text
        )
    found = intervals.welch((a.mean or 0.0, a.sd, a.n_coupons), (b.mean or 0.0, b.sd, b.n_coupons), confidence)
    interval = Interval(float(found.low), float(found.high), confidence)
    between = f"{span(interval, a.unit, signed=True)} {unit_text(a.unit)}".rstrip()
    return Difference(
        a.quantity, a.name, a.unit, first, second, difference, interval, float(found.df), float(found.p),
        None, None, _difference_need(difference, a, b, confidence), f"{start} ({between})",
    )  # fmt: skip


def _difference_need(difference: float, a: Summary, b: Summary, confidence: float) -> Need | None:
    need = intervals.coupons_for_difference(difference, a.sd or 0.0, b.sd or 0.0, confidence)
    have = min(a.n_coupons, b.n_coupons)
    if need is None:
        return None
    text = (
        f"A difference of {amount(abs(difference), a.unit)} with this scatter would show in "
        f"{percent(intervals.POWER)} of trials with {counted(need, 'coupon')} a group."
    )
    return Need("difference", have, need, text)


def _judged(difference: Difference, p: float, confidence: float) -> Difference:
    stands_out = p < 1 - confidence
    text = f"{difference.text}: {_chance(stands_out)}."
    return replace(difference, p_adjusted=p, stands_out=stands_out, text=text)


def _share_differences(groups: Sequence[Group], confidence: float) -> tuple[ShareDifference, ...]:
    pairs = [(a.share, b.share) for a, b in combinations(groups, 2) if a.share.graded and b.share.graded]
    names = [(a.label, b.label) for a, b in combinations(groups, 2) if a.share.graded and b.share.graded]
    ps = [intervals.share_chance((a.accepted, a.graded), (b.accepted, b.graded)) for a, b in pairs]
    made = []
    for (first, second), (a, b), p, adjusted in zip(names, pairs, ps, intervals.holm(ps), strict=True):
        interval = intervals.share_difference((a.accepted, a.graded), (b.accepted, b.graded), confidence)
        out = adjusted < 1 - confidence and not interval.holds(0.0)
        difference = b.accepted / b.graded - a.accepted / a.graded
        text = (
            f"Share accepted: {second} less {first} {amount(difference, '1', signed=True)} "
            f"({span(interval, '1', signed=True)} %): {_chance(out)}."
        )
        made.append(ShareDifference(first, second, difference, interval, out, text, p, adjusted))
    return tuple(made)


def _chance(stands_out: bool) -> str:
    return "more than chance" if stands_out else "not told from chance"


def _notes(
    coupons: Sequence[Coupon],
    grouped: dict[Key, list[Coupon]],
    groups: Sequence[Group],
    quantities: Sequence[str],
    by: Sequence[By],
) -> tuple[str, ...]:
    notes = []
    limits = Counter(s.limits for c in coupons for s in c.sections if s.limits is not None)
    if len(limits) > 1:
        notes.append(f"Sections were graded by different limits ({listed(list(limits))}): shares mix them.")
    for b in by:
        units = sorted(
            {s.unit for c in coupons if (s := c.settings.get(b.name)) is not None and s.value is not None}
        )
        if len(units) > 1:
            notes.append(
                f"{b.name} is noted in different units ({listed(units)}): one value in two units makes two groups."
            )
        words = sum((s := c.settings.get(b.name)) is not None and s.value is None for c in coupons)
        if units and words:
            notes.append(f"{b.name} is a number on some coupons and words on {words}.")
    if len(groups) > 1 and (count := len(groups) * (len(groups) - 1) // 2 * len(quantities)) > 1:
        notes.append(
            f"{count} differences are looked at; which stand out is judged for all of them together (Holm)."
        )
    varying = _varying(grouped, {b.name for b in by})
    if varying:
        notes.append(
            f"Within groups {listed(varying)} {'varies' if len(varying) == 1 else 'vary'} too, which is in their "
            "scatter and may be in their differences; group by them as well, or choose with --where."
        )
    single = [g.label for g in groups if g.n_coupons == 1 and by]
    if single:
        verb = "holds" if len(single) == 1 else "hold"
        notes.append(f"{listed(single)} {verb} 1 coupon: nothing can be said of how it scatters.")
    return tuple(notes)


def _varying(grouped: dict[Key, list[Coupon]], but: set[str]) -> list[str]:
    """Return which settings that matter vary within a group: words at all, numbers by more than `VARIES`."""
    found = []
    for name in MATTER:
        for members in grouped.values():
            noted = [s for c in members if (s := c.settings.get(name)) is not None]
            numbers = [s.value for s in noted if s.value is not None]
            words = {" ".join(s.text.split()).casefold() for s in noted if s.value is None}
            wide = bool(numbers) and max(numbers) - min(numbers) > VARIES * max(abs(v) for v in numbers)
            if name not in but and (wide or len(words) > 1):
                found.append(name)
                break
    return found
