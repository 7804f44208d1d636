"""The record as one table: a row a weld, a column a setting or quantity, numbers as numbers."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select

from macrocheck.quantities import BY_KEY, QUANTITIES
from macrocheck.record import schema
from macrocheck.record.facts import WeldFacts, weld_facts
from macrocheck.record.query import Filter, measured_names, setting_names
from macrocheck.record.settings import BY_NAME, KINDS, Setting
from macrocheck.results import CAUTIONS

Cell = str | float | int | None
_HEAD = (
    "coupon",
    "section",
    "weld",
    "joint",
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
    # of those that may have been noted in several units any will do, but in every database the same
    first = select(t.c.unit).where(t.c.name == name, t.c.value.is_not(None)).order_by(t.c.value, t.c.seq).limit(1)
    unit = BY_NAME[name].unit if name in BY_NAME else conn.execute(first).scalar()
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
    for weld in weld_facts(conn, filters):
        yield _row(weld, settings, measured)


def decided_by(verdicts: Iterable[tuple[str, str, str]], grade: str | None) -> str:
    """Return the limits whose verdict (limit, quantity, word) is the grade, unless that is "accept"."""
    if grade in {None, "accept"}:
        return ""
    return "; ".join(dict.fromkeys(f"{limit}, {quantity}" for limit, quantity, word in verdicts if word == grade))


def _row(weld: WeldFacts, settings: Sequence[_Column], measured: Sequence[_Column]) -> list[Cell]:
    listed, revision = weld.listed, weld.revision
    row: list[Cell] = [
        listed.coupon,
        listed.section,
        weld.weld,
        weld.joint,
        listed.run,
        listed.grade,
        listed.limits,
        decided_by(weld.verdicts, listed.grade),
        "; ".join(weld.flags),
        listed.failure,
        listed.photo,
        "; ".join(sorted(name for name, setting in weld.settings.items() if setting.origin == "assumed")),
    ]
    for c in settings:
        row += _setting_cells(weld.settings.get(c.name), c)
    for c in measured:
        q = weld.quantities.get(c.name)
        row += [None, None] if q is None or isinstance(q.value, tuple) else [q.value, q.U95]
    return [*row, revision.seq, revision.at, revision.who, revision.version, CAUTIONS[0]]


def _setting_cells(setting: Setting | None, column: _Column) -> list[Cell]:
    u = [] if not column.has_u else [None if setting is None else setting.u]
    if setting is None:
        return [None, *u]
    as_number = setting.value is not None and setting.unit == column.unit
    return [setting.value if as_number else setting.text, *u]
