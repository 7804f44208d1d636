"""The record as one table: a row a weld, a column a setting or quantity, numbers as numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

from sqlalchemy import Connection, select

from macrocheck.quantities import BY_KEY, QUANTITIES
from macrocheck.record import schema
from macrocheck.record.query import Filter, Listed, list_sections, measured_names, setting_names
from macrocheck.record.settings import KINDS
from macrocheck.results import CAUTIONS

Cell = str | float | int | None
_BATCH = 200
_HEAD = (
    "coupon",
    "section",
    "weld",
    "run",
    "grade",
    "limits",
    "decided by",
    "flags",
    "failure",
    "photo sha256",
    "assumed",
)
_FOOT = ("revision", "at (UTC)", "who", "macrocheck", "caution")


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    unit: str
    has_u: bool


@dataclass(frozen=True, slots=True)
class WideTable:
    """Headings with their units, and the rows as they are read."""

    headings: tuple[str, ...]
    rows: Iterator[list[Cell]]


def wide_table(conn: Connection, filters: Sequence[Filter] = ()) -> WideTable:
    """Return one row a weld of every section that fits; a section or coupon without a weld has one row too."""
    settings = [_setting_column(conn, name) for name in _ordered(setting_names(conn), [k.name for k in KINDS])]
    measured = [
        _measured_column(conn, name)
        for name in _ordered(measured_names(conn), [q.key for q in QUANTITIES])
        if name not in BY_KEY or not BY_KEY[name].is_list
    ]
    headings = [*_HEAD]
    for c in settings:
        headings.append(_heading(c.name, c.unit))
        if c.has_u:
            headings.append(_heading(f"u of {c.name}", c.unit))
    for c in measured:
        headings += [_heading(c.name, c.unit), _heading(f"U95 of {c.name}", c.unit)]
    return WideTable((*headings, *_FOOT), _rows(conn, filters, settings, measured))


def _ordered(names: Sequence[str], known: Sequence[str]) -> list[str]:
    """Put known names first and in their usual order."""
    return [n for n in known if n in names] + [n for n in names if n not in known]


def _setting_column(conn: Connection, name: str) -> _Column:
    t = schema.setting
    unit = conn.execute(select(t.c.unit).where(t.c.name == name, t.c.value.is_not(None)).limit(1)).scalar()
    u = conn.execute(select(t.c.seq).where(t.c.name == name, t.c.u.is_not(None)).limit(1)).scalar()
    return _Column(name, unit or "", u is not None)


def _measured_column(conn: Connection, name: str) -> _Column:
    t = schema.measurement
    unit = conn.execute(select(t.c.unit).where(t.c.quantity == name).limit(1)).scalar()
    return _Column(name, unit or "", has_u=True)


def _heading(name: str, unit: str) -> str:
    shown = {"mm2": "mm²", "deg": "°", "1": "ratio", "g/cm3": "g/cm³"}.get(unit, unit)
    return f"{name} ({shown})" if shown else name


def _rows(
    conn: Connection, filters: Sequence[Filter], settings: Sequence[_Column], measured: Sequence[_Column]
) -> Iterator[list[Cell]]:
    listing = list_sections(conn, filters)
    while batch := list(islice(listing, _BATCH)):
        facts = _Facts(conn, batch)
        for listed in batch:
            for weld in facts.welds(listed) or (None,):
                yield _row(listed, weld, facts, settings, measured)


class _Facts:
    """What stands about a batch of sections, table by table."""

    def __init__(self, conn: Connection, batch: Sequence[Listed]) -> None:
        coupons = sorted({b.coupon_seq for b in batch})
        sections = sorted({b.section_seq for b in batch if b.section_seq is not None})
        self.settings: dict[int, dict[str, Any]] = {}
        for row in _of(conn, schema.setting, coupons):
            self.settings.setdefault(row.seq, {})[row.name] = row
        self.measured: dict[tuple[int, int], dict[str, Any]] = {}
        for row in _of(conn, schema.measurement, sections):
            self.measured.setdefault((row.seq, row.weld), {})[row.quantity] = row
        self.verdicts: dict[tuple[int, int], list[Any]] = {}
        for row in _of(conn, schema.verdict, sections):
            self.verdicts.setdefault((row.seq, row.weld), []).append(row)
        self.flags: dict[int, list[Any]] = {}
        for row in _of(conn, schema.flag, sections):
            self.flags.setdefault(row.seq, []).append(row)
        self.revisions = {r.seq: r for r in _of(conn, schema.revision, sorted({*coupons, *sections}))}

    def welds(self, listed: Listed) -> tuple[int, ...]:
        return tuple(sorted(weld for seq, weld in self.measured if seq == listed.section_seq))


def _of(conn: Connection, table: Any, seqs: Sequence[int]) -> Sequence[Any]:
    if not seqs:
        return ()
    order = table.primary_key.columns
    return conn.execute(select(table).where(table.c.seq.in_(seqs)).order_by(*order)).all()


def decided_by(verdicts: Sequence[Any], grade: str | None) -> str:
    """Return the limits whose verdict is the grade, unless that is "accept"."""
    if grade in {None, "accept"}:
        return ""
    return "; ".join(dict.fromkeys(f"{v.limit_name}, {v.quantity}" for v in verdicts if v.word == grade))


def _row(
    listed: Listed,
    weld: int | None,
    facts: _Facts,
    settings: Sequence[_Column],
    measured: Sequence[_Column],
) -> list[Cell]:
    seq = listed.section_seq
    here = (seq or 0, weld or 0)
    flags = [f.code for f in facts.flags.get(seq or 0, ()) if f.weld in {None, weld}]
    row: list[Cell] = [
        listed.coupon,
        listed.section,
        weld,
        listed.run,
        listed.grade,
        listed.limits,
        decided_by(facts.verdicts.get(here, ()), listed.grade),
        "; ".join(dict.fromkeys(flags)),
        listed.failure,
        listed.photo,
    ]
    noted = facts.settings.get(listed.coupon_seq, {})
    row.append("; ".join(name for name, setting in noted.items() if setting.origin == "assumed"))
    for c in settings:
        row += _setting_cells(noted.get(c.name), c)
    found = facts.measured.get(here, {})
    for c in measured:
        q = found.get(c.name)
        row += [None, None] if q is None else [q.value, q.U95]
    revision = facts.revisions[listed.coupon_seq if seq is None else seq]
    return [*row, revision.seq, revision.at, revision.who, revision.version, CAUTIONS[0]]


def _setting_cells(row: Any, column: _Column) -> list[Cell]:
    u = [] if not column.has_u else [None if row is None else row.u]
    if row is None:
        return [None, *u]
    as_number = row.value is not None and row.unit == column.unit
    return [row.value if as_number else row.text, *u]
