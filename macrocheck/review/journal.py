"""The journal of one photo: every edit on the disk before it is answered, read back after any end.

A file of JSON lines, only ever added to: a heading, the outline of each weld once (by its digest), then steps,
undos, decisions and what was saved. A line that a crash cut short is dropped; what stands before it holds.
"""

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from macrocheck.arrays import FloatArray, frozen
from macrocheck.errors import InputError, OutputError
from macrocheck.flags import KINDS, Flag
from macrocheck.outline import Outline, WeldOutline
from macrocheck.outline_file import outline_from_geojson, outline_to_geojson
from macrocheck.paths import os_reason
from macrocheck.review.choices import Choices, Limits
from macrocheck.review.hand import HandWeld, Span
from macrocheck.review.state import Change, Hint, History, State, Step
from macrocheck.writing import flush_folder

FORMAT, VERSION = "macrocheck-review", 1
_MOST_BYTES = 2_000_000_000


@dataclass(frozen=True, slots=True)
class Decision:
    """What a person decided about a photo's outline: `word` accept or look_again, why, who, when (UTC)."""

    word: str
    reason: str
    who: str
    at: str


@dataclass(frozen=True, eq=False, slots=True)
class Kept:
    """All that a journal holds: the history, the decision that stands, what was saved and attached (names)."""

    history: History | None = None
    decision: Decision | None = None
    saved: tuple[str, ...] = ()
    attached: tuple[str, ...] = ()


class Journal:
    """The journal file of one photo. Not for two programs at once: the keep folder's lock sees to that."""

    def __init__(self, path: Path, width: int, height: int) -> None:
        """`width`, `height`: of the photo, px."""
        self._path = path
        self._size = (width, height)
        self._written: set[str] = set()
        self._names: dict[int, tuple[WeldOutline, str]] = {}

    def read(self) -> Kept:
        """Return what the journal holds, and make it ready to be added to.

        What cannot be read (a newer version's, another photo's) is put aside, never overwritten.
        """
        try:
            data = self._path.read_bytes() if self._path.stat().st_size <= _MOST_BYTES else b""
        except FileNotFoundError:
            return Kept()
        except OSError as error:
            msg = f"What was done to this photo before cannot be read: {os_reason(error)}."
            raise InputError(msg) from error
        reader = _Reader(self._size)
        good = 0
        for line in data.splitlines(keepends=True):
            if not line.endswith(b"\n") or not reader.take(line):
                break
            good += len(line)
        if good < len(data):
            self._put_aside(data, good)
        self._written = set(reader.welds)
        return reader.kept

    def begin(self, state: State) -> None:
        """Begin the journal with what the machine found; one that holds no more than that is begun anew."""
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)
        self._written = set()
        heading = _line({"format": FORMAT, "version": VERSION, "size": list(self._size)})
        try:
            self._add_step(Step(state), 0, [heading])
        except OutputError as error:
            msg = f"{error} Make room, and open the photo again."
            raise OutputError(msg) from error
        flush_folder(self._path.parent)

    def step(self, step: Step, revision: int) -> None:
        """Add an edit with the state it led to."""
        self._add_step(step, revision, [])

    def moved(self, by: int, revision: int) -> None:
        """Add an undo (-1) or a redo (1)."""
        self._add([_line({"move": by, "revision": revision})])

    def decided(self, decision: Decision | None) -> None:
        """Add a decision, or that it was withdrawn."""
        self._add([_line({"decision": None if decision is None else asdict(decision)})])

    def kept(self, *, saved: tuple[str, ...] = (), attached: tuple[str, ...] = ()) -> None:
        """Add the names of what was saved or attached."""
        self._add([_line({"saved": list(saved), "attached": list(attached)})])

    def _add_step(self, step: Step, revision: int, lines: list[str]) -> None:
        names: list[str] = []

        def named(weld: WeldOutline) -> str:
            names.append(self._named(weld, lines))
            return names[-1]

        body = _state_json(step.state, named)
        change = None if step.change is None else asdict(step.change)
        self._add([*lines, _line({"step": body, "change": change, "revision": revision})], names)

    def _named(self, weld: WeldOutline, lines: list[str]) -> str:
        """Return a weld's digest; its line is added where the journal does not hold it yet."""
        known = self._names.get(id(weld))
        if known is not None and known[0] is weld and known[1] in self._written:
            return known[1]
        width, height = self._size
        features = outline_to_geojson(Outline(width, height, (weld,)))["features"]
        text = json.dumps(features, ensure_ascii=False, allow_nan=False)
        sha = hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:32]
        line = f'{{"weld": "{sha}", "features": {text}}}'
        if sha not in self._written and line not in lines:
            lines.append(line)
        self._names[id(weld)] = (weld, sha)
        return sha

    def _add(self, lines: list[str], names: Iterable[str] = ()) -> None:
        data = "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace")
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            before = os.fstat(handle).st_size
            try:
                _write_all(handle, data)
                os.fsync(handle)
            except OSError:
                with contextlib.suppress(OSError):
                    os.ftruncate(handle, before)  # half a line must not spoil what comes after
                raise
            finally:
                os.close(handle)
        except OSError as error:
            msg = f"The change could not be kept: {os_reason(error)}; it was not made."
            raise OutputError(msg) from error
        self._written |= set(names)

    def _put_aside(self, data: bytes, good: int) -> None:
        number = 1
        while (aside := self._path.with_name(f"{self._path.name}.aside-{number}")).exists():
            number += 1
        try:
            aside.write_bytes(data)
            with self._path.open("r+b") as file:
                file.truncate(good)
                os.fsync(file.fileno())
        except OSError as error:
            msg = f"What was done to this photo cannot be written: {os_reason(error)}."
            raise OutputError(msg) from error


