"""A test record as lines of text."""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from macrocheck.cli.outcome import counted
from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.quantities import BY_KEY, QUANTITIES
from macrocheck.record import schema
from macrocheck.record.facts import verdicts_of
from macrocheck.record.present import coupon_now
from macrocheck.record.query import Filter, body_of, document_of, list_sections, measured_names, setting_names
from macrocheck.record.store import subject_text
from macrocheck.record.wide import decided_by
from macrocheck.results import CAUTIONS

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from macrocheck.record.settings import Setting


def caution_line() -> str:
    """Return the caution that goes with every result."""
    return f"Caution: {CAUTIONS[0]}"


def record_lines(conn: "Connection", name: str) -> list[str]:
    """Return what a record holds as a whole."""
    from sqlalchemy import func, select

    info = {row.name: row.value for row in conn.execute(select(schema.info))}
    head = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
    c = schema.current
    rows = conn.execute(select(c.c.kind, func.count().label("total")).group_by(c.c.kind))
    counts = {row.kind: row.total for row in rows}
    lines = [
        f"{name}: record {info.get('record')}, begun {info.get('made_at')} with macrocheck {info.get('made_by')}",
        f"Schema version {info.get('schema_version')}; last revision {head.seq}, hash {head.hash}",
        ", ".join(
            f"{n} {k}{'' if n == 1 else 's'}" for k in ("run", "coupon", "section") for n in [counts.get(k, 0)]
        ),
        f"Settings noted: {', '.join(setting_names(conn)) or 'none'}",
        f"Quantities measured: {', '.join(measured_names(conn)) or 'none'}",
    ]
    return [*lines, caution_line()]


def coupon_lines(conn: "Connection", name: str, coupon: str) -> list[str]:
    """Return all that holds now about one coupon; InputError where it is not on the record."""
    now = coupon_now(conn, coupon)
    if now is None:
        msg = f"There is no coupon {coupon} on {name}; macrocheck record list shows those that are."
        raise InputError(msg)
    lines = [f"Coupon {now.coupon}" + (f", run {now.run}" if now.run else "")]
    for title, settings in (("Settings", now.settings), ("Worked out from them", now.derived)):
        if settings:
            width = max(len(s.name) for s in settings)
            lines += ["", title, *(f"{s.name:<{width}}  {setting_words(s)}" for s in settings)]
    for section, seq in now.sections:
        lines += ["", *_section_lines(conn, section, body_of(conn, seq))]
    return [*lines, "", caution_line()]


def setting_words(s: "Setting") -> str:
    """Return a setting's value, its uncertainty, and what was written or how it came about."""
    if s.value is None:
        return shown(s.text)
    number = f"{s.value:.5g}" + (f" ± {s.u:.2g} (u)" if s.u is not None else "")
    unit = f" {s.unit}" if s.unit not in {"", "1"} else ""
    how = {"written": "written", "assumed": "assumed", "derived": "="}[s.origin]
    return f"{number}{unit}  ({how} {shown(s.text)})"


def _section_lines(conn: "Connection", section: str, body: Mapping[str, Any]) -> list[str]:
    photo = body["photo"] or {}
    lines = [f"Section {section}: {shown(photo.get('name', 'no photograph'))}"]
    if photo:
        kept = {"no": "known by its digest only", "beside": "kept beside the record", "inside": "kept inside"}
        lines.append(f"Photograph {photo['sha256']}, {kept[photo['kept']]}")
    if body["failure"]:
        lines.append(f"Not measured: {body['failure']}")
    if not body["result"]:
        return lines
    result = document_of(conn, body["result"])
    lines.append(f"Outline {result['outline']['made_by']}; measured with macrocheck {result['version']}")
    for i, weld in enumerate(result["welds"]):
        lines += ["", f"Weld {i + 1}, {weld['joint']}", *_quantity_lines(weld["quantities"])]
        balance = body["balance"][i] if i < len(body["balance"]) else []
        lines += _balance_lines(balance)
        lines += [f"Flag {f['code']}: {f['text']}" for f in weld["flags"]]
        lines += [
            f"{v['word']:<9}  {v['limit']}, {v['quantity']} [{v['mark']}]: {v['text']}" for v in weld["verdicts"]
        ]
    if result["limits"]["name"] is not None:
        lines.append(f"Grade: {result['grade']} (limits {result['limits']['name']})")
    return lines


def _quantity_lines(quantities: Mapping[str, Mapping[str, Any]]) -> list[str]:
    from macrocheck.report.numbers import written
    from macrocheck.results import Quantity

    lines = []
    width = max(map(len, quantities), default=0)
    known = [k.key for k in QUANTITIES if k.key in quantities]
    for key in (*known, *(k for k in quantities if k not in BY_KEY)):
        q = quantities[key]
        value = q["value"]
        if isinstance(value, list):
            value = tuple(tuple(v) if isinstance(v, list) else v for v in value)
        text = written(Quantity(value, q["u"], q["U95"], q["unit"], q["reason"])).full if value is not None else "-"
        lines.append(f"{key:<{width}}  {text}" + (f"  ({q['reason']})" if q["reason"] else ""))
    return lines


def _balance_lines(balance: Sequence[Mapping[str, Any]]) -> list[str]:
    from macrocheck.record.settings import Setting

    return [f"{row['name']}  {setting_words(Setting.from_json(dict(row)))}" for row in balance]


def history_lines(conn: "Connection", coupon: str | None) -> list[str]:
    """Return every revision, oldest first: number, when, who, what, and the reason."""
    from sqlalchemy import or_, select

    r = schema.revision
    query = select(r).order_by(r.c.seq)
    if coupon is not None:
        beginning = subject_text([coupon])[:-1] + ","
        query = query.where(
            or_(
                (r.c.kind == "coupon") & (r.c.subject == subject_text([coupon])),
                (r.c.kind == "section") & r.c.subject.startswith(beginning, autoescape=True),
            )
        )
    lines = ["", "Revisions"]
    for row in conn.execute(query):
        subject = ", ".join(json.loads(row.subject))
        reason = f": {row.reason}" if row.reason else ""
        lines.append(
            f"{row.seq}  {row.at}  {shown(row.who)}  {row.kind} {shown(subject)}, number {row.number}"
            f"{shown(reason)}  {row.hash[:16]}"
        )
    return lines


def list_lines(conn: "Connection", filters: Sequence[Filter]) -> Iterator[str]:
    """Yield one line a section: coupon, section, grade, the limits that decided, or why it was not measured."""
    count = bare = 0
    for row in list_sections(conn, filters):
        count += row.section is not None
        bare += row.section is None
        verdicts = () if row.section_seq is None else verdicts_of(conn, row.section_seq)
        remark = row.failure or decided_by(verdicts, row.grade)
        grade = row.grade or ("not measured" if row.failure or row.section is None else "no limits")
        yield "  ".join(
            shown(t) for t in (f"{row.coupon:<12}", f"{row.section or '-':<24}", f"{grade:<12}", remark)
        ).rstrip()
    without = f", {counted(bare, 'coupon')} without one" if bare else ""
    yield f"{counted(count, 'section')}{without}"
