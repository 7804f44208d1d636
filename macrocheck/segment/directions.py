"""A line's direction where another one is known: square to a plate, parallel to its other face."""

from dataclasses import replace

import numpy as np

from macrocheck.segment.lines import Line, turn_between

_PARALLEL = np.deg2rad(0.3)
"""Standard deviation of a plate's two faces from parallel: common practice, no source."""
_ODDS = 3.0
"""So many standard deviations off parallel one of them is a mistake."""


def off_parallel(line: Line, face: Line) -> tuple[float, float, bool]:
    """How far a line is off its plate's other face: the turn to that, rad, and how surely that is known, rad.

    With it whether the line is so far off that it, or the face, is a mistake.
    """
    turn = turn_between(line.direction, face.direction)
    prior = float(np.hypot(_PARALLEL, face.u_angle))
    return turn, prior, abs(turn) > _ODDS * float(np.hypot(prior, line.u_angle))


def turned_by(line: Line, angle: float, prior: float, *, odd: bool) -> Line:
    """Return a line turned towards a direction that is known to `prior` rad, as far as its own is less sure.

    `angle`: from the line's direction to that one, rad. `odd`: the line's own direction is a mistake; where it lies
    is then only known to within its own stretch.
    """
    share = 1.0 if odd else line.u_angle**2 / (line.u_angle**2 + prior**2)
    c, s = np.cos(share * angle), np.sin(share * angle)
    d = line.direction
    return replace(
        line,
        direction=np.array([c * d[0] - s * d[1], s * d[0] + c * d[1]]),
        u_offset=float(np.hypot(line.u_offset, 0.5 * line.length * abs(np.sin(angle)))) if odd else line.u_offset,
        u_angle=prior if odd else float(line.u_angle * prior / np.hypot(line.u_angle, prior)),
    )
