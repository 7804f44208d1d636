"""A run sheet read and checked: coupons with their settings and sections, or every fault with its cell."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from macrocheck.errors import InputError
from macrocheck.paths import shown, stems
from macrocheck.record.entries import checked_name
from macrocheck.record.photos import file_digest
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import Setting
from macrocheck.run.columns import GIVEN, HEIGHT, Column, length_of, read_columns
from macrocheck.run.table import Cell, Fault, cells_by_column, duplicates, read_table

_END_BYTES = 4096


@dataclass(frozen=True, slots=True)
class SectionPlan:
    """One photograph to be measured."""

    section: str
    photo: Path
    marks: tuple[str, ...]
    joint: str
    outline: Path | None = None
    hints: tuple[str, ...] = ()
    mark_offset_mm: float | None = None
    camera_distance_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CouponPlan:
    """One row of the sheet; `given` in mm for the limits."""

    coupon: str
    row: int
    settings: tuple[Setting, ...]
    given: Mapping[str, float]
    sections: tuple[SectionPlan, ...]


@dataclass(frozen=True, slots=True)
class RunSheet:
    """A sheet as it was read: the coupons without a fault, every fault in the order of the cells, and notes."""

    coupons: tuple[CouponPlan, ...]
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    content: bytes
    own_columns: tuple[str, ...] = field(default=())


def read_sheet(path: Path, *, marks: Sequence[str] = ()) -> RunSheet:
    """Read a run sheet; `marks` hold for rows without one. Raises InputError where it cannot be read at all."""
    table = read_table(path)
    columns, faults, notes = read_columns(table.headings)
    faults = [*table.faults, *faults]
    coupon_cells = []
    photos: dict[Path, Cell] = {}
    coupons = []
    by_column = {c.cell.column: c for c in columns}
    headed = {cell.column for cell in table.headings}
    for row in table.rows:
        cells = cells_by_column(row)
        found: list[Fault] = [
            cell.fault("stands under no heading; give the column one, or clear it.")
            for cell in row
            if cell.column not in headed
        ]
        named = {by_column[n].name: (by_column[n], cell) for n, cell in cells.items() if n in by_column}
        plan = _Row(path.parent, row[0].row, columns, named, found).plan(tuple(marks), photos)
        if "coupon" in named:
            coupon_cells.append(named["coupon"][1])
        faults += found
        if plan is not None and not found:
            coupons.append(plan)
    repeated = {later.row for later, _ in duplicates(coupon_cells)}
    faults += [
        later.fault(
            f"coupon {later.text} is in row {first.row} already; give each its own id, or its photos one row."
        )
        for later, first in duplicates(coupon_cells)
    ]
    twice = _same_content(photos)
    faults += [cell.fault(text) for cell, text in twice]
    bad_rows = repeated | {cell.row for cell, _ in twice} | {f.row for f in table.faults}
    if not table.rows:
        faults.append(
            Fault(table.headings[0].row + 1, 1, "There is no coupon under the headings; fill in a row each.")
        )
    faults.sort(key=lambda f: (f.row, f.column))
    own = tuple(c.name for c in columns if c.kind is not None and c.kind.explanation == "a column of your own")
    head_fault = any(f.row == table.headings[0].row for f in faults)
    good = () if head_fault else tuple(c for c in coupons if c.row not in bad_rows)
    return RunSheet(good, tuple(faults), (*table.notes, *notes), table.content, own)


class _Row:
    """One row on its way to a plan; faults are put where the caller sees them."""

    def __init__(
        self,
        folder: Path,
        row: int,
        columns: Sequence[Column],
        named: Mapping[str, tuple[Column, Cell]],
        faults: list[Fault],
    ) -> None:
        self.folder, self.row, self.columns, self.named, self.faults = folder, row, columns, named, faults
        self.said: set[str] = set()
        """Columns of this row that a fault was found with."""

    def plan(self, marks: tuple[str, ...], photos: dict[Path, Cell]) -> CouponPlan | None:
        coupon = self._coupon()
        files = self._photos(photos)
        settings = self._settings()
        given = self._given(settings)
        # What the sheet says for the limits is on the record as what was noted, whether limits are given or not.
        settings += tuple(
            Setting(name, self.named[name][1].text, given[name], unit="mm")
            for name in GIVEN
            if name in self.named and name in given
        )
        names = stems([str(f) for f in files])
        count = len(files) or 1
        joints = self._per_photo("joint", count)
        every_mark = self._per_photo("mark", count)
        outlines, hints = self._per_photo("outline", count), self._per_photo("hint", count)
        heights = [self._per_photo(name, count) for name in HEIGHT]
        checked = [
            (self._marks(m, marks), self._joint(j), self._outline(o), self._hints(h), *self._height(up, away))
            for m, j, o, h, up, away in zip(every_mark, joints, outlines, hints, *heights, strict=True)
        ]
        # A row without its photographs has a fault already; the rest of it is checked all the same.
        sections = tuple(SectionPlan(n, f, *c) for n, f, c in zip(names, files, checked, strict=False))
        return None if coupon is None else CouponPlan(coupon, self.row, settings, given, sections)

    def _say(self, name: str, text: str) -> None:
        self.said.add(name)
        column = next((c.cell.column for c in self.columns if c.name == name), 1)
        where = self.named[name][1].column if name in self.named else column
        self.faults.append(Fault(self.row, where, text))

    def _coupon(self) -> str | None:
        if "coupon" not in self.named:
            self._say("coupon", "there is no coupon id in this row; write one.")
            return None
        try:
            return checked_name(self.named["coupon"][1].text, "coupon")
        except InputError as error:
            self._say("coupon", str(error))
            return None

    def _photos(self, photos: dict[Path, Cell]) -> list[Path]:
        if "photo" not in self.named:
            self._say("photo", "there is no photograph in this row; name its file.")
            return []
        cell = self.named["photo"][1]
        files = []
        for name in (p.strip() for p in cell.text.split(";")):
            if not name:
                continue
            file = self.folder / name
            what = _why_not(file)
            if what is not None:
                self.faults.append(
                    cell.fault(f"the photograph {shown(name)} {what} (looked for at {shown(file)}).")
                )
                continue
            place = file.resolve()
            first = photos.setdefault(place, cell)
            if first is not cell or file in files:
                self.faults.append(cell.fault(f"the photograph {shown(name)} is named in {first.where} already."))
                continue
            files.append(file)
        return files

    def _settings(self) -> tuple[Setting, ...]:
        settings = []
        for column, cell in self.named.values():
            if column.kind is None:
                continue
            if cell.is_date and column.kind.measure != "text":
                text = f"{column.kind.name}: holds a date ({cell.text}), as spreadsheets make of 3/16"
                self.faults.append(cell.fault(f"{text}; format the column as text and write it again."))
                continue
            try:
                checked_name(column.kind.name, "setting")
                settings.append(read_setting(column.kind, cell.text, column.unit))
            except InputError as error:
                self.faults.append(cell.fault(str(error)))
        return tuple(settings)

    def _given(self, settings: Sequence[Setting]) -> dict[str, float]:
        given = {}
        for name in GIVEN:
            if name in self.named:
                column, cell = self.named[name]
                try:
                    given[name] = length_of(column, cell)
                except InputError as error:
                    self.faults.append(cell.fault(str(error)))
        plates = [s.value for s in settings if s.name in {"thickness_butting", "thickness_nonbutting"} and s.value]
        if "t" not in given and plates:
            given["t"] = min(plates)
        return given

    def _per_photo(self, name: str, count: int) -> list[str | None]:
        """Return a column's text for every photograph: one for all, or as many as there are."""
        if name not in self.named:
            return [None] * count
        parts: list[str | None] = [p.strip() or None for p in self.named[name][1].text.split(";")]
        if len(parts) == 1 and name in {"mark", "joint", *HEIGHT}:
            parts *= count
        if len(parts) != count:
            self._say(
                name, f"there are {len(parts)} here for {count} photographs; write one for each, parted by ;."
            )
            return [None] * count
        return parts

    def _marks(self, text: str | None, marks: tuple[str, ...]) -> tuple[str, ...]:
        from macrocheck.calibrate import parse_mark

        if not text:
            if not marks and "mark" not in self.said:
                self._say(
                    "mark", "there is no mark for this row; write one such as bar:10mm, or give --mark for all."
                )
            return marks
        found = tuple(m.strip() for m in text.split(" and "))
        for mark in found:
            try:
                parse_mark(mark)
            except InputError as error:
                self._say("mark", str(error))
        return found

    def _height(self, *texts: str | None) -> tuple[float | None, float | None]:
        """Height of the mark over the section and distance of the camera, mm."""
        from macrocheck.calibrate import settle_height

        stated = []
        for name, text in zip(HEIGHT, texts, strict=True):
            unit = self.named[name][0].unit if name in self.named else None
            bare = text is not None and text[-1:].isdecimal()
            stated.append(f"{text} {unit}" if unit and bare else text)
        try:
            height = settle_height(*stated)
        except InputError as error:
            self._say(HEIGHT[0] if HEIGHT[0] in self.named else HEIGHT[1], sheet_words(str(error)))
            return None, None
        return height.offset_mm, height.distance_mm

    def _joint(self, text: str | None) -> str:
        from macrocheck.pipeline import JOINTS

        joint = (text or "auto").lower()
        if joint not in JOINTS:
            self._say("joint", f"'{text}' is not a kind of joint; use {', '.join(JOINTS)}.")
        return joint

    def _outline(self, text: str | None) -> Path | None:
        if not text:
            return None
        file = self.folder / text
        if not file.is_file():
            self._say("outline", f"the outline {shown(text)} does not exist (looked for at {shown(file)}).")
        return file

    def _hints(self, text: str | None) -> tuple[str, ...]:
        if not text:
            return ()
        from macrocheck.segment.hints import parse_hints

        hints = tuple(text.split())
        try:
            parse_hints(hints)
        except InputError as error:
            self._say("hint", str(error))
        return hints


