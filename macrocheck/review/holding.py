"""Which window has a photo open: one at a time, so that no two overwrite each other."""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from macrocheck.review import protocol_state as p
from macrocheck.review.present import holder_json
from macrocheck.review.refusal import refuse

CLAIM_S = 20.0
"""A window that has not said for so long that it has a photo open no longer has it."""


@dataclass(slots=True)
class _Holder:
    window: str
    who: str
    at: float


class Hold:
    """Who has one photo; safe to ask from several threads."""

    def __init__(self, clock: Callable[[], float]) -> None:
        """`clock`: seconds that only run forward."""
        self._clock = clock
        self._holder: _Holder | None = None
        self._lock = threading.RLock()

    def by(self) -> p.Holder | None:
        """Return the window that has the photo; None where none has."""
        holder = self._holder
        if holder is None:
            return None
        age = self._clock() - holder.at
        return None if age > CLAIM_S else holder_json(holder.window, holder.who, age)

    def check(self, window: str) -> None:
        """Refuse (`held`) a window where another has the photo."""
        held = self.by()
        if held is not None and held["window"] != window:
            whose = f" ({held['who']})" if held["who"] else ""
            text = f"This photo is open in another window{whose}; close it there, or take it over here."
            refuse("held", text, held_by=held)

    def claim(self, window: str, who: str, *, take_over: bool = False) -> p.Claim:
        """Let a window have the photo; refused where another has it, unless it is taken over."""
        with self._lock:
            if not take_over:
                self.check(window)
            self._holder = _Holder(window, who, self._clock())
            return {"held_by": self.by()}

    def release(self, window: str) -> p.Claim:
        """Let go of the photo, where the window has it."""
        with self._lock:
            if self._holder is not None and self._holder.window == window:
                self._holder = None
            return {"held_by": self.by()}
