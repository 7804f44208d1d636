"""The record: opening it, putting revisions on it, and its chain of hashes."""

import getpass
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import Connection, Engine, insert, select, update

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.record import schema
from macrocheck.record.documents import canonical, digest, pack
from macrocheck.record.engine import is_url, open_engine, record_name, writing
from macrocheck.record.entries import Document, Entry
from macrocheck.record.photos import PhotoStore
from macrocheck.record.rows import rows_of


@dataclass(frozen=True, slots=True)
class Record:
    """An open record: its engine, its name for messages, and where its photographs are kept.

    `with open_record(...) as record:` lets go of the database at the end, whatever happens.
    """

    engine: Engine
    name: str
    photos: PhotoStore

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        """Use the record; it is closed at the end."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of the database."""
        self.close()


@dataclass(frozen=True, slots=True)
class Written:
    """A revision that now stands on the record; `new` is False where the same stood there already."""

    seq: int
    number: int
    hash: str
    new: bool


def open_record(
    where: str | os.PathLike[str], *, make: bool = False, photos: str | os.PathLike[str] | None = None
) -> Record:
    """Open a record at a file or SQLAlchemy address; `make` begins one where there is none.

    `photos`: folder of the photographs kept beside it (default: FILE.photos beside a file).
    Raises InputError and OutputError as `open_engine` does.
    """
    engine = open_engine(where, make=make)
    text = os.fspath(where)
    folder = Path(photos) if photos is not None else None if is_url(text) else Path(text + ".photos")
    name = record_name(where)
    return Record(engine, name, PhotoStore(engine, name, folder))


def append(
    record: Record, entries: Sequence[Entry], *, who: str | None = None, reason: str | None = None
) -> list[Written]:
    """Put entries on the record in one transaction, whole or not at all.

    An entry that says what the newest revision of its subject says already is left alone. A later revision needs a
    reason: the entry's own, or `reason` where it has none. Raises InputError where one is missing, OutputError
    where the database refuses.
    """
    by, at = who or user_name(), datetime.now(UTC).isoformat(timespec="microseconds")
    with writing(record.engine, record.name) as conn:
        seq, last = _take_turn(conn)
        written = []
        for entry in entries:
            one = _append_one(conn, entry, seq + 1, last, by=by, at=at, reason=entry.reason or reason)
            written.append(one)
            if one.new:
                seq, last = one.seq, one.hash
        conn.execute(update(schema.head).values(seq=seq, hash=last))
    return written


def user_name() -> str:
    """Return who is at the keyboard, as the system says."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


def revision_hash(row: dict[str, Any]) -> str:
    """Return the hash of a revision: SHA-256 of its columns (seq to previous) as canonical JSON."""
    chained = ("seq", "kind", "subject", "number", "reason", "at", "who", "version", "body", "previous")
    return digest(canonical([row[name] for name in chained]))


def subject_text(subject: Sequence[str]) -> str:
    """Return a subject as its column holds it; a list, so that no character in a name can confuse two."""
    return json.dumps(list(subject), ensure_ascii=False, separators=(",", ":"))


def _take_turn(conn: Connection) -> tuple[int, str]:
    """Wait for the other writers and return the last revision's seq and hash."""
    # Writing the row holds its lock until the transaction ends, in any database.
    conn.execute(update(schema.head).values(seq=schema.head.c.seq))
    row = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
    return int(row.seq), str(row.hash)


def _append_one(
    conn: Connection, entry: Entry, seq: int, previous: str, *, by: str, at: str, reason: str | None
) -> Written:
    body = Document(canonical(entry.body))
    subject = subject_text(entry.subject)
    where = (schema.current.c.kind == entry.kind, schema.current.c.subject == subject)
    before = conn.execute(
        select(schema.current.c.number, schema.revision.c.seq, schema.revision.c.body, schema.revision.c.hash)
        .join(schema.revision, schema.revision.c.seq == schema.current.c.seq)
        .where(*where)
    ).one_or_none()
    if before is not None and before.body == body.sha256:
        return Written(int(before.seq), int(before.number), str(before.hash), new=False)
    number = 1 if before is None else int(before.number) + 1
    if number > 1 and not (reason or "").strip():
        name = f"{entry.kind.capitalize()} {', '.join(entry.subject)}"
        msg = f"{name} is on the record already; a correction needs a reason (--reason TEXT)."
        raise InputError(msg)
    keep_documents(conn, (body, *entry.documents))
    row: dict[str, Any] = {
        "seq": seq,
        "kind": entry.kind,
        "subject": subject,
        "number": number,
        "reason": reason if number > 1 else entry.reason,
        "at": at,
        "who": by,
        "version": __version__,
        "body": body.sha256,
        "previous": previous,
    }
    row["hash"] = revision_hash(row)
    insert_revision(conn, row, entry.body, _result_of(entry))
    return Written(seq, number, row["hash"], new=True)


def insert_revision(
    conn: Connection, row: dict[str, Any], body: dict[str, Any], result: dict[str, Any] | None
) -> None:
    """Insert a revision whose documents are there, with its searchable rows, and make it its subject's newest."""
    conn.execute(insert(schema.revision).values(row))
    c = schema.current
    subject = {"kind": row["kind"], "subject": row["subject"]}
    if row["number"] == 1:
        conn.execute(insert(c).values(**subject, first_seq=row["seq"], seq=row["seq"], number=1))
    else:
        newest = update(c).where(c.c.kind == row["kind"], c.c.subject == row["subject"])
        conn.execute(newest.values(seq=row["seq"], number=row["number"]))
    for name, rows in rows_of(body, result).items():
        if rows:
            conn.execute(insert(schema.metadata.tables[name]), [{"seq": row["seq"], **r} for r in rows])


def _result_of(entry: Entry) -> dict[str, Any] | None:
    sha = entry.body.get("result")
    if sha is None:
        return None
    found: dict[str, Any] = json.loads(next(d.content for d in entry.documents if d.sha256 == sha))
    return found


def keep_documents(conn: Connection, documents: Sequence[Document]) -> None:
    """Insert documents that are not there yet."""
    for one in documents:
        there = conn.execute(
            select(schema.document.c.sha256).where(schema.document.c.sha256 == one.sha256)
        ).scalar()
        if there is None:
            conn.execute(
                insert(schema.document).values(
                    sha256=one.sha256, media_type=one.media_type, size=len(one.content), packed=pack(one.content)
                )
            )
