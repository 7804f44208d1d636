"""One photo under review with all that changes: its history, its journal, who has it open.

Everything that is decided here happens under the photo's own lock: an edit is applied to the revision the page saw,
by the window that has the photo, and is on the disk before it is answered.
"""

import contextlib
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Literal

from macrocheck.errors import InputError, MacrocheckError, OutputError
from macrocheck.photo import Photo
from macrocheck.reading import read_photo
from macrocheck.results import Result
from macrocheck.review import protocol_choices as pc
from macrocheck.review import protocol_state as p
from macrocheck.review.choices import Choices, Limits, chosen
from macrocheck.review.correction import by_hand, correction_of
from macrocheck.review.edit_reading import click_u, read_edit
from macrocheck.review.edits import Choose, Plain
from macrocheck.review.figures import Figures, Workbench, result_of
from macrocheck.review.folder import KeepFolder
from macrocheck.review.holding import Hold
from macrocheck.review.journal import Decision, Journal
from macrocheck.review.present import About, decision_json, doubts_of, photo_state
from macrocheck.review.reduce import reduced
from macrocheck.review.refusal import checked_text, checked_window, refuse
from macrocheck.review.sources import Source, taken_up
from macrocheck.review.state import History, Step, begun
from macrocheck.review.tiles import TILE_PX, Tiles
from macrocheck.review.wording import speaker, worded

_MOST_TEXT = 1000

