"""What the record holds at present: a coupon's settings and sections, and what a change of settings entails."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, and_, func, select

from macrocheck.record import schema
from macrocheck.record.documents import JSON_TYPE, canonical
from macrocheck.record.entries import Document, Entry, balances
from macrocheck.record.query import body_of, document_of
from macrocheck.record.settings import Setting
from macrocheck.record.store import subject_text


@dataclass(frozen=True, slots=True)
class CouponNow:
    """A coupon as it stands: its settings, its run, and its sections' (name, seq) as they were recorded."""

    coupon: str
    seq: int
    run: str | None
    settings: tuple[Setting, ...]
    derived: tuple[Setting, ...]
    sections: tuple[tuple[str, int], ...]


def coupon_now(conn: Connection, coupon: str) -> CouponNow | None:
    """Return a coupon as it stands, or None where it is not on the record."""
    c, s = schema.current, schema.section
    seq = conn.execute(select(c.c.seq).where(c.c.kind == "coupon", c.c.subject == subject_text([coupon]))).scalar()
    if seq is None:
        return None
    body = body_of(conn, seq)
    sections = conn.execute(
        select(s.c.section, s.c.seq)
        .join(c, and_(c.c.seq == s.c.seq, c.c.kind == "section"))
        .where(s.c.coupon == coupon)
        .order_by(c.c.first_seq)
    ).all()
    return CouponNow(
        coupon,
        int(seq),
        body["run"],
        tuple(Setting.from_json(row) for row in body["settings"]),
        tuple(Setting.from_json(row) for row in body["derived"]),
        tuple((str(row.section), int(row.seq)) for row in sections),
    )


def coupon_alike(conn: Connection, coupon: str) -> str | None:
    """Return a coupon whose id differs from this one in upper and lower case only; None where there is none."""
    t = schema.coupon
    found = conn.execute(
        select(t.c.coupon).where(func.lower(t.c.coupon) == coupon.lower(), t.c.coupon != coupon).limit(1)
    ).scalar()
    return None if found is None else str(found)


def section_of_photo(conn: Connection, coupon: str, sha256: str, *, other_than: str) -> str | None:
    """Return another section of this coupon that shows the same photograph as it stands; None where none does."""
    c, s = schema.current, schema.section
    found = conn.execute(
        select(s.c.section)
        .join(c, and_(c.c.seq == s.c.seq, c.c.kind == "section"))
        .where(s.c.photo == sha256, s.c.coupon == coupon, s.c.section != other_than)
        .limit(1)
    ).scalar()
    return None if found is None else str(found)


def coupon_of_photo(conn: Connection, sha256: str, *, other_than: str) -> str | None:
    """Return another coupon that has this photograph for one of its sections as it stands; None where none has."""
    c, s = schema.current, schema.section
    found = conn.execute(
        select(s.c.coupon)
        .join(c, and_(c.c.seq == s.c.seq, c.c.kind == "section"))
        .where(s.c.photo == sha256, s.c.coupon != other_than)
        .limit(1)
    ).scalar()
    return None if found is None else str(found)


def rebalanced(
    conn: Connection, now: CouponNow, settings: Sequence[Setting], reason: str | None, but: Sequence[str] = ()
) -> list[Entry]:
    """Return new revisions of a coupon's sections whose metal balance changes with its settings.

    What was measured stays as it is. `but`: sections that are written anew anyway.
    """
    entries = []
    for section, seq in now.sections:
        if section in but:
            continue
        body = body_of(conn, seq)
        if not body["result"]:
            continue
        result = document_of(conn, body["result"])
        found = balances(result, settings)
        if found != body["balance"]:
            documents = (Document(canonical(result), JSON_TYPE),)
            new: dict[str, Any] = {**body, "balance": found}
            entries.append(Entry("section", (now.coupon, section), new, documents, reason))
    return entries