def sheet_words(text: str) -> str:
    """A sentence about the height as it is said of a sheet, which has columns and no options."""
    return text.replace(
        "give both, such as --mark-offset 5mm --camera-distance 300mm",
        "fill in both columns, such as mark_offset 5 mm and camera_distance 300 mm",
    )


def _why_not(file: Path) -> str | None:
    """Return why a photograph cannot be measured as far as its file tells without reading it."""
    try:
        if file.is_dir():
            return "is a folder"
        if not file.is_file():
            return "does not exist"
        if file.stat().st_size == 0:
            return "is empty"
        return None if os.access(file, os.R_OK) else "cannot be read, you have no permission"
    except (OSError, ValueError):
        return "does not exist"


def _same_content(photos: Mapping[Path, Cell]) -> list[tuple[Cell, str]]:
    """Return the cells whose photograph is a copy of another one; only files that end alike are read in full."""
    alike: dict[tuple[int, bytes], list[tuple[Path, Cell]]] = {}
    for file, cell in photos.items():
        alike.setdefault(_size_and_end(file), []).append((file, cell))
    found = []
    for same in alike.values():
        if len(same) < 2:
            continue
        seen: dict[str, tuple[Path, Cell]] = {}
        for file, cell in same:
            first, where = seen.setdefault(file_digest(file), (file, cell))
            if first != file:
                found.append(
                    (cell, f"{shown(file.name)} is the same photograph as {shown(first.name)} in {where.where}.")
                )
    return found


def _size_and_end(file: Path) -> tuple[int, bytes]:
    """Return a file's size and its last bytes, which differ between any two photographs of a camera."""
    try:
        size = file.stat().st_size
        with file.open("rb") as content:
            content.seek(max(0, size - _END_BYTES))
            return size, content.read(_END_BYTES)
    except OSError:  # said when it is measured
        return -1, str(file).encode("utf-8", "replace")
