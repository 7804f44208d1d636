"""Checking a record from end to end: chain, documents, searchable rows, photographs. Linear in its size."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select, text

from macrocheck.record import schema
from macrocheck.record.documents import digest, parsed, unpack
from macrocheck.record.engine import reading
from macrocheck.record.entries import PhotoKept
from macrocheck.record.ladder import NO_HASH, begin_hash
from macrocheck.record.rows import KEYS, TABLES, Rows, rows_of
from macrocheck.record.store import Record, revision_hash

_BATCH = 200
_MOST_FAULTS = 1000


@dataclass(frozen=True, slots=True)
class Verification:
    """What `verify` found: how much it looked at, each fault as a sentence, and the last revision's hash."""

    revisions: int
    documents: int
    photos_checked: int
    photos_not_kept: int
    faults: tuple[str, ...]
    seq: int
    hash: str

    @property
    def clean(self) -> bool:
        """Tell whether nothing was changed, lost or moved."""
        return not self.faults


def verify(record: Record, *, expect: tuple[int, str] | None = None) -> Verification:
    """Check a whole record and name whatever was changed, is missing or was moved.

    `expect`: (seq, hash) of a revision noted earlier elsewhere. Without it nobody can tell a record whose end was
    cut off, or that was written anew from some revision on, by someone who works out every later hash again.
    """
    faults: list[str] = []
    with reading(record.engine, record.name) as conn:
        count, last = _check_chain(conn, faults, expect)
        documents = _check_documents(conn, faults)
        photos = _check_bodies(conn, faults)
        _check_current(conn, faults)
        _check_guards(conn, faults)
        head = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one_or_none()
    if head is None:
        faults.append("The row of the last revision (table head) is missing.")
    elif (head.seq, head.hash) != last and (head.seq, last[0], head.hash) != (0, 0, NO_HASH):
        if head.seq == last[0] == 0:
            faults.append("What table info says of how the record began was changed.")
        elif head.seq > last[0]:
            faults.append(f"The last revisions are missing: {last[0] + 1} to {head.seq}.")
        else:
            faults.append(f"Table head says revision {head.seq}, but the last one is {last[0]}.")
    checked, unkept = _check_photos(record, photos, faults)
    return Verification(count, documents, checked, unkept, tuple(faults[:_MOST_FAULTS]), *last)


def named(row: Any) -> str:
    """Return a revision as it is named in a sentence."""
    try:
        subject = ", ".join(json.loads(row.subject))
    except ValueError:
        subject = str(row.subject)
    return f"Revision {row.seq} ({row.kind} {subject})"


def _check_chain(
    conn: Connection, faults: list[str], expect: tuple[int, str] | None
) -> tuple[int, tuple[int, str]]:
    info = {row.name: row.value for row in conn.execute(select(schema.info))}
    last_seq, last_hash, count = 0, begin_hash(info), 0
    numbers: dict[tuple[str, str], int] = {}
    seen = False
    for row in conn.execution_options(yield_per=_BATCH).execute(
        select(schema.revision).order_by(schema.revision.c.seq)
    ):
        count += 1
        if row.seq != last_seq + 1:
            missing = f"Revision {last_seq + 1} is" if row.seq == last_seq + 2 else (
                f"Revisions {last_seq + 1} to {row.seq - 1} are"
            )  # fmt: skip
            faults.append(f"{missing} missing.")
        elif row.seq == 1 and row.previous not in {last_hash, NO_HASH}:
            faults.append("What table info says of how the record began was changed, or another begins it.")
        elif row.seq != 1 and row.previous != last_hash:
            faults.append(f"{named(row)} does not follow the one before it: one of them was moved or changed.")
        if revision_hash(dict(row._mapping)) != row.hash:
            faults.append(f"{named(row)} was changed or moved: its hash does not fit it.")
        key = (row.kind, row.subject)
        if row.number != numbers.get(key, 0) + 1:
            faults.append(f"{named(row)} is number {row.number} of its subject, not {numbers.get(key, 0) + 1}.")
        numbers[key] = row.number
        if expect is not None and row.seq == expect[0]:
            seen = True
            if row.hash != expect[1]:
                faults.append(f"{named(row)} has another hash than the one noted earlier: it was written anew.")
        last_seq, last_hash = row.seq, row.hash
    if expect is not None and not seen:
        faults.append(f"Revision {expect[0]}, noted earlier, is missing.")
    return count, (last_seq, last_hash)


def _check_documents(conn: Connection, faults: list[str]) -> int:
    count = 0
    for row in conn.execution_options(yield_per=_BATCH).execute(select(schema.document)):
        count += 1
        try:
            content = unpack(row.packed)
        except ValueError:
            faults.append(f"Document {row.sha256} is damaged.")
            continue
        if digest(content) != row.sha256 or len(content) != row.size:
            faults.append(f"Document {row.sha256} was changed.")
    return count


def _check_bodies(conn: Connection, faults: list[str]) -> dict[PhotoKept, str]:
    """Compare the searchable rows with the documents; return the photographs and who speaks of them first."""
    photos: dict[PhotoKept, str] = {}
    low = 0
    for batch in _batches(conn):
        high = batch[-1].seq
        contents = _documents(conn, [r.body for r in batch])
        bodies = {r.seq: contents.get(r.body) for r in batch}
        wanted = {str(b[key]) for b in bodies.values() if b for key in ("result",) if b.get(key)}
        contents |= _documents(conn, sorted(wanted))
        stored = _stored_rows(conn, low, high)
        for row in batch:
            body = bodies[row.seq]
            if body is None:
                faults.append(f"{named(row)}: its body, document {row.body}, is missing or damaged.")
                stored.pop(row.seq, None)
                continue
            _check_named(conn, row, body, faults)
            _compare(row, body, contents, stored.pop(row.seq, None), faults)
            if body.get("photo"):
                photos.setdefault(PhotoKept(**body["photo"]), named(row))
        faults += [f"There are rows for revision {seq}, which is not there." for seq in sorted(stored)]
        low = high
    beyond = _stored_rows(conn, low, None)
    faults += [f"There are rows for revision {seq}, which is not there." for seq in sorted(beyond)]
    return photos


