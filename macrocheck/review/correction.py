"""What a person changed, kept apart from what the machine had found: for the files that are written."""

from macrocheck.outline import Outline
from macrocheck.outline_file import outline_to_geojson
from macrocheck.review.state import Change, History


def by_hand(history: History) -> bool:
    """Return whether the outline is not as the machine alone found it."""
    now = history.now
    return bool(now.hints) or bool(now.removed) or any(h.by_hand for h in now.welds)


def correction_of(history: History) -> dict[str, object] | None:
    """Return what a person changed and what the machine had found; None where nobody changed the outline."""
    if not by_hand(history):
        return None
    start = history.steps[0].state
    found = outline_to_geojson(Outline(start.width, start.height, history.now.found))
    made = [step.change for step in history.changes if step.change is not None]
    since = max((k + 1 for k, change in enumerate(made) if change.kind == "reset"), default=0)
    return {"changes": [_change_json(change) for change in made[since:]], "found": found["features"]}


def _change_json(change: Change) -> dict[str, object]:
    return {
        "kind": change.kind,
        "text": change.text,
        "points": [list(at) for at in change.points],
        "who": change.who,
        "at": change.at,
    }
