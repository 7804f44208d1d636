"""Paths and operating system errors, as they stand in a sentence for a person."""

import errno
import os
from collections.abc import Sequence
from pathlib import Path

_REASONS: dict[int, str] = {
    errno.ENOENT: "its folder does not exist",
    errno.ENOTDIR: "a part of its path is a file, not a folder",
    errno.EACCES: "you have no permission",
    errno.EPERM: "you have no permission",
    errno.EROFS: "the disk is read-only",
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your disk quota is used up",
    errno.EFBIG: "the file would be larger than is allowed here",
    errno.EISDIR: "a folder of that name is in the way",
    errno.ENAMETOOLONG: "the name is too long",
    errno.ELOOP: "its links go round in a circle",
    errno.EIO: "the disk reports a fault",
    errno.EMFILE: "too many files are open",
}


def shown(path: str | os.PathLike[str]) -> str:
    """Return a path that is safe to print: undecodable bytes and control characters come out escaped."""
    text = os.fspath(path).encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def os_reason(error: OSError) -> str:
    """Return why the operating system refused, as a clause in plain words."""
    if error.errno is not None and error.errno in _REASONS:
        return _REASONS[error.errno]
    return (error.strerror or str(error) or "of an unknown fault").rstrip(".").lower()


def stems(photos: Sequence[str]) -> list[str]:
    """Return a name for the files of each photo: its own, with a number where two would be the same.

    Names that differ only in upper and lower case count as the same, as some file systems hold them so.
    """
    own = [Path(p).stem or "photo" for p in photos]
    taken = {name.casefold() for name in own}
    used: set[str] = set()
    names = []
    for name in own:
        choice, number = name, 1
        while choice.casefold() in used or (number > 1 and choice.casefold() in taken):
            number += 1
            choice = f"{name}-{number}"
        used.add(choice.casefold())
        names.append(choice)
    return names
