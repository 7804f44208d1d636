"""The desk: all photos of one review, the order to look at them in, and the worker that measures them ahead."""

import contextlib
import hashlib
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from macrocheck.errors import InputError, MacrocheckError, OutputError
from macrocheck.reading import read_photo
from macrocheck.review import protocol_choices as pc
from macrocheck.review import protocol_state as p
from macrocheck.review.case import Case, Surroundings
from macrocheck.review.choices import Choices, Limits, chosen
from macrocheck.review.folder import KeepFolder, Picture
from macrocheck.review.present import settings_json
from macrocheck.review.refusal import RefusedError, refuse
from macrocheck.review.sources import Source, shipped_shelf, taken_up

IN_MEMORY = 4
"""Photos whose pixels stay in memory: a 12 Mpx one takes about 100 MB with its tiles and maps."""
QUIET_S = 2.0
"""The worker leaves the machine to the user for so long after each edit."""
AGAIN_S = 5.0
"""The worker tries a photo again after so long that it could not open for a reason that may pass."""
_MOST_PHOTOS = 5000
_MOST_LIMITS = 100


class Desk:
    """All photos of one review; safe to ask from several threads."""

    def __init__(
        self,
        keep: KeepFolder,
        sources: Sequence[Source],
        *,
        wish: Mapping[str, Any],
        limits: Limits | None = None,
        who: str,
    ) -> None:
        """`wish`: settings named at the start, as `choices.chosen` takes them; `limits` those that it names.

        Without `sources`, what lay on the desk last is taken up again. Raises InputError where `wish` is unusable.
        """
        self.keep, self.who = keep, who
        self.shelf: dict[str, Limits] = shipped_shelf()
        if limits is not None:
            self.shelf[limits.id] = limits
        items, self.last, before = keep.read_desk()
        self._defaults = chosen(self._earlier(before), wish, self.shelf)
        self._ahead = ThreadPoolExecutor(max_workers=1, thread_name_prefix="look")
        self._writer = ThreadPoolExecutor(max_workers=2, thread_name_prefix="journal")
        self._around = Surroundings(keep, lambda: self._defaults, self.shelf, dict(wish), who, self._writer)
        self._lock = threading.RLock()
        self._cases: dict[str, Case] = {}
        self._wake = threading.Event()
        self._ended = False
        self._touched_at = -QUIET_S
        for source in sources or taken_up(items, keep):
            self._add(source)
        self._worker = threading.Thread(target=self._work, name="measure", daemon=True)

    def _earlier(self, before: Mapping[str, Any]) -> Choices:
        try:
            return chosen(Choices(), before, self.shelf)
        except InputError:  # limits that were handed in at an earlier time, say
            return Choices()

    def begin(self) -> None:
        """Begin to measure what lies on the desk."""
        self._write()
        self._worker.start()
        self._wake.set()

    def end(self) -> None:
        """Let the worker end; what it has under way is not waited for."""
        self._ended = True
        self._wake.set()
        self._ahead.shutdown(wait=False, cancel_futures=True)
        self._writer.shutdown(wait=True)

    # --- photos ---------------------------------------------------------------------------------------------------

    def case(self, id_: str) -> Case:
        """Return a photo; RefusedError `not_found` where there is none of that name."""
        with self._lock:
            found = self._cases.get(id_)
        if found is None:
            refuse("not_found", "This photo is not on the desk.")
        found.look_again()
        if found.problem is not None:
            refuse("cannot", found.problem)
        return found

    def opened(self, id_: str) -> Case:
        """Return a photo that the user looks at now; it stays in memory before others."""
        case = self.case(id_)
        case.open()
        self._refuse_twin(case)
        if self.last != id_:
            self.last = id_
            with contextlib.suppress(OutputError):  # a photo can be looked at where nothing more can be kept
                self._write()
        self._make_room(case)
        if not case.loaded().bench.seen:
            self._ahead.submit(case.warm)
        return case

    def thumb(self, id_: str) -> bytes:
        """Return a small picture of a photo, JPEG."""
        case = self.case(id_)
        thumb = case.thumb()
        self._make_room(case)
        return thumb

    def touched(self) -> None:
        """Note that the user does something: the worker holds back."""
        self._touched_at = self._around.clock()

    def _add(self, source: Source) -> Case:
        place = (
            str(source.path.absolute())
            if source.place is None
            else f"{source.place.record}\n{source.place.coupon}\n{source.place.section}"
        )
        id_ = hashlib.sha256(place.encode("utf-8", "surrogateescape")).hexdigest()[:16]
        with self._lock:
            if id_ not in self._cases:
                if len(self._cases) >= _MOST_PHOTOS:
                    msg = f"{_MOST_PHOTOS} photos are on the desk, which is the most; take some away first."
                    raise InputError(msg)
                self._cases[id_] = Case(id_, source, self._around)
            return self._cases[id_]

    def add_picture(self, picture: Picture) -> pc.QueueItem:
        """Put a picture that was sent on the desk, or find it there; InputError where it is none."""
        with self._lock:
            there = [c for c in self._cases.values() if c.sha256 == picture.sha256 and c.problem is None]
        if there:
            if there[0].source.path != picture.path:
                picture.path.unlink(missing_ok=True)
            return there[0].item()
        try:
            read_photo(picture.path)  # not kept: many may be sent before the first is looked at
        except MacrocheckError:
            picture.path.unlink(missing_ok=True)
            raise
        case = self._add(Source(picture.path, picture.name, uploaded=True))
        try:
            self._write()
        except OutputError:
            with self._lock:
                self._cases.pop(case.id, None)
            picture.path.unlink(missing_ok=True)
            raise
        self._wake.set()
        return case.item()

    def take_away(self, ids: Sequence[str]) -> None:
        """Take photos off the desk; their journals stay, so that they come back as they were."""
        with self._lock:
            cases, last = dict(self._cases), self.last
            for id_ in ids:
                self._cases.pop(id_, None)
                self.last = None if self.last == id_ else self.last
            try:
                self._write()
            except OutputError:
                self._cases, self.last = cases, last
                raise

    def _refuse_twin(self, case: Case) -> None:
        """Refuse the second of two files that hold the same picture: they would share a journal."""
        with self._lock:
            for other in self._cases.values():
                if other is case:
                    return
                if other.sha256 is not None and other.sha256 == case.sha256 and other.problem is None:
                    text = f"{case.source.name} is the same picture as {other.source.name}; look at that one."
                    case.fail(text)
                    refuse("cannot", text)

    # --- the queue ------------------------------------------------------------------------------------------------

    def queue(self) -> pc.Queue:
        """Return the photos in the order to look at them, and how far the work is."""
        with self._lock:
            cases = self._in_order()
        items = [case.item() for case in cases]
        words = [item["decision"]["word"] if item["decision"] else None for item in items]
        return {
            "items": items,
            "total": len(items),
            "accepted": words.count("accept"),
            "look_again": words.count("look_again"),
            "open": words.count(None),
            "waiting": sum(item["stage"] in {"waiting", "working"} for item in items),
            "last": self.last,
            "defaults": self.settings(),
        }

    def _in_order(self) -> list[Case]:
        """Return the undecided first; of them the doubtful, those not measured yet, the others, the unusable."""

        def rank(numbered: tuple[int, Case]) -> tuple[int, int, int, int]:
            number, case = numbered
            if case.problem is not None:
                return (1, 0, 0, number)
            decided = 0 if case.decision is None else 2
            doubts = case.doubts
            return (decided, 1 if doubts is None else 0 if doubts else 2, -(doubts or 0), number)

        return [case for _, case in sorted(enumerate(self._cases.values()), key=rank)]

    def settings(self) -> p.Settings:
        """Return what photos still to come are measured with."""
        return settings_json(self._defaults)

    def set_defaults(self, wish: Mapping[str, Any], *, untouched: bool) -> None:
        """Choose settings for photos still to come, and with `untouched` for those nobody has touched yet."""
        before = self._defaults
        self._defaults = chosen(before, wish, self.shelf)
        try:
            self._write()
        except OutputError:
            self._defaults = before
            raise
        if not untouched:
            return
        with self._lock:
            cases = list(self._cases.values())
        for case in cases:
            if case.problem is None and case.untouched:
                case.restart()
        self._wake.set()

    def add_limits(self, name: str, text: str) -> Limits:
        """Put a limit set on the shelf; InputError where it cannot be used."""
        plain = " ".join(name.split())[:60] or "limits"
        stem = plain.removesuffix(".toml").strip() or "limits"
        limits = Limits(stem, text, shipped=False)
        limits.read()
        with self._lock:
            number = 1
            while (there := self.shelf.get(limits.id)) is not None and there.text != text:
                number += 1
                limits = Limits(f"{stem} ({number})", text, shipped=False)
            if len(self.shelf) >= _MOST_LIMITS:
                msg = "There are too many limit sets; start anew."
                raise InputError(msg)
            self.shelf[limits.id] = limits
        return limits

    # --- behind the scenes ----------------------------------------------------------------------------------------

    def _write(self) -> None:
        with self._lock:
            items = [c.source.to_json() for c in self._cases.values()]
            self.keep.write_desk(items, self.last, dict(self._defaults.to_json()))

    def _make_room(self, keep: Case) -> None:
        with self._lock:
            loaded = [c for c in self._cases.values() if c.in_memory]
        idle = sorted((c for c in loaded if c is not keep and c.held_by() is None), key=lambda c: c.used)
        for case in idle[: max(0, len(loaded) - IN_MEMORY)]:
            case.let_go()

    def _work(self) -> None:
        """Measure one waiting photo after the other, never while the user is at it."""
        while not self._ended:
            case = self._next()
            if case is None:
                self._wake.wait()
                self._wake.clear()
                continue
            quiet = self._around.clock() - self._touched_at
            if quiet < QUIET_S:
                threading.Event().wait(QUIET_S - quiet)
                continue
            try:
                case.open()
                self._refuse_twin(case)
            except (RefusedError, MacrocheckError):
                if case.problem is None:  # nothing can be kept now, say; otherwise the photo says what is wrong
                    threading.Event().wait(AGAIN_S)
            except Exception as error:  # noqa: BLE001  one bad photo must not end the worker
                case.fail(f"Something went wrong with {case.source.name} ({type(error).__name__}).")
            self._make_room(case)

    def _next(self) -> Case | None:
        with self._lock:
            waiting = [c for c in self._in_order() if c.stage == "waiting"]
        return waiting[0] if waiting else None
