"""The keep folder: journals, uploaded pictures, results, and what was on the desk; one program at a time."""

import contextlib
import hashlib
import json
import os
import re
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from macrocheck.errors import InputError, MacrocheckError, OutputError
from macrocheck.paths import os_reason, shown
from macrocheck.writing import write_text_whole

_DESK_FORMAT = "macrocheck-desk"
_MOST_NAME = 100
_RECORD_ENDINGS = frozenset({".db", ".sqlite", ".sqlite3"})
_SQLITE = b"SQLite format 3\0"


class TooLargeError(MacrocheckError):
    """What was sent is larger than is taken."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that was sent: where it was put, its display name, the digest of its bytes."""

    path: Path
    name: str
    sha256: str


class KeepFolder:
    """The folder in which a review keeps what must not be lost. Use as a context: it is locked while open."""

    def __init__(self, path: Path) -> None:
        """Make the folder, for its owner alone, where there is none."""
        self.path = path
        self._lock: int | None = None
        try:
            path.mkdir(mode=0o700, parents=True, exist_ok=True)
            for name in ("journals", "pictures", "records", "results"):
                (path / name).mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            why = "it is a file" if isinstance(error, FileExistsError) else os_reason(error)
            msg = f"The folder {shown(path)} cannot be made: {why}; name another with --keep."
            raise InputError(msg) from error

    def __enter__(self) -> Self:
        """Lock the folder; InputError where another program has it."""
        place = self.path / "lock"
        try:
            handle = os.open(place, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            msg = (
                f"The folder {shown(self.path)} cannot be written to: {os_reason(error)}; name another with --keep."
            )
            raise InputError(msg) from error
        if not _locked(handle):
            os.close(handle)
            msg = (
                f"Another macrocheck review has the folder {shown(self.path)} open; use its page, end it, or name "
                "another folder with --keep."
            )
            raise InputError(msg)
        self._lock = handle
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Unlock the folder."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def journal(self, sha256: str) -> Path:
        """Return where the journal of a photo is."""
        return self.path / "journals" / f"{sha256}.jsonl"

    @property
    def results(self) -> Path:
        """The folder that results are saved in."""
        return self.path / "results"

    @property
    def records(self) -> Path:
        """The folder that records begun on the page are in."""
        return self.path / "records"

    @contextlib.contextmanager
    def incoming(self, name: str, most_bytes: int) -> Iterator["Incoming"]:
        """Take a picture in as it is sent; what is not kept in the end is gone."""
        handle, place = tempfile.mkstemp(".part", ".incoming-", self.path / "pictures")
        try:
            with os.fdopen(handle, "wb") as file:
                yield Incoming(self.path / "pictures", Path(place), plain_name(name), file, most_bytes)
        finally:
            with contextlib.suppress(OSError):
                Path(place).unlink(missing_ok=True)

    def write_desk(self, items: Sequence[dict[str, Any]], last: str | None, defaults: dict[str, Any]) -> None:
        """Keep what lies on the desk."""
        body = {"format": _DESK_FORMAT, "version": 1, "items": list(items), "last": last, "defaults": defaults}
        write_text_whole(self.path / "desk.json", json.dumps(body, ensure_ascii=False, indent=1) + "\n")

    def read_desk(self) -> tuple[list[dict[str, Any]], str | None, dict[str, Any]]:
        """Return what lay on the desk: items, the photo open last, the defaults; nothing where unreadable."""
        try:
            body = json.loads((self.path / "desk.json").read_bytes())
            if body["format"] != _DESK_FORMAT or body["version"] != 1:
                return [], None, {}
            items = [i for i in body["items"] if isinstance(i, dict) and isinstance(i.get("path"), str)]
            return items, body["last"], dict(body["defaults"])
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return [], None, {}


class Incoming:
    """A picture on its way in."""

    def __init__(self, folder: Path, part: Path, name: str, file: Any, most_bytes: int) -> None:
        """Begin with no byte."""
        self._folder, self._part, self._name, self._file = folder, part, name, file
        self._left, self._most = most_bytes, most_bytes
        self._digest = hashlib.sha256()

    def take(self, data: bytes) -> None:
        """Add bytes; TooLargeError where there are too many, OutputError where the disk is full."""
        self._left -= len(data)
        if self._left < 0:
            msg = f"The file is larger than {self._most / 1e6:.0f} MB; save the picture smaller."
            raise TooLargeError(msg)
        self._digest.update(data)
        try:
            self._file.write(data)
        except OSError as error:
            msg = f"The picture cannot be kept: {os_reason(error)}."
            raise OutputError(msg) from error

    def kept(self) -> Picture:
        """Put the picture in its place, under the digest of its bytes."""
        sha = self._digest.hexdigest()
        place = self._folder / sha[:16] / self._name
        try:
            self._file.flush()
            os.fsync(self._file.fileno())
            place.parent.mkdir(mode=0o700, exist_ok=True)
            self._part.replace(place)
        except OSError as error:
            msg = f"The picture cannot be kept: {os_reason(error)}."
            raise OutputError(msg) from error
        return Picture(place, self._name, sha)


def plain_name(name: str) -> str:
    """Return a file name of letters, digits, space, dot, dash, underscore: 100 characters at most, never a path."""
    last = re.split(r"[/\\]", name)[-1]
    plain = "".join(c if c.isalnum() or c in " ._-" else "_" for c in last).strip(" .") or "picture"
    stem, dot, ending = plain.rpartition(".")
    if not dot:
        return plain[:_MOST_NAME]
    return f"{stem[: _MOST_NAME - len(ending) - 1]}.{ending[:12]}"


def records_in(folders: Sequence[Path]) -> list[Path]:
    """Return the test records in some folders (not below them), by name."""
    found = []
    for folder in folders:
        with contextlib.suppress(OSError):
            found += [p for p in sorted(folder.iterdir()) if is_record(p)]
    return found


def is_record(path: Path) -> bool:
    """Whether a file is a record: an SQLite database by its ending and its first bytes."""
    try:
        if path.suffix.lower() not in _RECORD_ENDINGS or not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(16) == _SQLITE
    except OSError:
        return False


def _locked(handle: int) -> bool:
    """Lock a file for this program alone, until it is closed or the program ends."""
    try:
        import fcntl
    except ImportError:
        return _locked_on_windows(handle)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _locked_on_windows(handle: int) -> bool:
    import importlib

    msvcrt = importlib.import_module("msvcrt")
    try:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    except OSError:
        return False
    return True
