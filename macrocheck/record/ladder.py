"""Schema versions and the steps between them."""

import uuid
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from macrocheck import __version__
from macrocheck.record import schema
from macrocheck.record.documents import canonical, digest, parsed, unpack
from macrocheck.record.rows import rows_of

NO_HASH = "0" * 64
"""What the first revision carries as the hash of the one before in a record that was begun with schema 1."""

BEGINNING = ("record", "made_at", "made_by")
"""What table `info` says of how the record began, and the chain of hashes begins with."""

_BATCH = 200


def _begin(conn: Connection) -> None:
    schema.metadata.create_all(conn, checkfirst=True)
    now = datetime.now(UTC).isoformat(timespec="microseconds")
    info = {"schema_version": "0", "record": str(uuid.uuid4()), "made_at": now, "made_by": __version__}
    conn.execute(insert(schema.info), [{"name": name, "value": value} for name, value in info.items()])
    conn.execute(schema.head.insert().values(one=1, seq=0, hash=begin_hash(info)))


def begin_hash(info: Mapping[str, str | None]) -> str:
    """Return what the first revision carries as the hash of the one before: that of how the record began."""
    return digest(canonical([info.get(name) for name in BEGINNING]))


def _joints_and_marks(conn: Connection) -> None:
    """Tables `weld` and `mark`, to search by joint and mark, and an index on which settings have a u."""
    schema.metadata.create_all(conn, checkfirst=True)
    for index in schema.setting.indexes:
        index.create(conn, checkfirst=True)
    _fill(conn, ("weld", "mark"))


def _fill(conn: Connection, tables: tuple[str, ...]) -> None:
    """Work rows of new tables out from the documents of every section."""
    r, low = schema.revision, 0
    while True:
        batch = conn.execute(
            select(r.c.seq, r.c.body).where(r.c.seq > low, r.c.kind == "section").order_by(r.c.seq).limit(_BATCH)
        ).all()
        if not batch:
            return
        for revision in batch:
            body = _document(conn, revision.body)
            if body is None:
                continue  # verify says what is missing
            made = rows_of(body, _document(conn, body["result"]) if body["result"] else None)
            for name in tables:
                if made[name]:
                    rows = [{"seq": revision.seq, **row} for row in made[name]]
                    conn.execute(insert(schema.metadata.tables[name]), rows)
        low = batch[-1].seq


def _document(conn: Connection, sha256: str) -> dict[str, Any] | None:
    t = schema.document
    packed = conn.execute(select(t.c.packed).where(t.c.sha256 == sha256)).scalar()
    try:
        return None if packed is None else parsed(unpack(packed))
    except ValueError:
        return None


LADDER: dict[int, Callable[[Connection], None]] = {1: _begin, 2: _joints_and_marks}
"""Schema version -> the step that leads to it from the version before. Steps only ever add.

A ladder of our own and no migration library: the tables are append only, so a step adds a table, a column or rows
worked out from the documents; that needs a number and an order, which a few lines hold without a further
dependency, its start-up time, and scripts on disk beside the package.
"""
