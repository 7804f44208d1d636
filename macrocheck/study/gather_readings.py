"""Reads every reading of every section off a record, corrected ones and those before, for a gauge study."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from macrocheck.record import schema
from macrocheck.record.query import Filter, body_of, document_of, list_sections
from macrocheck.study.gather import batches
from macrocheck.study.gauge import Reading

PROGRAM = "macrocheck"


def readings_of(
    conn: Connection,
    quantities: Sequence[str],
    filters: Sequence[Filter] = (),
    *,
    photos_after: str | None = None,
    people_only: bool = False,
) -> list[tuple[str, list[Reading]]]:
    """Return (quantity, readings) of the sections that fit, all their revisions.

    A revision that measured nothing anew (the same outline on the same photo with the same marks) is no reading.
    `photos_after`: sections whose names are alike up to this text are photos of one section.
    `people_only`: outlines as macrocheck found them are left out.
    """
    wanted = {(row.coupon, row.section) for row in list_sections(conn, filters) if row.section is not None}
    s, r = schema.section, schema.revision
    query = select(s.c.seq, s.c.coupon, s.c.section, r.c.who, r.c.version).join(r, r.c.seq == s.c.seq)
    rows = [row for row in conn.execute(query.order_by(s.c.seq)) if (row.coupon, row.section) in wanted]
    measured = _measured(conn, [row.seq for row in rows], quantities)
    seen: set[tuple[object, ...]] = set()
    found: dict[str, list[Reading]] = {q: [] for q in quantities}
    for row in rows:
        if row.seq not in measured:
            continue
        body = body_of(conn, row.seq)
        photo = (body["photo"] or {}).get("sha256") or ""
        values = tuple(sorted((k, v[0]) for k, v in measured[row.seq].items()))
        outline = body["outline"] or values
        key = (row.coupon, row.section, photo, outline, tuple(body["marks"]))
        if key in seen:
            continue
        seen.add(key)
        person = _person(conn, body, row.who, row.version)
        if people_only and person.startswith(PROGRAM + " "):
            continue
        section = row.section.partition(photos_after)[0] if photos_after else row.section
        for (quantity, weld), (value, u) in measured[row.seq].items():
            name = section if weld == 1 else f"{section}, weld {weld}"
            found[quantity].append(Reading(row.coupon, name, photo or row.section, person, value, u, row.seq))
    return list(found.items())


def _measured(
    conn: Connection, seqs: Sequence[int], quantities: Sequence[str]
) -> dict[int, dict[tuple[str, int], tuple[float, float | None]]]:
    m = schema.measurement
    made: dict[int, dict[tuple[str, int], tuple[float, float | None]]] = {}
    for part in batches(seqs):
        query = select(m).where(m.c.seq.in_(part), m.c.quantity.in_(quantities), m.c.value.is_not(None))
        for row in conn.execute(query):
            made.setdefault(row.seq, {})[row.quantity, row.weld] = (row.value, row.u)
    return made


def _person(conn: Connection, body: dict[str, Any], who: str, version: str) -> str:
    """Return who drew the outline: a person who corrected, drew or steered it, else the program."""
    if body["result"]:
        made_by = document_of(conn, body["result"])["outline"]["made_by"]
        if made_by != "found":
            return who
    return f"{PROGRAM} {version}"