Stage = Literal["waiting", "working", "ready", "failed"]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What every photo of a review shares.

    `explicit`: settings named at the start, which go before what a journal or a result says. `writer`: of journals.
    `clock`: seconds that only run forward; `now`: the time of day.
    """

    keep: KeepFolder
    defaults: Callable[[], Choices]
    shelf: Mapping[str, Limits]
    explicit: Mapping[str, Any]
    who: str
    writer: ThreadPoolExecutor
    clock: Callable[[], float] = time.monotonic
    now: Callable[[], datetime] = lambda: datetime.now(UTC)


@dataclass(frozen=True, eq=False, slots=True)
class _Loaded:
    """What is in memory of a photo that is open; let go when others need the room."""

    bench: Workbench
    tiles: Tiles


class Case:
    """One photo under review."""

    def __init__(self, id_: str, source: Source, around: Surroundings) -> None:
        """Begin with nothing read."""
        self.id, self.source, self._around = id_, source, around
        self.lock, self._reading = threading.RLock(), threading.RLock()
        self.problem = None if source.problem is None else self.say(source.problem)
        self.sha256: str | None = None
        self.decision: Decision | None = None
        self.saved: tuple[str, ...] = ()
        self.attached: tuple[str, ...] = ()
        self.used = 0.0
        self._loaded: _Loaded | None = None
        self._journal: Journal | None = None
        self._history: History | None = None
        self._figures: tuple[int, Figures] | None = None
        self._before: Figures | None = None
        self._doubts, self._grade = source.doubts, source.grade
        self._edited = False
        self.hold = Hold(around.clock)
        self._thumb: bytes | None = None
        self._working = False

    @property
    def say(self) -> Callable[[str], str]:
        """What turns a sentence about this photo into the page's words."""
        return speaker(self._around.keep.path, self.source.path, self.source.name)

    @property
    def stage(self) -> Stage:
        """How far the photo is: waiting, working, ready or failed."""
        if self.problem is not None:
            return "failed"
        if self._doubts is not None:
            return "ready"
        return "working" if self._working else "waiting"

    @property
    def doubts(self) -> int | None:
        """How much of it asks for a look; None before it was measured."""
        return self._doubts

    @property
    def untouched(self) -> bool:
        """Whether nobody has edited or decided it."""
        if self.decision is not None or self.saved or self.attached:
            return False
        return self._history is None or len(self._history.steps) == 1

    def item(self) -> pc.QueueItem:
        """Return the photo's line in the queue."""
        return {
            "id": self.id,
            "name": self.source.name,
            "stage": self.stage,
            "problem": self.problem,
            "doubts": self._doubts or 0,
            "grade": _WORDS.get(self._grade),
            "edited": self._edited,
            "decision": decision_json(self.decision),
            "held": self.held_by() is not None,
            "attached": bool(self.attached),
            "saved": bool(self.saved),
            "thumb": f"/api/photos/{self.id}/thumb.jpg",
        }

    def loaded(self) -> _Loaded:
        """Return the photo in memory, read where it is not; RefusedError where the file cannot be used."""
        with self._reading:  # a lock of its own: the picture is shown while it is still being measured
            self.used = self._around.clock()
            if self._loaded is None:
                photo = self._read()
                self.sha256 = photo.sha256
                self._loaded = _Loaded(Workbench(photo, stated=self.source.stated), Tiles(photo))
            return self._loaded

    def _read(self) -> Photo:
        try:
            photo = read_photo(self.source.path)
        except MacrocheckError as error:
            self.problem = self.source.gone or self.say(str(error))
            refuse("cannot", self.problem)
        if self.sha256 not in {None, photo.sha256}:
            self.problem = f"{self.source.name} was changed since it was opened; open it anew."
            refuse("cannot", self.problem)
        return photo

    @property
    def in_memory(self) -> bool:
        """Whether the picture is in memory."""
        return self._loaded is not None

    def let_go(self) -> None:
        """Free the memory of a photo that is read again when it is next needed."""
        with self.lock:
            self._loaded = self._figures = self._before = None

    def look_again(self) -> None:
        """Take up a photo again that was gone and is back."""
        with self.lock:
            if self.problem is not None and self.source.problem is not None:
                (self.source,) = taken_up([self.source.to_json()], self._around.keep)
                self.problem = None if self.source.problem is None else self.say(self.source.problem)
            elif self.problem == self.source.gone_text and self.source.gone is None:
                self.problem = None

    def fail(self, problem: str) -> None:
        """Mark the photo as one that cannot be used."""
        self.problem = problem
        self.let_go()

    def open(self) -> History:
        """Return the photo's history: from its journal, or begun with what the machine finds."""
        with self.lock:
            if self._history is not None:
                return self._history
            self._working = True
            try:
                bench = self.loaded().bench
                self._history = self._begun(bench)
                self._edited = by_hand(self._history)
                self._measure()
            except OutputError as error:  # no fault of the photo's: once there is room, it can be opened
                refuse("cannot", self.say(str(error)))
            except MacrocheckError as error:
                self.problem = self.say(str(error))
                refuse("cannot", self.problem)
            finally:
                self._working = False
            return self._history

    def _begun(self, bench: Workbench) -> History:
        photo, around = bench.photo, self._around
        journal = Journal(around.keep.journal(photo.sha256), photo.width, photo.height)
        self._journal = journal
        kept = journal.read()
        self.decision, self.saved, self.attached = kept.decision, kept.saved, kept.attached
        shelf = {
            **around.shelf,
            **({} if self.source.limits is None else {self.source.limits.id: self.source.limits}),
        }
        history = kept.history
        if history is not None and (len(history.steps) > 1 or kept.decision or kept.saved or kept.attached):
            after = chosen(history.now.choices, around.explicit, shelf)
            if after != history.now.choices:
                history = self._step(history, Choose(around.explicit), 0.0, self._around.who, bench)
            return history
        choices = chosen(around.defaults(), self.source.wish, shelf)
        choices = chosen(choices, around.explicit, shelf)
        state = begun(photo.width, photo.height, choices, self.source.outline, bench)
        journal.begin(state)
        return History((Step(state),))

    def restart(self) -> None:
        """Begin anew, with the defaults as they are by then; only for a photo that nobody has touched."""
        with self.lock:
            if self.untouched:
                self._history = self._figures = self._before = None
                self._doubts = self._grade = None

    def warm(self) -> None:
        """Look into the picture ahead of the first click, where a journal spared that; not under the lock."""
        history, bench = self._history, self.loaded().bench
        if history is not None and not bench.seen:
            with contextlib.suppress(MacrocheckError):
                bench.find(history.now.choices.joint, history.now.hints)

    def view(self) -> p.PhotoView:
        """Return size and tiles of the photo."""
        loaded = self.loaded()
        photo, tiles = loaded.bench.photo, loaded.tiles
        return {
            "id": self.id,
            "name": self.source.name,
            "width": photo.width,
            "height": photo.height,
            "tile_px": TILE_PX,
            "levels": tiles.levels,
        }

    def thumb(self) -> bytes:
        """Return a small picture, JPEG; kept when the photo itself is let go."""
        if self._thumb is None:
            self._thumb = self.loaded().tiles.thumb()
        return self._thumb

    def state(self, ms: Mapping[str, float] | None = None) -> p.PhotoState:
        """Return everything about the photo."""
        with self.lock:
            history = self.open()
            figures = self._measure()
            about = About(
                id=self.id,
                name=self.source.name,
                view=self.view(),
                decision=self.decision,
                held_by=self.held_by(),
                saved=self.saved,
                attached=self.attached,
                on_record=None if self.source.place is None else self.source.place.to_json(),
                ms={**(ms or {}), **figures.ms},
            )
            state = photo_state(about, history, figures, self._before)
            if self.source.note is not None and history.now.choices.limits is None:
                state["notes"].append(self.source.note)
            return worded(state, self.say)

    def _measure(self) -> Figures:
        history = self.open() if self._history is None else self._history
        if self._figures is None or self._figures[0] != history.revision:
            figures = self.loaded().bench.figures(history.now)
            self._figures = (history.revision, figures)
        figures = self._figures[1]
        self._doubts, self._grade = doubts_of(figures, history.now), figures.verdicts.grade
        return figures

    def held_by(self) -> p.Holder | None:
        """Return the window that has the photo; None where none has."""
        return self.hold.by()

    def _check(self, body: Mapping[str, Any]) -> str:
        """Check window and revision; return who it is."""
        window = checked_window(body.get("window"))
        who = checked_text(body.get("who"), "who", most=100) or self._around.who
        self.hold.check(window)
        history = self.open()
        if body.get("revision") != history.revision:
            text = "This photo was changed in another window since; look at it as it is now and do it again."
            refuse("stale", text, state=self.state())
        self.hold.claim(window, who)
        return who

    def edit(self, body: Mapping[str, Any]) -> p.PhotoState:
        """Make one edit and return the new state; RefusedError where it is not made."""
        started = time.perf_counter()
        with self.lock:
            who = self._check(body)
            history, bench = self.open(), self.loaded().bench
            before = self._measure()
            try:
                edit = read_edit(body.get("edit"), history.now.width, history.now.height)
                u = click_u(body.get("resolution"))
                self._history = self._step(history, edit, u, who, bench)
            except MacrocheckError as error:
                refuse("cannot", self.say(str(error)))
            self._before = before
            self.decision = None
            self._edited = by_hand(self._history)
            state = self.state()
            state["ms"]["all"] = round(1000 * (time.perf_counter() - started), 2)
            return state

    def _step(self, history: History, edit: Any, u: float, who: str, bench: Workbench) -> History:
        journal = self._journal
        if journal is None:
            msg = "The photo is not open."
            raise InputError(msg)
        if isinstance(edit, Plain) and edit.kind != "reset":
            by = -1 if edit.kind == "undo" else 1
            after = history.moved(by)
            if after is history:
                msg = "There is nothing left to undo." if by < 0 else "There is nothing left to redo."
                raise InputError(msg)
            journal.moved(by, after.revision)
            return after
        state, change = reduced(history.now, edit, u, bench, self._shelf())
        at = self._around.now().isoformat(timespec="seconds")
        after = history.after(state, replace(change, who=who, at=at))
        # The disk is slow and so are the numbers: both are waited for, side by side.
        written = self._around.writer.submit(journal.step, after.steps[after.place], after.revision)
        figures = bench.figures(state)
        written.result()
        self._figures = (after.revision, figures)
        return after

    def _shelf(self) -> dict[str, Limits]:
        limits = self.source.limits
        return {**self._around.shelf, **({} if limits is None else {limits.id: limits})}

    def decide(self, body: Mapping[str, Any]) -> p.PhotoState:
        """Accept the outline, send it to another look, or withdraw that."""
        with self.lock:
            who = self._check(body)
            word = body.get("word")
            reason = checked_text(body.get("reason"), "reason", most=_MOST_TEXT)
            if word not in {"accept", "look_again", None}:
                refuse("bad_request", "A decision is accept, look_again or none.")
            if word == "look_again" and not reason:
                refuse("cannot", "Say in a few words what needs another look.")
            if word == "accept" and not self.open().now.welds:
                refuse("cannot", "There is no outline to accept; draw the weld first.")
            at = self._around.now().isoformat(timespec="seconds")
            decision = None if word is None else Decision(str(word), reason, who, at)
            if self._journal is not None:
                self._journal.decided(decision)
            self.decision = decision
            return self.state()

    def result(self, body: Mapping[str, Any] | None = None) -> tuple[Photo, Result, Choices]:
        """Return the result as it stands; with `body`, for its window and revision only.

        RefusedError where nothing could be measured.
        """
        with self.lock:
            if body is not None:
                self._check(body)
            history, figures, photo = self.open(), self._measure(), self.loaded().bench.photo
            result = result_of(photo, figures)
            if result is None:
                text = figures.problem or history.now.problem or "There is nothing measured yet."
                refuse("cannot", self.say(text))
            return photo, replace(result, correction=correction_of(history)), history.now.choices

    def hints(self) -> tuple[str, ...]:
        """Return the hints as the command line takes them."""
        return tuple(f"{h.hint}={h.at[0]:.2f},{h.at[1]:.2f}" for h in self.open().now.hints)

    def kept(self, *, saved: tuple[str, ...] = (), attached: tuple[str, ...] = ()) -> None:
        """Note what was saved or attached."""
        with self.lock:
            if self._journal is not None:
                self._journal.kept(saved=saved, attached=attached)
            self.saved = (*self.saved, *(s for s in saved if s not in self.saved))
            self.attached = (*self.attached, *(s for s in attached if s not in self.attached))


_WORDS: dict[str | None, p.Word] = {"accept": "accept", "undecided": "undecided", "reject": "reject"}
