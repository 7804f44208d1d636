"""A sheet file as rows of text cells with their addresses: CSV in any usual encoding and dialect, or XLSX."""

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from macrocheck.errors import InputError
from macrocheck.paths import os_reason, shown

MOST_BYTES = 100_000_000
MOST_ROWS = 100_000
MOST_UNPACKED = 300_000_000
"""Bytes of a workbook's parts: 100 000 rows of 40 cells take about 250 MB."""

_UNCOMPUTED = "holds a formula without a stored result; open and save the workbook, or write the value."
_DELIMITERS = ",;\t|"
_SAID = re.compile(r"sep=([,;\t|])\r?\n")
"""A first line that some spreadsheets write to say what parts the fields."""
_LONGEST_CELL = 1_000_000

_PACKED = b"PK\x03\x04"
"""How a workbook begins, as every zip archive does."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a sheet: `where` is the cell as a spreadsheet names it ("B7"), `text` one sentence."""

    row: int
    column: int
    text: str

    @property
    def where(self) -> str:
        """The cell's address."""
        return address(self.row, self.column)

    def __str__(self) -> str:
        return f"{self.where}: {self.text}"


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: row and column from 1, its text without blanks around it, and whether it is a date."""

    row: int
    column: int
    text: str
    is_date: bool = False

    @property
    def where(self) -> str:
        """The cell's address."""
        return address(self.row, self.column)

    def fault(self, text: str) -> Fault:
        """Return a fault of this cell."""
        return Fault(self.row, self.column, text)


@dataclass(frozen=True, slots=True)
class Table:
    """Headings and rows (cells with text only, by column), what was noticed in reading, and the file's bytes."""

    headings: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    content: bytes


def address(row: int, column: int) -> str:
    """Return "B7" for row 7, column 2."""
    letters = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"


def read_table(path: Path) -> Table:
    """Read a sheet; rows whose first cell begins with # are remarks. Raises InputError where it cannot be read."""
    name = shown(path)
    content = _content(path, name)
    if content.startswith(_PACKED):
        cells, faults, notes = _xlsx(content, name)
    elif content.startswith(b"\xd0\xcf\x11\xe0"):
        msg = f"{name} is an old binary workbook; save it as .xlsx or as CSV."
        raise InputError(msg)
    else:
        cells, faults, notes = _csv(content, name)
    rows = [row for row in cells if row and not row[0].text.startswith("#")]
    if not rows:
        first = " in its first worksheet, the only one that is read" if content.startswith(_PACKED) else ""
        msg = f"{name} has no headings{first}; begin one with: macrocheck run new SHEET.csv"
        raise InputError(msg)
    if len(rows) - 1 > MOST_ROWS:
        msg = f"{name} has {len(rows) - 1} rows; at most {MOST_ROWS} are read; split it."
        raise InputError(msg)
    return Table(rows[0], tuple(rows[1:]), tuple(faults), tuple(notes), content)


def _content(path: Path, name: str) -> bytes:
    try:
        if path.is_dir():
            msg = f"{name} is a folder; name the sheet in it."
            raise InputError(msg)
        if path.exists() and not path.is_file():
            msg = f"{name} is not an ordinary file; name a sheet, .csv or .xlsx."
            raise InputError(msg)
        if path.stat().st_size > MOST_BYTES:
            msg = f"{name} is larger than any sheet of coupons."
            raise InputError(msg)
        content = path.read_bytes()
    except FileNotFoundError as error:
        msg = f"There is no sheet {name}; begin one with: macrocheck run new {name}"
        raise InputError(msg) from error
    except OSError as error:
        msg = f"The sheet {name} cannot be read: {os_reason(error)}."
        raise InputError(msg) from error
    if not content.strip():
        msg = f"{name} is empty; begin one with: macrocheck run new SHEET.csv"
        raise InputError(msg)
    return content


def _csv(content: bytes, name: str) -> tuple[list[tuple[Cell, ...]], list[Fault], list[str]]:
    text, notes = _decoded(content, name)
    said = _SAID.match(text)
    delimiter = said[1] if said is not None else _delimiter(text)
    rows: list[tuple[Cell, ...]] = []
    csv.field_size_limit(_LONGEST_CELL)
    try:
        # strict: a quotation mark that is never closed would swallow the rows after it
        for number, fields in enumerate(
            csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), start=1
        ):
            cells = (Cell(number, i, " ".join(f.split())) for i, f in enumerate(fields, start=1))
            rows.append(tuple(c for c in cells if c.text))
    except csv.Error as error:
        what = "holds a quotation mark that is not closed, or that stands in the middle of a cell"
        if "limit" in str(error):
            what = f"holds a cell of more than {_LONGEST_CELL:,} characters, or a quotation mark that is not closed"
        msg = f"Row {len(rows) + 1} of {name} {what}; put it right, or save the sheet anew."
        raise InputError(msg) from error
    return rows[1:] if said is not None else rows, [], notes