def _line(row: Mapping[str, Any]) -> str:
    return json.dumps(row, ensure_ascii=False, allow_nan=False)


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]


def _state_json(state: State, named: Callable[[WeldOutline], str]) -> dict[str, Any]:
    choices = asdict(state.choices)
    return {
        "choices": choices,
        "hints": [[h.hint, *h.at] for h in state.hints],
        "welds": [
            {
                "base": None if h.base is None else named(h.base),
                "now": named(h.now),
                "touched": sorted(h.touched),
                "decided": sorted(h.decided),
                "set": {k: v.tolist() for k, v in h.set_points.items()},
                "click": dict(h.click),
                "spans": [asdict(s) for s in h.spans],
            }
            for h in state.welds
        ],
        "found": [named(w) for w in state.found],
        "made_by": state.made_by,
        "flags": [f.to_json() for f in state.flags],
        "problem": state.problem,
        "removed": state.removed,
    }


@dataclass(eq=False, slots=True)
class _Reader:
    """Takes a journal line by line; `kept` is what stands after the last good one."""

    size: tuple[int, int]
    headed: bool = False
    welds: dict[str, WeldOutline] = field(default_factory=dict)
    kept: Kept = field(default_factory=Kept)

    def take(self, line: bytes) -> bool:
        """Take one line; False where it makes no sense, and nothing after it is to be trusted."""
        try:
            row = json.loads(line)
            if not self.headed:
                self.headed = row["format"] == FORMAT and row["version"] == VERSION and row["size"] == [*self.size]
                return self.headed
            self._take(row)
        except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError, InputError):
            return False
        return True

    def _take(self, row: Mapping[str, Any]) -> None:
        if "weld" in row:
            width, height = self.size
            document = {"type": "FeatureCollection", "features": row["features"]}
            self.welds[row["weld"]] = outline_from_geojson(document, width=width, height=height).welds[0]
        elif "step" in row:
            self._take_step(row)
        elif "move" in row:
            history = self._history().moved(int(row["move"]))
            self.kept = replace(self.kept, history=history, decision=None)
        elif "decision" in row:
            said = row["decision"]
            self.kept = replace(self.kept, decision=None if said is None else Decision(**said))
        else:
            saved = (*self.kept.saved, *(s for s in row["saved"] if s not in self.kept.saved))
            attached = (*self.kept.attached, *(s for s in row["attached"] if s not in self.kept.attached))
            self.kept = replace(self.kept, saved=saved, attached=attached)

    def _take_step(self, row: Mapping[str, Any]) -> None:
        state = self._state(row["step"])
        said = row["change"]
        if said is None:
            self.kept = replace(self.kept, history=History((Step(state),)), decision=None)
            return
        points = tuple((float(x), float(y)) for x, y in said["points"])
        change = Change(said["kind"], said["text"], points, said["who"], said["at"])
        self.kept = replace(self.kept, history=self._history().after(state, change), decision=None)

    def _history(self) -> History:
        if self.kept.history is None:
            msg = "An edit stands before there is anything to edit."
            raise ValueError(msg)
        return self.kept.history

    def _state(self, body: Mapping[str, Any]) -> State:
        return State(
            *self.size,
            choices=_choices(body["choices"]),
            hints=tuple(Hint(kind, (float(x), float(y))) for kind, x, y in body["hints"]),
            welds=tuple(self._hand(h) for h in body["welds"]),
            found=tuple(self.welds[name] for name in body["found"]),
            made_by=str(body["made_by"]),
            flags=tuple(
                Flag(f["code"], f["text"], tuple((float(x), float(y)) for x, y in f["where_px"]))
                for f in body["flags"]
                if f["code"] in KINDS
            ),
            problem=body["problem"],
            removed=int(body["removed"]),
        )

    def _hand(self, body: Mapping[str, Any]) -> HandWeld:
        set_points: dict[str, FloatArray] = {k: frozen(v, columns=2) for k, v in body["set"].items()}
        return HandWeld(
            base=None if body["base"] is None else self.welds[body["base"]],
            now=self.welds[body["now"]],
            touched=frozenset(body["touched"]),
            decided=frozenset(body["decided"]),
            set_points=set_points,
            click=dict(body["click"]),
            spans=tuple(
                Span(s["member"], s["state"], tuple(s["start"]), tuple(s["end"]), float(s["u"]))
                for s in body["spans"]
            ),
        )


def _choices(body: Mapping[str, Any]) -> Choices:
    limits = body["limits"]
    return Choices(
        marks=tuple(body["marks"]),
        joint=body["joint"],
        limits=None if limits is None else Limits(**limits),
        given=tuple((str(k), str(v)) for k, v in body["given"]),
        guard=body["guard"],
        fusion_threshold=body["fusion_threshold"],
        mark_offset=body.get("mark_offset"),
        camera_distance=body.get("camera_distance"),
    )
