"""Reads what a report needs off a record."""

import difflib
from collections.abc import Collection, Iterator, Sequence
from pathlib import PurePath
from typing import Any

from sqlalchemy import Connection, select

from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.record import schema
from macrocheck.record.entries import PhotoKept
from macrocheck.record.present import CouponNow, coupon_now
from macrocheck.record.query import Filter, body_of, document_of, list_sections
from macrocheck.record.store import subject_text
from macrocheck.report.pages.facts import CouponFacts, RecordFacts, Revision, SectionFacts


def record_facts(conn: Connection, name: str) -> RecordFacts:
    """Return what the record says of itself."""
    info = {row.name: row.value for row in conn.execute(select(schema.info))}
    head = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
    return RecordFacts(
        name if "://" in name else PurePath(name).name,
        str(info.get("record", "")),
        str(info.get("made_at", "")),
        str(info.get("made_by", "")),
        int(head.seq),
        str(head.hash),
    )


def chosen_sections(
    conn: Connection, name: str, coupons: Sequence[str] = (), filters: Sequence[Filter] = ()
) -> dict[str, list[str]]:
    """Return coupon -> its sections that fit, in the order they were recorded; a coupon without one has none.

    `coupons`: only these, () for all. Raises InputError for one that is not on the record, and where none fits.
    """
    found: dict[str, list[str]] = {}
    for listed in list_sections(conn, filters):
        sections = found.setdefault(listed.coupon, [])
        if listed.section is not None:
            sections.append(listed.section)
    known = found if not filters else {listed.coupon: [] for listed in list_sections(conn)}
    for coupon in coupons:
        if coupon not in known:
            near = difflib.get_close_matches(coupon, known, n=3)
            hint = f"did you mean {' or '.join(near)}?" if near else "macrocheck record list shows those that are."
            msg = f"There is no coupon {shown(coupon)} on {name}; {hint}"
            raise InputError(msg)
    chosen = {c: s for c, s in found.items() if not coupons or c in set(coupons)}
    if not chosen:
        what = "fits these conditions" if filters or coupons else "is on it"
        msg = f"Nothing to report: no coupon of {name} {what}."
        raise InputError(msg)
    return chosen


def coupon_facts(conn: Connection, coupon: str, sections: Collection[str] | None = None) -> CouponFacts:
    """Return all that stands about a coupon and those of its sections that are named (None: all)."""
    now = coupon_now(conn, coupon)
    if now is None:
        msg = f"There is no coupon {shown(coupon)} on this record; macrocheck record list shows those that are."
        raise InputError(msg)
    return CouponFacts(
        now.coupon,
        now.run,
        now.settings,
        now.derived,
        tuple(_sections(conn, now, sections)),
        _revisions(conn, "coupon", [now.coupon]),
    )


def _sections(conn: Connection, now: CouponNow, wanted: Collection[str] | None) -> Iterator[SectionFacts]:
    for section, seq in now.sections:
        if wanted is not None and section not in wanted:
            continue
        body = body_of(conn, seq)
        document = document_of(conn, body["result"]) if body["result"] else None
        photo = body["photo"]
        yield SectionFacts(
            now.coupon,
            section,
            body,
            document,
            _rebuilt(conn, body, document),
            None if photo is None else PhotoKept(photo["sha256"], photo["name"], photo["kept"]),
            _revisions(conn, "section", [now.coupon, section]),
        )


def _rebuilt(conn: Connection, body: dict[str, Any], document: dict[str, Any] | None) -> Any:
    if document is None or not body["outline"]:
        return None
    from macrocheck.record.rebuild import rebuilt

    return rebuilt(document, document_of(conn, body["outline"]), body["scale"])


def _revisions(conn: Connection, kind: str, subject: Sequence[str]) -> tuple[Revision, ...]:
    r = schema.revision
    rows = conn.execute(
        select(r.c.seq, r.c.number, r.c.at, r.c.who, r.c.reason, r.c.version, r.c.hash)
        .where(r.c.kind == kind, r.c.subject == subject_text(subject))
        .order_by(r.c.number)
    )
    return tuple(Revision(*row) for row in rows)


def run_options(conn: Connection, runs: Collection[str]) -> dict[str, dict[str, Any]]:
    """Return what each run's newest revision says, by its name."""
    found = {}
    c = schema.current
    for run in runs:
        row = conn.execute(select(c.c.seq).where(c.c.kind == "run", c.c.subject == subject_text([run]))).scalar()
        if row is not None:
            found[run] = body_of(conn, int(row))
    return found
