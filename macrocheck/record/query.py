"""Looking things up in the record: filters on any setting, quantity or column; rows come as they are read."""

import difflib
import operator
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Select, and_, exists, func, not_, or_, select

from macrocheck.errors import InputError
from macrocheck.quantities import BY_KEY as QUANTITIES
from macrocheck.record import schema
from macrocheck.record.documents import parsed, unpack
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import BY_NAME, kind_named, known_words, plain_name

_FILTER = re.compile(r"\s*(?P<name>[^=!<>~]+?)\s*(?P<op>!=|<=|>=|=|<|>|~)\s*(?P<value>.*?)\s*$", re.DOTALL)
_COMPARE = {"=": operator.eq, "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge}
_BATCH = 200
LENGTHS = frozenset({"t", "a", "z", "s"})
"""What a sheet may say for the limits: thickness, throat, leg and penetration throat, mm."""

coupon_now = schema.current.alias("coupon_now")
section_now = schema.current.alias("section_now")
_newest = schema.current.alias("newest")

_COLUMNS: dict[str, ColumnElement[Any]] = {
    "coupon": schema.coupon.c.coupon,
    "run": schema.coupon.c.run,
    "section": schema.section.c.section,
    "grade": schema.section.c.grade,
    "limits": schema.section.c.limits,
    "failure": schema.section.c.failure,
    "photo": schema.section.c.photo,
}
_OF_SECTIONS: dict[str, Column[Any]] = {
    "flag": schema.flag.c.code,
    "joint": schema.weld.c.joint,
    "mark": schema.mark.c.text,
}
"""What a section may have several of; a condition holds where it holds for one of them."""


@dataclass(frozen=True, slots=True)
class Filter:
    """One condition, as written: name, one of = != < <= > >= ~ (contains), and a value."""

    name: str
    op: str
    value: str


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of a list: a coupon's section as it stands now; `section` is None for a coupon without one."""

    coupon: str
    run: str | None
    section: str | None
    grade: str | None
    limits: str | None
    failure: str | None
    photo: str | None
    coupon_seq: int
    section_seq: int | None


def parse_filter(text: str) -> Filter:
    """Read `amps>=170`, `operator=Kim`, `note~spatter`, `leg_butting<4mm`; raises InputError."""
    match = _FILTER.match(text)
    if match is None or not match["value"]:
        msg = (
            f"{text!r} is not a condition; write NAME, one of = != < <= > >= ~ (contains), and a value: amps>=170."
        )
        raise InputError(msg)
    return Filter(match["name"].strip(), match["op"], match["value"])


def list_sections(conn: Connection, filters: Sequence[Filter] = ()) -> Iterator[Listed]:
    """Yield every coupon's sections as they stand now, coupons in the order they were first recorded."""
    query = _listing().where(*(_condition(conn, f) for f in filters))
    for row in conn.execution_options(yield_per=_BATCH).execute(query):
        yield Listed(*row)


def _listing() -> Select[Any]:
    s, c = schema.section, schema.coupon
    is_now = exists().where(_newest.c.seq == s.c.seq, _newest.c.kind == "section")
    return (
        select(
            c.c.coupon, c.c.run, s.c.section, s.c.grade, s.c.limits, s.c.failure, s.c.photo,
            c.c.seq.label("coupon_seq"), s.c.seq.label("section_seq"),
        )
        .select_from(coupon_now)
        .join(c, c.c.seq == coupon_now.c.seq)
        .outerjoin(s, and_(s.c.coupon == c.c.coupon, is_now))
        .outerjoin(section_now, section_now.c.seq == s.c.seq)
        .where(coupon_now.c.kind == "coupon")
        .order_by(coupon_now.c.first_seq, section_now.c.first_seq)
    )  # fmt: skip


def _condition(conn: Connection, wanted: Filter) -> ColumnElement[bool]:
    name = wanted.name.lower().replace(" ", "_")
    if name in _COLUMNS:
        return _on_text(_COLUMNS[name], wanted)
    m = schema.measurement
    if name in _OF_SECTIONS:
        column = _OF_SECTIONS[name]
        if wanted.op == "!=":  # none of them, and not some other one beside it
            return not_(_condition(conn, Filter(wanted.name, "=", wanted.value)))
        return exists().where(column.table.c.seq == schema.section.c.seq, _on_text(column, wanted))
    if name in QUANTITIES or name in {"fill_area_ratio", "implied_travel_speed"}:
        test = _on_number(m.c.value, wanted, _quantity_value(name, wanted))
        # As a list of its own, which the index (quantity, value, seq) answers alone, and not section by section;
        # the sum keeps SQLite from going through that list again for every coupon.
        return (schema.section.c.seq + 0).in_(select(m.c.seq).where(m.c.quantity == name, test))
    return _on_setting(conn, name, wanted)


def _on_setting(conn: Connection, name: str, wanted: Filter) -> ColumnElement[bool]:
    t = schema.setting
    known = setting_names(conn)
    name = kind_named(wanted.name).name if plain_name(wanted.name) in known_words() else name
    stored = next((k for k in known if k in {name, wanted.name}), None) or next(
        (k for k in known if k.lower() == wanted.name.lower()), None
    )
    if stored is None and name not in BY_NAME:
        near = difflib.get_close_matches(name, {*known, *BY_NAME, *QUANTITIES, *_COLUMNS, *_OF_SECTIONS}, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "record show lists what was noted."
        msg = f"Nothing on this record is called '{wanted.name}'; {hint}"
        raise InputError(msg)
    stored = stored or name
    number = _setting_value(stored, wanted)
    if number is not None:
        values = select(t.c.seq).where(t.c.name == stored, _on_number(t.c.value, wanted, number))
        return (schema.coupon.c.seq + 0).in_(values)  # as with the quantities
    return exists().where(t.c.seq == schema.coupon.c.seq, t.c.name == stored, _on_text(t.c.text, wanted))


def _on_text(column: ColumnElement[Any], wanted: Filter) -> ColumnElement[bool]:
    if wanted.op == "~":
        return func.lower(column).contains(wanted.value.lower(), autoescape=True)
    if wanted.op == "!=":
        return or_(column != wanted.value, column.is_(None))
    compared: ColumnElement[bool] = _COMPARE[wanted.op](column, wanted.value)
    return compared


def _on_number(column: ColumnElement[Any], wanted: Filter, value: float) -> ColumnElement[bool]:
    hair = 1e-9 * max(abs(value), 1e-9)  # 0.9 mm and .9 mm are the same, whatever the rounding
    match wanted.op:
        case "=":
            return column.between(value - hair, value + hair)
        case "!=":
            return or_(column < value - hair, column > value + hair)
        case "<":
            return column < value - hair
        case "<=":
            return column <= value + hair
        case ">":
            return column > value + hair
        case ">=":
            return column >= value - hair
        case _:
            msg = f"'{wanted.name}' is a number; compare it with = != < <= > or >=."
            raise InputError(msg)


def _setting_value(name: str, wanted: Filter) -> float | None:
    """Return the number that a condition on a setting means, or None where it is to be read as text."""
    kind = BY_NAME.get(name)
    plain = _float(wanted.value)
    if kind is None:
        if plain is None and name in LENGTHS and wanted.op != "~":
            from macrocheck.units import parse_length

            return parse_length(wanted.value, thickness=name == "t")
        return plain if wanted.op != "~" else None
    if kind.measure == "text" or wanted.op == "~":
        return None
    return plain if plain is not None else read_setting(kind, wanted.value).value


def _quantity_value(name: str, wanted: Filter) -> float:
    plain = _float(wanted.value)
    if plain is not None:
        return plain
    kind = QUANTITIES.get(name)
    if kind is not None and kind.unit == "mm":
        from macrocheck.units import parse_length

        return parse_length(wanted.value)
    if kind is not None and kind.unit == "1" and wanted.value.endswith("%"):
        percent = _float(wanted.value[:-1].strip())
        if percent is not None:
            return percent / 100
    msg = f"'{wanted.value}' is not a number for '{wanted.name}'."
    raise InputError(msg)


def _float(text: str) -> float | None:
    if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?", text, re.IGNORECASE):
        return None
    return float(text)


def setting_names(conn: Connection) -> tuple[str, ...]:
    """Return the name of every setting ever noted, in alphabetical order."""
    return _hop(conn, schema.setting.c.name)


def measured_names(conn: Connection) -> tuple[str, ...]:
    """Return every quantity ever measured, in alphabetical order."""
    return _hop(conn, schema.measurement.c.quantity)


def _hop(conn: Connection, column: ColumnElement[Any]) -> tuple[str, ...]:
    """Return the distinct values of an indexed column, a look-up each instead of reading every row."""
    names: list[str] = []
    found = conn.execute(select(func.min(column))).scalar()
    while found is not None:
        names.append(found)
        found = conn.execute(select(func.min(column)).where(column > found)).scalar()
    return tuple(sorted(names))


def document_of(conn: Connection, sha256: str) -> dict[str, Any]:
    """Return a JSON document by its digest; InputError where it is missing or damaged."""
    return _parse(document_bytes(conn, sha256), sha256)


def document_bytes(conn: Connection, sha256: str) -> bytes:
    """Return a document's bytes by its digest; InputError where it is missing or damaged."""
    t = schema.document
    packed = conn.execute(select(t.c.packed).where(t.c.sha256 == sha256)).scalar()
    if packed is None:
        msg = f"Document {sha256} is missing from the record; run: macrocheck record verify."
        raise InputError(msg)
    try:
        return unpack(packed)
    except ValueError as error:
        msg = f"Document {sha256} is damaged; run: macrocheck record verify."
        raise InputError(msg) from error


def _parse(content: bytes, sha256: str) -> dict[str, Any]:
    try:
        return parsed(content)
    except ValueError as error:
        msg = f"Document {sha256} is damaged; run: macrocheck record verify."
        raise InputError(msg) from error


def body_of(conn: Connection, seq: int) -> dict[str, Any]:
    """Return the body of a revision."""
    sha = conn.execute(select(schema.revision.c.body).where(schema.revision.c.seq == seq)).scalar()
    if sha is None:
        msg = f"Revision {seq} is missing from the record; run: macrocheck record verify."
        raise InputError(msg)
    return document_of(conn, sha)
