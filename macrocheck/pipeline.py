"""From a photograph to a result: the only place that knows the order of the stages.

    read -> calibrate -> find the outline -> measure -> grade

Every stage is imported where it is called, so that importing this module costs nothing.
"""

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from macrocheck.errors import InputError, MacrocheckError

if TYPE_CHECKING:
    from macrocheck.grade import LimitSet
    from macrocheck.outline import Outline
    from macrocheck.photo import Photo
    from macrocheck.results import Measurements, Result, Verdicts
    from macrocheck.scale import Scale
    from macrocheck.segment.hints import Hints

JointChoice = Literal["tee", "lap", "bead", "auto"]
JOINTS: tuple[JointChoice, ...] = ("tee", "lap", "bead", "auto")
FUSION_THRESHOLD_MM = 0.1
"""Depth of fusion under which a stretch counts as unfused, unless the user says otherwise."""


def measure_photo(
    path: str | os.PathLike[str],
    *,
    mark: str | Sequence[str],
    joint: JointChoice = "auto",
    limits: "LimitSet | str | Path | None" = None,
    given: Mapping[str, float | str] | None = None,
    guard: float | None = None,
    outline: "Outline | str | os.PathLike[str] | None" = None,
    hints: Sequence[str] = (),
    fusion_threshold_mm: float = FUSION_THRESHOLD_MM,
    mark_offset: str | float | None = None,
    camera_distance: str | float | None = None,
) -> "Result":
    """Measure the welds in one photograph and, where limits are given, grade them.

    Args:
        path: the photograph.
        mark: the reference mark as on the command line ("bar:10mm"), or several.
        joint: "tee", "lap", "bead", or "auto" to have it told from the picture.
        limits: a limit set, the name of a shipped one, a limits file or its text.
        given: symbol -> mm, or a length as text with its unit ({"t": "8mm", "a": 5.0}).
        guard: multiple of U95 for the guard band instead of the limits' own; 0 is simple acceptance.
        outline: an outline (or its GeoJSON file) to measure instead of finding one.
        hints: "kind=x,y" points in px of the upright photo that steer the search.
        fusion_threshold_mm: depth of fusion, mm, under which a stretch counts as unfused.
        mark_offset: how much nearer to the camera than the section the marks laid beside it are ("5mm", or mm),
            negative where further; needs `camera_distance`.
        camera_distance: from the lens to the section ("300mm", or mm).

    Raises:
        InputError: something given cannot be used as it is.
        NotFoundError: the picture does not show the mark or a weld.
    """
    from macrocheck.calibrate import settle_height
    from macrocheck.reading import read_photo

    settle_height(mark_offset, camera_distance)
    wanted = settle_limits(limits)
    return measure_read_photo(
        read_photo(path),
        mark=mark,
        joint=joint,
        limits=wanted,
        given=given,
        guard=guard,
        outline=outline,
        hints=hints,
        fusion_threshold_mm=fusion_threshold_mm,
        mark_offset=mark_offset,
        camera_distance=camera_distance,
    )


def measure_read_photo(
    photo: "Photo",
    *,
    mark: str | Sequence[str],
    joint: JointChoice = "auto",
    limits: "LimitSet | None" = None,
    given: Mapping[str, float | str] | None = None,
    guard: float | None = None,
    outline: "Outline | str | os.PathLike[str] | None" = None,
    hints: Sequence[str] = (),
    fusion_threshold_mm: float = FUSION_THRESHOLD_MM,
    mark_offset: str | float | None = None,
    camera_distance: str | float | None = None,
) -> "Result":
    """Do what `measure_photo` does with a photo that was read already; same arguments and errors."""
    from macrocheck import __version__
    from macrocheck.results import PhotoFacts, Result

    if joint not in JOINTS:
        msg = f"'{joint}' is not a kind of joint; use {', '.join(JOINTS)}."
        raise InputError(msg)
    symbols = settle_given(given or {})
    height = (mark_offset, camera_distance)
    marks = [mark] if isinstance(mark, str) else mark
    scale, found = _scale_and_outline(photo, marks, joint, outline, hints, height)
    measurements = _measure(found, scale, fusion_threshold_mm)
    return Result(
        photo=PhotoFacts(photo.path, photo.sha256, photo.width, photo.height, photo.notes),
        scale=scale,
        outline=found,
        measurements=measurements,
        verdicts=_grade(measurements, found, limits, symbols, guard),
        version=__version__,
    )


