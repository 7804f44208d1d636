"""Opening a record: the database behind it, its settings and its schema version."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, inspect, select
from sqlalchemy.engine import URL, make_url

from macrocheck.errors import InputError, OutputError
from macrocheck.paths import shown
from macrocheck.record import schema
from macrocheck.record.faults import plain_faults
from macrocheck.record.ladder import LADDER

WAIT_S = 60
"""How long a writer waits for its turn. A turn is one coupon's rows, milliseconds."""


def is_url(where: str) -> bool:
    """Tell a database address from a file name."""
    return "://" in where


def record_name(where: str | os.PathLike[str]) -> str:
    """Return the record's name as it may be printed: an address without its password."""
    text = os.fspath(where)
    if not is_url(text):
        return shown(text)
    with plain_faults(shown(text.partition("://")[0]) + "://..."):
        return make_url(text).render_as_string(hide_password=True)


def open_engine(where: str | os.PathLike[str], *, make: bool = False) -> Engine:
    """Open the record at a file or SQLAlchemy address, bring its schema up to date, and return its engine.

    `make`: begin a new record where there is none. Raises InputError where there is none or it belongs to a newer
    macrocheck, OutputError where the database cannot be used.
    """
    text, name = os.fspath(where), record_name(where)
    if not text.strip():
        msg = "The record has no name; write its file or a database address."
        raise InputError(msg)
    if not is_url(text):
        _check_file(Path(text), name, make=make)
    url = _server_url(text, name) if is_url(text) else _file_url(Path(text))
    there = is_url(text) or Path(text).exists()
    try:
        with plain_faults(name):
            engine = create_engine(url, **_options(url))
            if url.get_backend_name() == "sqlite":
                _tune_sqlite(engine)
            _climb(engine, name, make=make)
    except OutputError:
        if not there:
            _remove_empty(Path(text))
        raise
    return engine


def _server_url(text: str, name: str) -> URL:
    """Return an address as SQLAlchemy takes it; a database in memory is no place for a record."""
    url = make_url(text)
    if url.get_backend_name() == "sqlite" and url.database in {None, "", ":memory:"}:
        msg = f"{name} is a database in memory, gone when the command ends; name a file, such as bench.db."
        raise InputError(msg)
    return url


def _file_url(path: Path) -> URL:
    """Return the address of a record's file; one that lies where nothing can be written is only read.

    Beside a file that is read by several programs SQLite writes another; without this, it would refuse to read.
    """
    wal = path.with_name(path.name + "-wal")
    beside = wal.exists() and wal.stat().st_size > 0
    if not path.is_file() or beside or os.access(path.resolve().parent, os.W_OK):
        return URL.create("sqlite", database=str(path))
    database = f"file:{quote(str(path.resolve()))}"
    return URL.create("sqlite", database=database, query={"immutable": "1", "uri": "true"})


def remove_begun(where: str | os.PathLike[str]) -> None:
    """Remove the file of a record that was begun a moment ago and holds nothing; the record must be closed."""
    path = Path(where)
    for place in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        with suppress(OSError):
            place.unlink(missing_ok=True)


def _remove_empty(path: Path) -> None:
    """Remove the file of a record that could not be begun."""
    with suppress(OSError):
        if path.stat().st_size == 0:
            path.unlink()


def _options(url: URL) -> dict[str, Any]:
    if url.get_backend_name() == "sqlite":
        return {"connect_args": {"timeout": WAIT_S}}
    return {"pool_pre_ping": True}


def _check_file(path: Path, name: str, *, make: bool) -> None:
    if path.is_dir():
        msg = f"{name} is a folder; name the record's file."
        raise InputError(msg)
    if not path.exists() and not make:
        msg = f"There is no record {name}; check the name, or begin one with: macrocheck attach or run measure."
        raise InputError(msg)
    if path.exists() and not path.is_file():
        msg = f"{name} is not an ordinary file; name the record's file."
        raise InputError(msg)
    if make and not path.parent.is_dir():
        msg = f"The record {name} cannot be made: its folder does not exist."
        raise InputError(msg)


def _tune_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions begin where we say so, below
        # FULL: a commit is on the disk when it returns, so that a power cut loses nothing that was said to be kept.
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        # its own knows no letters but A to Z
        connection.create_function("lower", 1, _lower, deterministic=True)

    @event.listens_for(engine, "begin")
    def _(connection: Connection) -> None:
        # IMMEDIATE: a writer waits for its turn at the start instead of failing in the middle.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _lower(text: object) -> object:
    return text.lower() if isinstance(text, str) else text


@contextmanager
def writing(engine: Engine, name: str) -> Iterator[Connection]:
    """One transaction that writes: whole or not at all."""
    with plain_faults(name), engine.connect().execution_options(writes=True) as conn, conn.begin():
        yield conn


@contextmanager
def reading(engine: Engine, name: str) -> Iterator[Connection]:
    """One transaction that reads one state of the record, whatever is written meanwhile."""
    with plain_faults(name), engine.connect() as conn:
        if engine.dialect.name != "sqlite":
            conn.execution_options(isolation_level="REPEATABLE READ")
        with conn.begin():
            yield conn


def _climb(engine: Engine, name: str, *, make: bool) -> None:
    version = _version(engine, name)
    if version == schema.SCHEMA_VERSION:
        return
    if version > schema.SCHEMA_VERSION:
        msg = (
            f"{name} was written by a newer macrocheck (schema {version}, this one knows {schema.SCHEMA_VERSION}); "
            "update macrocheck."
        )
        raise InputError(msg)
    if version == 0 and not make:
        msg = f"{name} holds no record; name another, or begin one with: macrocheck attach or run measure."
        raise InputError(msg)
    if engine.dialect.name == "sqlite":
        with engine.connect() as conn:
            # Readers go on while one writes; stays set in the file.
            conn.connection.driver_connection.execute("PRAGMA journal_mode=WAL")  # type: ignore[union-attr]
    with engine.connect().execution_options(writes=True) as conn, conn.begin():
        version = _stored_version(conn)  # another may have climbed meanwhile
        for step in range(version + 1, schema.SCHEMA_VERSION + 1):
            LADDER[step](conn)
            conn.execute(schema.info.update().where(schema.info.c.name == "schema_version").values(value=str(step)))


def _version(engine: Engine, name: str) -> int:
    with reading(engine, name) as conn:
        return _stored_version(conn)


def _stored_version(conn: Connection) -> int:
    tables = inspect(conn).get_table_names()
    if "info" not in tables or "revision" not in tables:
        if tables:
            msg = (
                "This database holds tables of another program; name a file or database of its own for the record."
            )
            raise InputError(msg)
        return 0
    value = conn.execute(select(schema.info.c.value).where(schema.info.c.name == "schema_version")).scalar()
    if value is None or not str(value).isdigit():
        msg = "The record does not say its schema version; it was changed by hand or is no record of macrocheck."
        raise InputError(msg)
    return int(value)
