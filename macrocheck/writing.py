"""Writing files whole or not at all: aside in the same folder, flushed to the disk, then renamed into place."""

import contextlib
import os
import shutil
import stat
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn

from macrocheck.errors import OutputError
from macrocheck.paths import os_reason, shown

AnyPath = str | os.PathLike[str]

_ASIDE_PREFIX = ".macrocheck-"
_ASIDE_SUFFIX = ".part"


def write_whole(path: AnyPath, content: bytes) -> None:
    """Write one file, whole or not at all; what stood there before stays until the new one is complete.

    Raises OutputError (disk full, read-only, missing folder, a folder in the way) with nothing left behind.
    """
    write_together({path: content})


def write_text_whole(path: AnyPath, text: str) -> None:
    """Write text as UTF-8 with line feeds, as `write_whole` does."""
    write_whole(path, text.encode("utf-8", "backslashreplace"))


def write_together(contents: Mapping[AnyPath, bytes]) -> None:
    """Write several files, all or none.

    All are written aside before the first is renamed; where a rename fails, those already renamed are put back.
    Raises OutputError as `write_whole` does.
    """
    staged: list[tuple[AnyPath, Path, Path]] = []  # as the user wrote it, target, aside
    done: list[tuple[Path, Path | None]] = []  # target, copy of what stood there (None: nothing)
    try:
        for path, content in contents.items():
            target = checked_target(path)
            staged.append((path, target, _write_aside(path, target, content)))
        for path, target, aside in staged:
            backup: Path | None = None
            try:
                backup = _keep(target) if len(staged) > 1 else None
                aside.replace(target)
            except OSError as error:
                if backup is not None:
                    _remove(backup)
                _put_back(done)
                _refuse(path, os_reason(error))
            done.append((target, backup))
    finally:
        for _, _, aside in staged:
            _remove(aside)
        for _, backup in done:
            if backup is not None:
                _remove(backup)
    for folder in {target.parent for _, target, _ in staged}:
        flush_folder(folder)


def _refuse(path: AnyPath, why: str) -> NoReturn:
    msg = f"{shown(path)} cannot be written: {why}; nothing was changed."
    raise OutputError(msg) from None


def checked_target(path: AnyPath) -> Path:
    """Return the file to replace (a link's target, not the link); OutputError where it is no ordinary file."""
    if not os.fspath(path).strip():
        msg = "The file to write has no name; give one. Nothing was changed."
        raise OutputError(msg)
    try:
        target = Path(path).resolve()
        mode = target.stat().st_mode
    except FileNotFoundError:
        return target
    except ValueError:
        _refuse(path, "this is not a file name")
    except (OSError, RuntimeError) as error:
        _refuse(path, os_reason(error) if isinstance(error, OSError) else "its links go round in a circle")
    if stat.S_ISDIR(mode):
        _refuse(path, "a folder of that name is in the way")
    if not stat.S_ISREG(mode):
        _refuse(path, "it is not an ordinary file")
    if not os.access(target, os.W_OK):
        # Renaming over it would succeed; a person who made a file read-only means it.
        _refuse(path, "the file there is read-only")
    return target


def _write_aside(path: AnyPath, target: Path, content: bytes) -> Path:
    aside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(_ASIDE_SUFFIX, _ASIDE_PREFIX, target.parent)
        aside = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        aside.chmod(_mode_for(target))
    except BaseException as error:
        if aside is not None:
            _remove(aside)
        if isinstance(error, OSError):
            _refuse(path, os_reason(error))
        raise
    return aside


def _mode_for(target: Path) -> int:
    """Return the permissions the file has now, or those that a newly made file would get."""
    try:
        return stat.S_IMODE(target.stat().st_mode)
    except OSError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _keep(target: Path) -> Path | None:
    """Keep what stands at `target` under a second name, so that it can be put back."""
    if not target.exists():
        return None
    handle, name = tempfile.mkstemp(_ASIDE_SUFFIX, _ASIDE_PREFIX, target.parent)
    os.close(handle)
    backup = Path(name)
    try:
        shutil.copy2(target, backup)
    except BaseException:
        _remove(backup)
        raise
    return backup


def _put_back(done: list[tuple[Path, Path | None]]) -> None:
    for target, backup in done:
        with contextlib.suppress(OSError):
            if backup is None:
                target.unlink()
            else:
                backup.replace(target)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)


def flush_folder(folder: Path) -> None:
    """Flush new names of files in a folder to the disk, where the system can (not on Windows)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