def settle_limits(limits: "LimitSet | str | Path | None") -> "LimitSet | None":
    """Return the limit set that `limits` names or is; InputError where it cannot be used."""
    if not isinstance(limits, str | Path):
        return limits
    from macrocheck.grade import load_limits

    return load_limits(limits)


def settle_given(given: Mapping[str, float | str]) -> dict[str, float]:
    """Return symbol -> mm; numbers are mm, texts are lengths with their unit. InputError where one is unusable."""
    if not given:
        return {}
    from macrocheck.grade import parse_given

    return parse_given(f"{k}={v}" if isinstance(v, str) else f"{k}={float(v)!r}mm" for k, v in given.items())


def _scale_and_outline(
    photo: "Photo",
    marks: Sequence[str],
    joint: JointChoice,
    outline: "Outline | str | os.PathLike[str] | None",
    hints: Sequence[str],
    height: tuple[str | float | None, str | float | None] = (None, None),
) -> "tuple[Scale, Outline]":
    """Find the scale and the outline, which do not depend on each other, side by side."""
    from macrocheck.calibrate import calibrate, parse_mark

    scaled = partial(calibrate, mark_offset=height[0], camera_distance=height[1])
    parsed = [parse_mark(text) for text in marks]
    if not parsed:
        msg = "A mark is needed for the scale; state one such as bar:10mm or ruler:1mm."
        raise InputError(msg)
    if outline is not None:
        found = _read_outline(photo, outline, joint) if isinstance(outline, str | os.PathLike) else outline
        return scaled(photo, parsed), found

    steer = _hints(hints, photo)
    from macrocheck.segment import find_outline

    with ThreadPoolExecutor(max_workers=1) as beside:
        scale = beside.submit(scaled, photo, parsed)
        try:
            found = find_outline(photo, joint=joint, mm_per_px=None, hints=steer)
        except MacrocheckError:
            scale.result()  # a mark that cannot be found is said first: without it nothing can be measured
            raise
        return scale.result(), found


def _hints(texts: Sequence[str], photo: "Photo") -> "Hints | None":
    if not texts:
        return None
    from macrocheck.segment.hints import parse_hint, parse_hints

    for text in texts:
        _, (x, y) = parse_hint(text)
        if not (-1 <= x <= photo.width and -1 <= y <= photo.height):
            msg = (
                f"hint {text!r} lies outside the picture ({photo.width} x {photo.height} px); write x,y in px of "
                "the upright photo, x from the left, y from the top."
            )
            raise InputError(msg)
    return parse_hints(texts)


def _read_outline(photo: "Photo", path: str | os.PathLike[str], joint: JointChoice) -> "Outline":
    from macrocheck.outline_file import read_outline

    return read_outline(path, width=photo.width, height=photo.height, joint=None if joint == "auto" else joint)


def _measure(outline: "Outline", scale: "Scale", fusion_threshold_mm: float) -> "tuple[Measurements, ...]":
    from macrocheck.measure import measure

    return measure(outline, scale, fusion_threshold_mm=fusion_threshold_mm)


def _grade(
    measurements: "Sequence[Measurements]",
    outline: "Outline",
    limits: "LimitSet | None",
    given: Mapping[str, float],
    guard: float | None,
) -> "Verdicts":
    from macrocheck.results import Verdicts

    if limits is None:
        return Verdicts(per_weld=(), grade=None)
    from macrocheck.grade import grade

    joints = [weld.joint for weld in outline.welds]
    return grade(measurements, limits, joints=joints, given=given, guard=guard)
