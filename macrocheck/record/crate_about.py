"""What each document of an exported folder is, in words: whose result, outline, limits, sheet; by whom and when."""

import json
from dataclasses import dataclass

from sqlalchemy import Connection, select

from macrocheck.record import schema
from macrocheck.record.query import document_of


@dataclass(frozen=True, slots=True)
class About:
    """A document: what it is, who put it on the record and when (ISO 8601), and its photograph's digest."""

    name: str
    description: str
    who: str
    at: str
    photo: str | None = None


_PARTS = {
    "result": "Result of {subject}",
    "outline": "Outline measured of {subject}",
    "limits": "Limits as they stood for {subject}",
    "sheet": "Sheet of {subject} as it stood",
}


def about_documents(conn: Connection) -> dict[str, About]:
    """Return digest -> what the document is, as the first revision that names it says."""
    found: dict[str, About] = {}
    r = schema.revision
    for row in conn.execute(select(r).order_by(r.c.seq)).all():
        body = document_of(conn, row.body)
        subject = _subject(row.kind, json.loads(row.subject))
        photo = (body.get("photo") or {}).get("sha256")
        reason = f": {row.reason}" if row.reason else ""
        revision = f"Revision {row.seq} of the record, number {row.number} of {subject}{reason}"
        found.setdefault(row.body, About(f"What is noted of {subject}", revision, row.who, row.at, photo))
        for key, name in _PARTS.items():
            if body.get(key):
                text = name.format(subject=subject)
                found.setdefault(body[key], About(text, revision, row.who, row.at, photo))
    return found


def _subject(kind: str, names: list[str]) -> str:
    if kind == "section":
        return f"coupon {names[0]}, section {names[1]}"
    return f"{kind} {names[0]}"
