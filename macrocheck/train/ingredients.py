"""What can be left out of a training, one ingredient at a time, to see what it buys."""

from collections.abc import Iterable
from typing import Literal, get_args

Ingredient = Literal["grain", "zones", "clutter", "camera", "filters", "lines"]

INGREDIENTS: dict[Ingredient, str] = {
    "grain": "weld metal told by its grain alone: left out, its tone differs from the plates' or a line bounds it",
    "zones": "heat-affected zones: bands and rims beside the weld, reheated crescents within it",
    "clutter": "writing, rules and arrows over the picture, loose pieces, patterns behind the section",
    "camera": "uneven light, glare, tints, blur, sharpening, tone curve, noise and compression",
    "filters": "random filters and tone curves over the finished picture",
    "lines": "learning lines and points beside the regions",
}
"""Each ingredient and what it stands for."""

Without = frozenset[Ingredient]
WHOLE: Without = frozenset()
"""Nothing left out."""


def left_out(names: Iterable[str]) -> Without:
    """Return the ingredients of these names; ValueError for a name that is none of them."""
    names = tuple(names)
    for name in names:
        if name not in get_args(Ingredient):
            msg = f"No ingredient of the training: {name}. Use one of {', '.join(INGREDIENTS)}."
            raise ValueError(msg)
    return frozenset(known for known in INGREDIENTS if known in names)
