"""Hints: points a person gives to steer the solver, in pixels of the upright photo."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import dist

from macrocheck.arrays import Point
from macrocheck.errors import InputError

SAME = 12.0
"""Map px between two toes, or joint roots, that a person gave within which the later is the earlier put right."""
CLICK = 0.7
"""Map px: standard error of a person's click on the outline."""
KINDS = ("root", "toe", "through", "avoid", "edge", "butting")


@dataclass(frozen=True, slots=True)
class Hints:
    """Points (x, y) px of the upright photo.

    `root`: the joint root. `toes`: toes, in any order. `through`: the fusion boundary passes here.
    `avoid`: it does not pass here. `edge`: lap only, a point on the upper plate's original end face. `butting`: a
    point in the butting member (a lap's upper plate).
    """

    root: tuple[Point, ...] = ()
    toes: tuple[Point, ...] = ()
    through: tuple[Point, ...] = ()
    avoid: tuple[Point, ...] = ()
    edge: tuple[Point, ...] = ()
    butting: tuple[Point, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.root or self.toes or self.through or self.avoid or self.edge or self.butting)

    @property
    def placed(self) -> tuple[Point, ...]:
        """Every point that lies on the weld's outline, or at its joint root."""
        return (*self.root, *self.toes, *self.through)

    @property
    def frames(self) -> bool:
        """Whether the joint root and both toes were given, so that a person has settled where the joint is."""
        return bool(self.root) and len(self.toes) >= 2

    def tidied(self, reach: float) -> "Hints":
        """The hints without points that a later one of the same kind puts right.

        That is a toe or a joint root within `reach` px; of points that the boundary passes, within a tenth of it.
        """
        return replace(
            self,
            root=_latest(self.root, reach),
            toes=_latest(self.toes, reach),
            through=_latest(self.through, 0.1 * reach),
        )


def _latest(points: tuple[Point, ...], reach: float) -> tuple[Point, ...]:
    """The points that no later one lies within `reach` of."""
    return tuple(p for i, p in enumerate(points) if all(dist(p, q) > reach for q in points[i + 1 :]))


def parse_hint(text: str) -> tuple[str, Point]:
    """Read one hint, "kind=x,y" with x and y in px of the upright photo.

    Raises:
        InputError: when the text is not of that form.
    """
    kind, sign, place = text.partition("=")
    kind = kind.strip().lower()
    if not sign or kind not in KINDS:
        msg = f"hint {text!r}: write one of {', '.join(f'{k}=x,y' for k in KINDS)}, x and y in pixels"
        raise InputError(msg)
    try:
        x, y = (float(part) for part in place.split(","))
    except ValueError:
        msg = f"hint {text!r}: after {kind}= write two numbers, x,y in pixels of the photo"
        raise InputError(msg) from None
    if not (abs(x) < 1e6 and abs(y) < 1e6):
        msg = f"hint {text!r}: x and y must be pixels of the photo"
        raise InputError(msg)
    return kind, (x, y)


def parse_hints(texts: Iterable[str]) -> Hints:
    """Read several hints; see `parse_hint`."""
    found: dict[str, list[Point]] = {k: [] for k in KINDS}
    for text in texts:
        kind, point = parse_hint(text)
        found[kind].append(point)
    return Hints(
        root=tuple(found["root"]),
        toes=tuple(found["toe"]),
        through=tuple(found["through"]),
        avoid=tuple(found["avoid"]),
        edge=tuple(found["edge"]),
        butting=tuple(found["butting"]),
    )
