"""What the rest of the program says, in the page's words: no path that only the program knows, no option.

The stages and the record speak to whoever types commands. On the page there is nothing to type them into: a
sentence that ends in such advice says here what to press instead, and a file is called by its name.
"""

import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from macrocheck.paths import shown
from macrocheck.review import protocol_state as p

KEEP_FOLDER = "folder that the page keeps its work in"

_KINDS = {"bar": "bar", "ruler": "rule", "disc": "disc", "plate": "plate", "px": "pixel size", "card": "card"}

_SAID: tuple[tuple[str, str], ...] = (
    # marks and scale
    (r"; check the mark, or use another: .*$", "; check the mark, choose another, or set the scale on the photo."),
    (r": --mark bar:10mm for a bar .*$", ": choose its mark."),
    (r"; use another mark: .*$", "; choose another mark, or set the scale on the photo."),
    (r"; the marks are: .*$", "; choose one of the list."),
    (r"; state the right one with points:x1,\S+\.", "; set the scale on the photo, along the right one."),
    (r"; state the right one with one of these\.", "; write it so beside the mark."),
    (r"; state its pitch, such as ruler:(\S+) or ruler:(\S+) .*$", r"; state its pitch, such as \1 or \2."),
    (r"; give both, such as --mark-offset .*$", "; fill in both."),
    (r"; leave --mark-offset out\.", "; leave its height empty."),
    # joint and outline
    (r": give --joint\.", ": choose the joint."),
    (r"draw the outline by hand and give it with --outline\.?", "draw the weld by hand."),
    (r"; give the \.outline\.geojson that measure wrote with --out.*$", "; open the photo itself instead"),
    (r"draw its outline by hand\.?$", "draw the weld by hand."),
    # limits
    (r"; state it with --given \w+=LENGTH or in \[given\]", "; fill it in"),
    (r"list them with: macrocheck limits keys\.?", "the result that is saved names what is measured."),
    # what the page itself keeps
    (r"^desk\.json cannot be written", "The list of photos cannot be written"),
    # records
    (r"attach this with --section (.+) and a reason\.$", r"write \1 as the section, and a reason."),
    (r"make room and run it again", "make room and try again"),
    (r" \(--reason TEXT\)", ""),
    (r"; (?:check the name|name another), or begin one with: macr.*$", "; choose another, or begin a new one."),
    (r"; run: macrocheck record verify\.", "; have the record checked (record verify) before more is put on it."),
    (r"A record in a database server needs .*$", "This record keeps no photographs; choose another."),
)
"""What the program says (a pattern), and what the page says instead."""
_PHRASES = tuple((re.compile(pattern, re.DOTALL), words) for pattern, words in _SAID)
_POINTS = re.compile(r"\bpoints:[-\d.,]+=([^\s;)'\"]+)")
_MARK = re.compile(rf"\b({'|'.join(_KINDS)}):(?=[\w.])")


@lru_cache(maxsize=4096)
def page_words(text: str, keep: str, photo: str = "", name: str = "") -> str:
    """Return a sentence in the page's words.

    `keep`: the keep folder; `photo`: the path of the photo that it is about ("" for none), and its `name`.
    """
    said, headless = text, False
    if photo:
        for path in {photo, shown(photo)}:
            headless |= said.startswith(f"{path}: ")
            said = said.removeprefix(f"{path}: ")
            said = said if path == Path(path).name else said.replace(path, name)
    for folder in {keep, shown(keep)}:
        # what lies in the keep folder is called by its last name, the folder itself by what it is
        said = re.sub(rf"{re.escape(folder)}(?:[/\\][^/\\:;]*)*[/\\]([^/\\:;]+)", r"\1", said)
        said = said.replace(f"he folder {folder}", f"he {KEEP_FOLDER}").replace(folder, f"the {KEEP_FOLDER}")
    for pattern, words in _PHRASES:
        said = pattern.sub(words, said)
    said = _POINTS.sub(r"two points \1 apart", said)
    said = _MARK.sub(lambda m: f"{_KINDS[m[1]]} ", said)
    if not headless:
        return said
    said = said[:1].upper() + said[1:]
    return said if said.endswith((".", "?", "!")) else f"{said}."


def speaker(keep: Path, photo: Path, name: str) -> Callable[[str], str]:
    """Return what turns a sentence about one photo into the page's words."""
    return lambda text: page_words(text, str(keep), str(photo), name)


def worded(state: p.PhotoState, say: Callable[[str], str]) -> p.PhotoState:
    """Return a photo's state with every sentence in it in the page's words; the state itself is changed."""

    def maybe(text: str | None) -> str | None:
        return None if text is None else say(text)

    state["scale_problem"] = maybe(state["scale_problem"])
    state["outline_problem"] = maybe(state["outline_problem"])
    state["notes"] = [say(note) for note in state["notes"]]
    for flag in state["flags"]:
        flag["text"] = say(flag["text"])
    for weld in state["welds"]:
        for quantity in weld["quantities"]:
            quantity["reason"] = maybe(quantity["reason"])
            for verdict in quantity["verdicts"]:
                verdict["text"] = say(verdict["text"])
    return state
