"""How a command ends: exit statuses, which of several wins, and the sentence for what went wrong."""

import os
from collections.abc import Iterable, Mapping
from typing import Any

from macrocheck.errors import MacrocheckError
from macrocheck.paths import os_reason, shown

DONE, REJECTED, BAD_INPUT, UNDECIDED = 0, 1, 2, 3
_FROM_BEST = (DONE, UNDECIDED, REJECTED, BAD_INPUT)

DEBUG = "MACROCHECK_DEBUG"
"""Environment variable: set, an unexpected fault shows its details."""


def status_of(document: Mapping[str, Any]) -> int:
    """Return the exit status of a result document: its grade's, or undecided where no number could be had."""
    if not any(q["value"] is not None for weld in document["welds"] for q in weld["quantities"].values()):
        return UNDECIDED
    return {"reject": REJECTED, "undecided": UNDECIDED}.get(str(document["grade"]), DONE)


def worst(statuses: Iterable[int]) -> int:
    """Return the worst of several: bad input before rejected before undecided before done."""
    return max(statuses, key=_FROM_BEST.index, default=DONE)


def details_wanted(error: Exception) -> bool:
    """Tell whether a fault is unexpected and the user asked for its details."""
    return bool(os.environ.get(DEBUG)) and not isinstance(error, MacrocheckError)


def sentence(error: Exception) -> str:
    """Return what went wrong in one sentence."""
    if isinstance(error, MacrocheckError):
        return str(error)
    if isinstance(error, MemoryError):
        return "There is not enough memory for this; close other programs or make the picture smaller."
    if isinstance(error, OSError) and error.errno is not None:
        if error.filename:
            where = f"{shown(error.filename)} cannot be used: {os_reason(error)}"
            return f"{where}; check the name, the folder and your permission."
        return f"The output cannot be written: {os_reason(error)}."
    what = " ".join(str(error).split())[:200]
    return (
        f"Something went wrong that should not have ({type(error).__name__}{': ' if what else ''}{what}); "
        f"set {DEBUG}=1 to see the details."
    )


def counted(count: int, thing: str) -> str:
    """Return "1 coupon", "2 coupons"."""
    return f"{count} {thing}{'' if count == 1 else 's'}"
