"""How a command ends: exit statuses, which of several wins, and the sentence for what went wrong."""

import os
from collections.abc import Iterable
from typing import TYPE_CHECKING

from macrocheck.errors import MacrocheckError

if TYPE_CHECKING:
    from macrocheck.results import Verdicts

DONE, REJECTED, BAD_INPUT, UNDECIDED = 0, 1, 2, 3
_FROM_BEST = (DONE, UNDECIDED, REJECTED, BAD_INPUT)

DEBUG = "MACROCHECK_DEBUG"
"""Environment variable: set, an unexpected fault shows its details."""


def status_of(verdicts: "Verdicts") -> int:
    """Return the exit status of one photograph's verdicts."""
    return {"reject": REJECTED, "undecided": UNDECIDED, "accept": DONE, None: DONE}[verdicts.grade]


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
    what = " ".join(str(error).split())[:200]
    return (
        f"Something went wrong that should not have ({type(error).__name__}{': ' if what else ''}{what}); "
        f"set {DEBUG}=1 to see the details."
    )


def counted(count: int, thing: str) -> str:
    """Return "1 coupon", "2 coupons"."""
    return f"{count} {thing}{'' if count == 1 else 's'}"
