"""What a database says, as one sentence for a person."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from macrocheck.errors import InputError, MacrocheckError, OutputError

_SQLITE: tuple[tuple[str, str], ...] = (
    ("SQLITE_BUSY", "is in use by another program that does not let go; try again when it is done"),
    ("SQLITE_LOCKED", "is in use by another program that does not let go; try again when it is done"),
    ("SQLITE_READONLY", "is read-only; nothing was changed; allow writing or name another record"),
    ("SQLITE_PERM", "cannot be opened: you have no permission"),
    ("SQLITE_FULL", "cannot grow: the disk is full; nothing half-written is left; make room and run it again"),
    ("SQLITE_NOTADB", "is not a record (it is no database file); name the record's file"),
    ("SQLITE_CORRUPT", "is damaged; work on a copy of it and restore the last good copy"),
    ("SQLITE_CANTOPEN", "cannot be opened; check the name, the folder and your permission"),
    ("SQLITE_IOERR", "cannot be read or written: the disk reports a fault"),
)
"""Beginning of the database's error name (sqlite.org/rescode.html) -> clause."""

_POSTGRES = frozenset({"psycopg", "psycopg2"})


@contextmanager
def plain_faults(name: str) -> Iterator[None]:
    """Turn what the database library raises inside into OutputError or InputError, naming the record `name`."""
    try:
        yield
    except MacrocheckError:
        raise
    except NoSuchModuleError as error:
        msg = f"{name} names a kind of database that is not known here; write sqlite:///FILE or postgresql+psycopg://."
        raise InputError(msg) from error
    except ArgumentError as error:
        msg = f"{name} is not a database address; write a file name, or an address such as postgresql+psycopg://HOST/NAME."
        raise InputError(msg) from error
    except ModuleNotFoundError as error:
        how = 'pip install "macrocheck[postgres]"' if error.name in _POSTGRES else f"pip install {error.name}"
        msg = f"The database of {name} needs the Python package {error.name}, which is not installed; {how}."
        raise InputError(msg) from error
    except DBAPIError as error:
        msg = f"{name} {_why(error)}."
        raise OutputError(msg) from error
    except sqlite3.Error as error:
        msg = f"{name} {_sqlite_why(error)}."
        raise OutputError(msg) from error
    except SQLAlchemyError as error:
        what = " ".join(str(error).split())[:200]
        msg = f"{name} cannot be used: {what}."
        raise OutputError(msg) from error


def _why(error: DBAPIError) -> str:
    if isinstance(error.orig, sqlite3.Error):
        return _sqlite_why(error.orig)
    what = " ".join(str(error.orig).split())[:200].rstrip(".")
    if "append only" in what:
        return "is append only; a correction is a new revision"
    return f"cannot be used; the database says: {what}"


def _sqlite_why(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "") or ""
    if "append only" in str(error):
        return "is append only; a correction is a new revision"
    for beginning, clause in _SQLITE:
        if name.startswith(beginning):
            return clause
    return f"cannot be used; the database says: {' '.join(str(error).split())[:200]}"
