"""What the page offers to choose from."""

from macrocheck import __version__
from macrocheck.calibrate import KINDS, MarkKind
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.pipeline import JOINTS
from macrocheck.quantities import QUANTITIES
from macrocheck.reading import MOST_PIXELS
from macrocheck.results import CAUTIONS
from macrocheck.review import protocol_choices as pc
from macrocheck.review.choices import Limits
from macrocheck.review.desk import Desk
from macrocheck.review.tiles import TILE_PX
from macrocheck.units import LengthUnit

MOST_BYTES = 200_000_000
"""Bytes of one picture that is sent: a 16-bit TIFF of 30 Mpx."""
_NEEDS: dict[str, pc.MarkNeeds] = {
    "disc": "length or coin",
    "card": "maybe length",
    "points": "two points",
    "density": "nothing",
}


def options(desk: Desk, unit: LengthUnit, keep_shown: str) -> pc.Options:
    """Return everything there is to choose, and the bounds of what may be sent."""
    return {
        "version": __version__,
        "marks": [_mark(kind) for kind in KINDS],
        "joints": list(JOINTS),
        "limits": [limit_choice(limits) for limits in desk.shelf.values()],
        "units": ["mm", "in"],
        "quantities": [{"key": q.key, "unit": q.unit, "name": q.name, "meaning": q.meaning} for q in QUANTITIES],
        "cautions": list(CAUTIONS),
        "defaults": desk.settings(),
        "unit": unit,
        "who": desk.who,
        "keep_folder": keep_shown,
        "most_bytes": MOST_BYTES,
        "most_pixels": MOST_PIXELS,
        "click_u_px": CLICK_U_PX,
        "tile_px": TILE_PX,
    }


def _mark(kind: MarkKind) -> pc.MarkChoice:
    coins: list[str] = []
    if kind.name == "disc":
        from macrocheck.calibrate.coins import COINS

        coins = list(COINS)
    return {
        "name": kind.name,
        "form": kind.form,
        "meaning": kind.meaning,
        "needs": _NEEDS.get(kind.name, "length"),
        "coins": coins,
        "laid": kind.laid,
    }


def limit_choice(limits: Limits) -> pc.LimitChoice:
    """Return a limit set as the page is given it."""
    read = limits.read()
    symbols = {s for row in read.limits for s in row.symbols}
    needed = {s for row in read.limits if not row.only_if_given for s in row.symbols}
    needed -= set(read.given) | set(read.measured)
    return {
        "id": limits.id,
        "title": read.title or read.name,
        "note": read.note,
        "shipped": limits.shipped,
        "symbols": sorted(symbols),
        "needed": sorted(needed),
        "rows": [
            {
                "name": row.name,
                "quantities": list(row.quantities),
                "at_least": None if row.at_least is None else row.at_least.text,
                "at_most": None if row.at_most is None else row.at_most.text,
                "source": row.source,
                "note": row.note,
            }
            for row in read.limits
        ],
    }
