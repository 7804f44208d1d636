"""The columns of a run sheet: what names a coupon and its pictures, and the settings."""

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from macrocheck.errors import InputError
from macrocheck.record.setting_text import UNITS
from macrocheck.record.settings import KINDS, SettingKind, kind_named, known_words, plain_name
from macrocheck.run.table import Cell, Fault

OWN: dict[str, tuple[str, tuple[str, ...]]] = {
    "coupon": ("the coupon's id, one row a coupon", ("coupon id", "id", "specimen")),
    "photo": (
        "the photograph's file, from the sheet's folder; several sections parted by ;",
        ("photos", "photograph", "photographs", "picture"),
    ),
    "mark": (
        "the reference mark in the picture: bar:10mm, ruler:1mm; two in one picture joined by 'and'",
        ("reference mark", "marks"),
    ),
    "mark_offset": (
        "how much nearer to the camera than the section the mark lies: 5 mm, -3 mm; with camera_distance",
        ("height of the mark",),
    ),
    "camera_distance": ("from the lens to the section: 300 mm; with mark_offset", ("distance of the camera",)),
    "joint": ("tee, lap, bead or auto", ("joint type",)),
    "outline": ("an outline file (GeoJSON) to measure instead of finding one", ()),
    "hint": ("points that steer the search: root=812,344 toe=900,344", ("hints",)),
    "t": (
        "thickness for the limits, where not the thinner of the two members",
        ("thickness", "plate thickness", "sheet thickness"),
    ),
    "a": ("nominal throat for the limits: 4 mm", ("throat", "nominal throat")),
    "z": ("nominal leg for the limits: 6 mm, 1/4 in", ("leg", "nominal leg")),
    "s": ("nominal penetration throat for the limits", ()),
}
"""Column -> what it is, and other headings for it."""

_RARE = ("mark_offset", "camera_distance", "outline", "hint", "s")
GIVEN = ("t", "a", "z", "s")
HEIGHT = ("mark_offset", "camera_distance")
LENGTH_UNITS = ("mm", "cm", "um", "in", "inch", "inches", '"', "ga", "gauge")

_WORDS = {plain_name(w): name for name, (_, also) in OWN.items() for w in (name, *also)}
_UNIT_PARTS = re.compile(r"^(?P<name>.+?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|,\s*(?P<c>[^,]+))$")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet: `own` (a name of OWN) or `kind` (a setting), and the unit in its heading."""

    cell: Cell
    own: str | None
    kind: SettingKind | None
    unit: str | None

    @property
    def name(self) -> str:
        """What the column is called in the record."""
        return self.own or (self.kind.name if self.kind else "")


def read_columns(headings: Sequence[Cell]) -> tuple[list[Column], list[Fault], list[str]]:
    """Return the columns, what is wrong with them, and what may be a slip."""
    columns, faults, notes = [], [], []
    seen: dict[str, Column] = {}
    for cell in headings:
        column, fault = _column(cell)
        if fault is not None:
            faults.append(fault)
        first = seen.setdefault(column.name, column)
        if first is not column:
            faults.append(cell.fault(f"'{cell.text}' is there already in {first.cell.where}; keep one of the two."))
            continue
        columns.append(column)
        if column.kind is not None and plain_name(column.kind.name) not in known_words():
            words = [*known_words(), *_WORDS]
            for near in difflib.get_close_matches(plain_name(column.kind.name), words, n=1, cutoff=0.75):
                what = f"'{cell.text}' is kept as a column of your own; if '{near}' is meant, write that."
                notes.append(f"{cell.where}: {what}")
    faults += [
        Fault(headings[0].row, 1, f"There is no column '{needed}'; add one with that heading.")
        for needed in ("coupon", "photo")
        if needed not in seen
    ]
    return columns, faults, notes


def _column(cell: Cell) -> tuple[Column, Fault | None]:
    name, unit = cell.text, None
    match = _UNIT_PARTS.match(cell.text)
    if match is not None and plain_name(cell.text) not in known_words():
        by_comma = match["c"] is not None
        if not by_comma or plain_name(match["name"]) in {*known_words(), *_WORDS}:
            name, unit = match["name"], (match["a"] or match["b"] or match["c"] or "").strip() or None
    own = _WORDS.get(plain_name(name))
    if own is not None:
        fault = None
        if unit is not None and own not in (*GIVEN, *HEIGHT):
            unit = None  # a remark in brackets
        elif unit is not None and unit.lower() not in LENGTH_UNITS:
            fault = cell.fault(f"the unit '{unit}' is no unit of length; use mm or in.")
        return Column(cell, own, None, unit), fault
    kind = kind_named(name)
    return Column(cell, None, kind, unit), _unit_fault(cell, kind, unit)


def _unit_fault(cell: Cell, kind: SettingKind, unit: str | None) -> Fault | None:
    from macrocheck.record.setting_text import unit_name

    if unit is None or kind.measure == "text":
        return None
    if kind.measure in {"length", "thickness"}:
        known: Sequence[str] = LENGTH_UNITS
        fits = unit.lower().rstrip(".") in LENGTH_UNITS
    else:
        known = [u for u in UNITS[kind.measure] if u]
        fits = (unit_name(unit) or "") in UNITS[kind.measure]
    if fits:
        return None
    return cell.fault(f"the heading's unit '{unit}' is not one for {kind.name}; use {', '.join(known[:6])}.")


def explained() -> list[tuple[str, str]]:
    """Return (heading, explanation) of every column, in the order of an empty sheet."""
    own = [(name, what) for name, (what, _) in OWN.items() if name not in _RARE]
    return own + [(k.name.replace("_", " "), k.explanation) for k in KINDS]


def explained_besides() -> list[tuple[str, str]]:
    """Return (heading, explanation) of the columns that an empty sheet leaves out."""
    return [(name, OWN[name][0]) for name in _RARE]


def length_of(column: Column, cell: Cell) -> float:
    """Return a length column's cell in mm; InputError where it is none."""
    from macrocheck.record.setting_text import read_setting

    kind = SettingKind(column.name, "thickness" if column.name == "t" else "length", "mm", "")
    setting = read_setting(kind, cell.text, column.unit)
    if setting.value is None or setting.low is not None:
        msg = f"{column.name}: '{cell.text}' is not one length."
        raise InputError(msg)
    return setting.value
