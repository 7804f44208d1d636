"""Measured photographs set against each other, quantity by quantity. Pure."""

import math
from collections.abc import Sequence

from macrocheck.errors import InputError
from macrocheck.quantities import BY_KEY, QUANTITIES
from macrocheck.results import CAUTIONS, Quantity, Result
from macrocheck.study.photo_comparison import ComparedQuantity, PhotoComparison, PhotoDifference
from macrocheck.study.words import counted

MOST_PHOTOS = 12
"""More photos than this are a run with a record."""


def compare_results(
    results: Sequence[Result], names: Sequence[str], *, weld: int = 1, quantities: Sequence[str] = ()
) -> PhotoComparison:
    """Set weld number `weld` of each photo against that of the first.

    The joint U95 of a difference is the root of the sum of both squares, as of independent photos, which is
    cautious where both have the same error in their scale.

    Raises:
        InputError: where a photo has no such weld, or a quantity is not known.
    """
    if len(results) < 2:
        msg = "Name two or more photos to compare."
        raise InputError(msg)
    if len(results) > MOST_PHOTOS:
        msg = f"{len(results)} photos are more than one picture can hold ({MOST_PHOTOS}); put them on a record."
        raise InputError(msg)
    for result, name in zip(results, names, strict=True):
        if weld > len(result.measurements):
            msg = f"{name} shows {counted(len(result.measurements), 'weld')}; there is no weld {weld}."
            raise InputError(msg)
    measured = [r.measurements[weld - 1].quantities for r in results]
    for key in quantities:
        if key not in BY_KEY:
            msg = f"'{key}' is not a quantity that is measured."
            raise InputError(msg)
    keys = list(quantities) or [k.key for k in QUANTITIES if not k.is_list and any(k.key in m for m in measured)]
    rows = []
    for key in keys:
        values = tuple(m.get(key) for m in measured)
        differences = tuple(_difference(i, values[0], v) for i, v in enumerate(values[1:], 1))
        kind = BY_KEY[key]
        rows.append(ComparedQuantity(key, kind.name, kind.unit, values, differences))
    return PhotoComparison(
        tuple(names), (weld,) * len(results), tuple(rows), _notes(results, names, weld), CAUTIONS
    )


def _difference(photo: int, first: Quantity | None, other: Quantity | None) -> PhotoDifference:
    a, b = (None if q is None or isinstance(q.value, tuple) else q.value for q in (first, other))
    if first is None or other is None or a is None or b is None:
        return PhotoDifference(photo, None, None, None)
    difference = b - a
    if first.U95 is None or other.U95 is None:
        return PhotoDifference(photo, difference, None, None)
    u95 = math.hypot(first.U95, other.U95)
    return PhotoDifference(photo, difference, u95, abs(difference) > u95)


def _notes(results: Sequence[Result], names: Sequence[str], weld: int) -> tuple[str, ...]:
    notes = [
        "One section of each: what exceeds the joint uncertainty differs between these two sections; whether the "
        "settings did it, only several coupons can tell (macrocheck compare RECORD --by ...)."
    ]
    joints = {r.outline.welds[weld - 1].joint for r in results}
    if len(joints) > 1:
        notes.append(f"The photos show different joints ({', '.join(sorted(joints))}); few quantities compare.")
    thresholds = {r.measurements[weld - 1].settings.get("fusion_threshold_mm") for r in results}
    if len(thresholds) > 1:
        notes.append("The photos were measured with different fusion thresholds.")
    for result, name in zip(results, names, strict=True):
        if len(result.measurements) > 1:
            notes.append(f"{name} shows {len(result.measurements)} welds; weld {weld} is compared.")
        flags = {
            f.code for f in (*result.scale.flags, *result.outline.flags, *result.outline.welds[weld - 1].flags)
        }
        flags |= {f.code for f in result.measurements[weld - 1].flags}
        if flags:
            notes.append(f"{name} has doubts ({', '.join(sorted(flags))}): look at it with macrocheck measure.")
    return tuple(notes)
