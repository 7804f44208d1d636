"""Photographs of the record: kept inside the database, beside it as files, or known by digest only."""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine, insert, select

from macrocheck.errors import InputError, OutputError
from macrocheck.paths import os_reason, shown
from macrocheck.record import schema
from macrocheck.record.engine import reading, writing
from macrocheck.record.entries import KeptWhere, PhotoKept
from macrocheck.writing import write_whole


@dataclass(frozen=True, slots=True)
class PhotoStore:
    """Where photographs are kept: in the database, or in `folder` as SHA256.ENDING."""

    engine: Engine
    record: str
    folder: Path | None

    def keep(self, path: Path, how: KeptWhere, sha256: str | None = None) -> PhotoKept:
        """Keep a photograph as wished and return what the record says of it.

        The file is copied before the record mentions it, so a crash between leaves a spare file and never a gap.
        Raises InputError where it cannot be read or changed since its `sha256` was taken.
        """
        name = path.name
        if how == "no":
            return PhotoKept(sha256 or file_digest(path), name)
        try:
            content = path.read_bytes()
        except OSError as error:
            msg = f"{shown(path)} cannot be read: {os_reason(error)}."
            raise InputError(msg) from error
        found = hashlib.sha256(content).hexdigest()
        if sha256 not in {None, found}:
            msg = f"{shown(path)} changed while it was being measured; measure it again."
            raise InputError(msg)
        self.keep_bytes(found, name, content, how)
        return PhotoKept(found, name, how)

    def keep_bytes(self, sha256: str, name: str, content: bytes, how: KeptWhere) -> None:
        """Keep a photograph's bytes; one that is there already is left alone."""
        if how == "beside":
            self._keep_beside(sha256, name, content)
        elif how == "inside":
            with writing(self.engine, self.record) as conn:
                table = schema.photo_inside
                there = conn.execute(select(table.c.sha256).where(table.c.sha256 == sha256)).scalar()
                if there is None:
                    conn.execute(insert(table).values(sha256=sha256, size=len(content), content=content))

    def _keep_beside(self, sha256: str, name: str, content: bytes) -> None:
        folder = self.need_folder()
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            msg = f"The folder {shown(folder)} for the photographs cannot be made: {os_reason(error)}."
            raise OutputError(msg) from error
        target = folder / file_name(sha256, name)
        if not target.exists():
            write_whole(target, content)

    def need_folder(self) -> Path:
        """Return the folder of photographs kept beside; InputError where none was named."""
        if self.folder is None:
            msg = (
                "A record in a database server needs a folder for photographs kept beside it (--photos DIR); "
                "or keep them elsewhere, --keep-photos inside or no."
            )
            raise InputError(msg)
        return self.folder

    def place(self, photo: PhotoKept) -> Path | None:
        """Return where a photograph kept beside lies."""
        if photo.kept != "beside" or self.folder is None:
            return None
        return self.folder / file_name(photo.sha256, photo.name)

    def fault(self, photo: PhotoKept) -> str | None:
        """Return what is wrong with a kept photograph, as a clause; None where it is whole."""
        if photo.kept == "no":
            return None
        if photo.kept == "beside":
            place = self.place(photo)
            if place is None:
                return "cannot be looked for without its folder (--photos DIR)"
            try:
                found = file_digest(place)
            except InputError:
                if not place.parent.is_dir():
                    where = f"is missing: there is no folder {shown(place.parent)}"
                    return (
                        f"{where}; if the record was moved or renamed, name its photographs' folder with --photos"
                    )
                return f"is missing or cannot be read ({shown(place)})"
        else:
            content = self.content(photo)
            if content is None:
                return "is missing from the database"
            found = hashlib.sha256(content).hexdigest()
        return None if found == photo.sha256 else "was changed"

    def content(self, photo: PhotoKept) -> bytes | None:
        """Return a kept photograph's bytes, or None where they are not there."""
        if photo.kept == "inside":
            table = schema.photo_inside
            with reading(self.engine, self.record) as conn:
                found = conn.execute(select(table.c.content).where(table.c.sha256 == photo.sha256)).scalar()
            return None if found is None else bytes(found)
        place = self.place(photo)
        try:
            return None if place is None else place.read_bytes()
        except OSError:
            return None


def file_name(sha256: str, name: str) -> str:
    """Return the name of a kept file: its digest and the photograph's own ending."""
    ending = Path(name).suffix.lower()
    return sha256 + (ending if ending[1:].isalnum() and ending.isascii() and len(ending) <= 6 else "")


def file_digest(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file; InputError where it cannot be read."""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError as error:
        msg = f"{shown(path)} does not exist; check the name and the folder."
        raise InputError(msg) from error
    except OSError as error:
        msg = f"{shown(path)} cannot be read: {os_reason(error)}."
        raise InputError(msg) from error