def _batches(conn: Connection) -> Iterator[list[Any]]:
    low = 0
    while True:
        rows = conn.execute(
            select(schema.revision).where(schema.revision.c.seq > low).order_by(schema.revision.c.seq).limit(_BATCH)
        ).all()
        if not rows:
            return
        yield list(rows)
        low = rows[-1].seq


def _documents(conn: Connection, names: list[str]) -> dict[str, dict[str, Any]]:
    table = schema.document
    found = {}
    for row in conn.execute(select(table.c.sha256, table.c.packed).where(table.c.sha256.in_(names))):
        try:
            found[row.sha256] = parsed(unpack(row.packed))
        except ValueError:
            continue  # said in the check of the documents
    return found


def _check_named(conn: Connection, row: Any, body: dict[str, Any], faults: list[str]) -> None:
    """Look for every document that the body names."""
    names = {key: body[key] for key in ("sheet", "limits", "outline", "result") if body.get(key)}
    table = schema.document
    there = set(conn.execute(select(table.c.sha256).where(table.c.sha256.in_(names.values()))).scalars())
    faults += [
        f"{named(row)}: its {key} (document {sha}) is missing." for key, sha in names.items() if sha not in there
    ]


def _stored_rows(conn: Connection, low: int, high: int | None) -> dict[int, Rows]:
    stored: dict[int, Rows] = {}
    for name in TABLES:
        table = schema.metadata.tables[name]
        query = select(table).where(table.c.seq > low)
        if high is not None:
            query = query.where(table.c.seq <= high)
        for found in conn.execute(query).mappings():
            row = dict(found)
            rows = stored.setdefault(row.pop("seq"), {n: [] for n in TABLES})
            rows[name].append(row)
    return stored


def _compare(
    row: Any,
    body: dict[str, Any],
    contents: dict[str, dict[str, Any]],
    stored: Rows | None,
    faults: list[str],
) -> None:
    result = contents.get(body["result"]) if body.get("result") else None
    if body.get("result") and result is None:
        return  # said already
    try:
        expected = rows_of(body, result)
    except (KeyError, TypeError, IndexError):
        faults.append(f"{named(row)}: its documents are not such as this macrocheck reads.")
        return
    found = stored or {n: [] for n in TABLES}
    for name, key in KEYS.items():
        want = {tuple(r[k] for k in key): r for r in expected[name]}
        have = {tuple(r[k] for k in key): r for r in found[name]}
        faults += [f"{named(row)}: a row of {name}{_key(k)} is missing." for k in want.keys() - have.keys()]
        faults += [f"{named(row)}: a row of {name}{_key(k)} was added." for k in have.keys() - want.keys()]
        faults += [
            f"{named(row)}: {column} of {name}{_key(k)} is {have[k][column]!r}, but {wanted!r} was written."
            for k in want.keys() & have.keys()
            for column, wanted in want[k].items()
            if wanted != have[k][column]
        ]


def _key(key: tuple[Any, ...]) -> str:
    return f" ({', '.join(map(str, key))})" if key else ""


def _check_current(conn: Connection, faults: list[str]) -> None:
    r, c = schema.revision, schema.current
    newest = (
        select(r.c.kind, r.c.subject, func.min(r.c.seq).label("first_seq"), func.max(r.c.seq).label("seq"))
        .group_by(r.c.kind, r.c.subject)
        .subquery()
    )
    joined = newest.outerjoin(c, (c.c.kind == newest.c.kind) & (c.c.subject == newest.c.subject))
    wrong = conn.execute(
        select(newest.c.kind, newest.c.subject, newest.c.seq)
        .select_from(joined)
        .where(c.c.seq.is_(None) | (c.c.seq != newest.c.seq) | (c.c.first_seq != newest.c.first_seq))
    ).all()
    faults += [f"{named(row)} is not held to be the newest of its subject, though it is." for row in wrong]
    spare = conn.execute(
        select(c.c.kind, c.c.subject, c.c.seq)
        .outerjoin(r, (r.c.kind == c.c.kind) & (r.c.subject == c.c.subject))
        .where(r.c.seq.is_(None))
    ).all()
    faults += [f"{named(row)} is named as newest of its subject, but there is none." for row in spare]


def _check_guards(conn: Connection, faults: list[str]) -> None:
    """See that the triggers which refuse changes are still there."""
    wanted, query = schema.guards(conn.dialect.name)
    there = set(conn.execute(text(query)).scalars()) if query else set()
    faults += [
        f"The guard of table {table} is gone (trigger {name}): somebody made room for changes."
        for name, table in wanted.items()
        if name not in there
    ]


def _check_photos(record: Record, photos: dict[PhotoKept, str], faults: list[str]) -> tuple[int, int]:
    checked = unkept = 0
    done: dict[tuple[str, str], str | None] = {}
    for photo, who in photos.items():
        if photo.kept == "no":
            unkept += 1
            continue
        key = (photo.sha256, photo.kept)
        if key not in done:
            done[key] = record.photos.fault(photo)
            checked += 1
        if done[key] is not None:
            faults.append(f"{who}: the photograph {photo.name} {done[key]}.")
    return checked, unkept
