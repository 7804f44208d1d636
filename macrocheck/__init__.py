"""Measures and grades photographed cut-and-etch sections of fillet welds.

`measure_photo` does the whole job. Each stage has its own function, from one immutable value to the next:

    read_photo -> Photo, find_scale -> Scale, find_outline -> Outline, measure_outline -> Measurements,
    grade_welds -> Verdicts; draw_overlay draws a Result.

Nothing is imported before it is used: `import macrocheck` loads no image library.
"""

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from macrocheck.calibrate import calibrate as find_scale
    from macrocheck.calibrate import parse_mark
    from macrocheck.errors import InputError, MacrocheckError, NotFoundError, OutputError
    from macrocheck.grade import grade as grade_welds
    from macrocheck.grade import load_limits
    from macrocheck.measure import measure as measure_outline
    from macrocheck.pipeline import measure_photo
    from macrocheck.reading import read_photo
    from macrocheck.report.overlay import draw_overlay
    from macrocheck.results import Measurements, Result, Verdicts
    from macrocheck.segment import find_outline

__version__ = "0.1.0"

_PLACES: dict[str, tuple[str, str]] = {
    "find_scale": ("macrocheck.calibrate", "calibrate"),
    "parse_mark": ("macrocheck.calibrate", "parse_mark"),
    "InputError": ("macrocheck.errors", "InputError"),
    "MacrocheckError": ("macrocheck.errors", "MacrocheckError"),
    "NotFoundError": ("macrocheck.errors", "NotFoundError"),
    "OutputError": ("macrocheck.errors", "OutputError"),
    "grade_welds": ("macrocheck.grade", "grade"),
    "load_limits": ("macrocheck.grade", "load_limits"),
    "measure_outline": ("macrocheck.measure", "measure"),
    "measure_photo": ("macrocheck.pipeline", "measure_photo"),
    "read_photo": ("macrocheck.reading", "read_photo"),
    "draw_overlay": ("macrocheck.report.overlay", "draw_overlay"),
    "Measurements": ("macrocheck.results", "Measurements"),
    "Result": ("macrocheck.results", "Result"),
    "Verdicts": ("macrocheck.results", "Verdicts"),
    "find_outline": ("macrocheck.segment", "find_outline"),
}
"""Public name -> where it lives. The stages' own names (calibrate, measure, grade) are those of their packages."""

__all__ = [
    "InputError",
    "MacrocheckError",
    "Measurements",
    "NotFoundError",
    "OutputError",
    "Result",
    "Verdicts",
    "__version__",
    "draw_overlay",
    "find_outline",
    "find_scale",
    "grade_welds",
    "load_limits",
    "measure_outline",
    "measure_photo",
    "parse_mark",
    "read_photo",
]


def __getattr__(name: str) -> object:
    if name not in _PLACES:
        msg = f"module 'macrocheck' has no attribute {name!r}"
        raise AttributeError(msg)
    module, attribute = _PLACES[name]
    value: object = getattr(importlib.import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_PLACES})