def _decoded(content: bytes, name: str) -> tuple[str, list[str]]:
    wide = content.startswith((b"\xff\xfe", b"\xfe\xff"))
    encodings = ["utf-16"] if wide else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" in text:
            break
        note = "The sheet is not in UTF-8; it was read as Windows-1252 (Western European): check its accents."
        return text, [note] if encoding == "cp1252" else []
    msg = f"{name} is not a text file in UTF-8, UTF-16 or Windows-1252; save it as CSV in UTF-8, or as .xlsx."
    raise InputError(msg)


def _delimiter(text: str) -> str:
    """Return what parts the fields of the heading line: the candidate that is most often in it outside quotes."""
    for line in text.splitlines():
        if not line.strip() or line.lstrip('\ufeff"').startswith("#"):
            continue
        counts = dict.fromkeys(_DELIMITERS, 0)
        quoted = depth = 0
        for c in line:
            quoted ^= c == '"'
            depth += (c in "([") - (c in ")]")
            if not quoted and depth <= 0 and c in counts:
                counts[c] += 1
        return max(_DELIMITERS, key=lambda d: counts[d])
    return ","


def _xlsx(content: bytes, name: str) -> tuple[list[tuple[Cell, ...]], list[Fault], list[str]]:
    import warnings
    import zipfile
    from xml.etree.ElementTree import ParseError

    from openpyxl.utils.exceptions import InvalidFileException

    try:
        _refuse_huge(content, name)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what a workbook has besides cells does not matter here
            return _workbook(content, name)
    except (
        InvalidFileException,
        zipfile.BadZipFile,
        KeyError,
        ValueError,
        OSError,
        ParseError,
        TypeError,
    ) as error:
        msg = f"{name} is not a workbook that can be read; save it as .xlsx or as CSV."
        raise InputError(msg) from error


def _refuse_huge(content: bytes, name: str) -> None:
    """Refuse a workbook that is small only while it is packed, before any of it is unpacked."""
    import zipfile

    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        size = sum(part.file_size for part in packed.infolist())
    if size > MOST_UNPACKED:
        msg = f"{name} unpacks to {size / 1e6:,.0f} MB, more than any sheet of coupons; save it as CSV."
        raise InputError(msg)


def _workbook(content: bytes, name: str) -> tuple[list[tuple[Cell, ...]], list[Fault], list[str]]:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(content))
    if not book.worksheets:
        msg = f"{name} has no worksheet."
        raise InputError(msg)
    sheet = book.worksheets[0]
    notes = [f"Read from the first worksheet, {sheet.title}."] if len(book.worksheets) > 1 else []
    faults = [
        Fault(
            area.min_row,
            area.min_col,
            f"the cells {area.coord} are merged; part them and write into each what holds for it.",
        )
        for area in sheet.merged_cells.ranges
    ]
    values: Any = None
    rows = []
    for row in sheet.iter_rows():
        cells = []
        for one in row:
            if one.value is None:
                continue
            value = one.value
            if one.data_type == "f":
                values = values or load_workbook(io.BytesIO(content), data_only=True).worksheets[0]
                value = values.cell(one.row, one.column).value
                if value is None:
                    faults.append(Fault(one.row, one.column, _UNCOMPUTED))
                    continue
            text = _text(value, one.number_format)
            if text:
                cells.append(Cell(one.row, one.column, text, isinstance(value, date | datetime | time)))
            if one.data_type == "e":
                faults.append(Fault(one.row, one.column, f"holds the error {text}; write the value."))
        rows.append(tuple(cells))
    return rows, faults, notes


def _text(value: object, number_format: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if "%" in (number_format or ""):
            return f"{_number(value * 100)} %"
        return _number(value)
    if isinstance(value, datetime) and value.time() == time(0):
        return value.date().isoformat()
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    return " ".join(str(value).split())


def _number(value: float) -> str:
    # 15 digits: a spreadsheet's own precision, so that 0.1 + 0.2 reads as it is shown there
    return f"{value:.15g}"


def cells_by_column(row: Sequence[Cell]) -> dict[int, Cell]:
    """Return a row's cells by their column."""
    return {cell.column: cell for cell in row}


def duplicates(cells: Sequence[Cell]) -> Iterator[tuple[Cell, Cell]]:
    """Yield (later, first) of cells whose text is the same but for upper and lower case."""
    seen: dict[str, Cell] = {}
    for cell in cells:
        first = seen.setdefault(cell.text.casefold(), cell)
        if first is not cell:
            yield cell, first
