"""The record in other programs' files: a spreadsheet's table (CSV, XLSX) or everything as JSON."""

import contextlib
import csv
import io
import json
import os
import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection, select

from macrocheck import __version__
from macrocheck.errors import OutputError
from macrocheck.paths import os_reason, shown
from macrocheck.record import schema
from macrocheck.record.engine import reading
from macrocheck.record.query import Filter, body_of, document_of, list_sections
from macrocheck.record.store import Record
from macrocheck.record.wide import Cell, WideTable, wide_table
from macrocheck.results import CAUTIONS
from macrocheck.writing import checked_target

FORMAT = "macrocheck-record"
FORMAT_VERSION = 1

_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""A text cell that begins so may be run as a formula when the file is opened (OWASP, "CSV Injection", from memory;
the wide forms are what some programs turn into the narrow ones)."""

_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_XLSX_MOST = 32_767
"""Most characters in a cell of a spreadsheet."""


def export_csv(record: Record, to: str | os.PathLike[str] | IO[str], filters: Sequence[Filter] = ()) -> int:
    """Write one row a weld as CSV (RFC 4180, UTF-8 with a byte order mark, decimal points); return the count."""
    with reading(record.engine, record.name) as conn:
        if not isinstance(to, str | os.PathLike):
            return _csv(wide_table(conn, filters), to)
        with _aside(to) as binary, _text(binary, "utf-8-sig") as file:
            return _csv(wide_table(conn, filters), file)


def _csv(table: WideTable, file: IO[str]) -> int:
    writer = csv.writer(file)
    writer.writerow([_safe(h) for h in table.headings])
    count = 0
    for row in table.rows:
        writer.writerow([_safe(cell) for cell in row])
        count += 1
    return count


def _safe(cell: Cell) -> Cell:
    """Return a cell that no program runs: an apostrophe before a text that looks like a formula."""
    if isinstance(cell, str) and cell.lstrip(" ").startswith(_RISKY):
        return "'" + cell
    return cell


def export_xlsx(record: Record, to: str | os.PathLike[str], filters: Sequence[Filter] = ()) -> int:
    """Write a workbook: a row a weld, and a sheet on what it is; return the count of rows."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    with reading(record.engine, record.name) as conn, _aside(to) as file:
        sheet = book.create_sheet("welds")
        sheet.freeze_panes = "B2"
        table = wide_table(conn, filters)
        sheet.append([_xlsx_cell(sheet, h, bold=True) for h in table.headings])
        count = 0
        for row in table.rows:
            sheet.append([_xlsx_cell(sheet, cell) for cell in row])
            count += 1
        about = book.create_sheet("about")
        for key, value in _about(conn):
            about.append([_xlsx_cell(about, key, bold=True), _xlsx_cell(about, value)])
        whole = io.BytesIO()  # a full disk in the middle of saving makes the library say more than one sentence
        book.save(whole)
        file.write(whole.getbuffer())
    return count


def _xlsx_cell(sheet: Any, cell: Cell, *, bold: bool = False) -> Any:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    if cell in {"", None}:
        return None
    text = _NOT_IN_XML.sub("\ufffd", cell)[:_XLSX_MOST] if isinstance(cell, str) else cell
    made = WriteOnlyCell(sheet, value=text)
    if isinstance(text, str):
        made.data_type = "s"  # text stays text, whatever it begins with
        if text.startswith(_RISKY):
            made.quotePrefix = True
    if bold:
        made.font = Font(bold=True)
    return made


def _about(conn: Connection) -> Iterator[tuple[str, Cell]]:
    info = {row.name: row.value for row in conn.execute(select(schema.info))}
    head = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
    yield "record", info.get("record", "")
    yield "last revision", int(head.seq)
    yield "its hash", str(head.hash)
    yield "exported by", f"macrocheck {__version__}"
    yield "U95", "expanded uncertainty, coverage 95 %; u: standard uncertainty; both in the unit of their heading"
    for caution in CAUTIONS:
        yield "caution", caution


def export_json(record: Record, to: str | os.PathLike[str] | IO[str], filters: Sequence[Filter] = ()) -> int:
    """Write every coupon as it stands now, with whole result documents, as JSON; return the count of sections."""
    with reading(record.engine, record.name) as conn:
        if not isinstance(to, str | os.PathLike):
            return _json(conn, filters, to)
        with _aside(to) as binary, _text(binary, "utf-8") as file:
            return _json(conn, filters, file)


def _json(conn: Connection, filters: Sequence[Filter], file: IO[str]) -> int:
    head = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "about": [[k, v] for k, v in _about(conn) if k != "caution"],
        "cautions": list(CAUTIONS),
    }
    file.write(json.dumps(head, ensure_ascii=False, indent=1)[:-2] + ',\n "sections": [')
    count = 0
    for listed in list_sections(conn, filters):
        coupon = body_of(conn, listed.coupon_seq)
        section = None if listed.section_seq is None else body_of(conn, listed.section_seq)
        result = document_of(conn, section["result"]) if section and section["result"] else None
        document = {"coupon": coupon, "section": section, "result": result}
        file.write(("," if count else "") + "\n" + json.dumps(document, ensure_ascii=False, allow_nan=False))
        count += 1
    file.write("\n ]\n}\n")
    return count


@contextmanager
def _text(binary: IO[bytes], encoding: str) -> Iterator[IO[str]]:
    """Write text to a binary file that stays open afterwards."""
    file = io.TextIOWrapper(binary, encoding=encoding, newline="")
    try:
        yield file
        file.flush()
    finally:
        file.detach()


@contextmanager
def _aside(to: "str | os.PathLike[str] | IO[str]") -> Iterator[IO[bytes]]:
    """Write a file aside and put it in place when it is complete; OutputError with nothing changed otherwise."""
    if not isinstance(to, str | os.PathLike):
        msg = "A workbook cannot be written to standard output; name a file."
        raise OutputError(msg)
    target, aside = checked_target(to), None
    try:
        handle, name = tempfile.mkstemp(".part", ".macrocheck-", target.parent)
        aside = Path(name)
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0)
        os.umask(mask)
        aside.chmod(0o666 & ~mask)
        aside.replace(target)
        aside = None
    except OSError as error:
        msg = f"{shown(to)} cannot be written: {os_reason(error)}; nothing was changed."
        raise OutputError(msg) from error
    finally:
        if aside is not None:
            with contextlib.suppress(OSError):
                aside.unlink()
