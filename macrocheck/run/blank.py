"""An empty run sheet with its columns explained."""

import csv
import io
from pathlib import Path

from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.run.columns import explained, explained_besides
from macrocheck.writing import write_whole

_REMARKS = (
    "One row a coupon. Leave empty what was not noted; further columns of your own are kept.",
    "Write units in the heading, as in amps (A), or in the cell: 3/16 in, 11ga, 22-23 V.",
    "Rows that begin with # are remarks.",
)


def write_blank(path: Path) -> None:
    """Write an empty sheet as CSV or XLSX, as the name ends; InputError where something is there already."""
    if path.exists() or path.is_symlink():
        msg = f"{shown(path)} is there already; choose another name, or remove it first."
        raise InputError(msg)
    ending = path.suffix.lower()
    if ending == ".csv":
        write_whole(path, _csv())
    elif ending == ".xlsx":
        write_whole(path, _xlsx())
    else:
        msg = f"{shown(path)} must end in .csv or .xlsx."
        raise InputError(msg)


def _csv() -> bytes:
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    for remark in _REMARKS:
        writer.writerow([f"# {remark}"])
    for heading, what in explained():
        writer.writerow([f"# {heading}: {what}"])
    for heading, what in explained_besides():
        writer.writerow([f"# {_besides(heading, what)}"])
    writer.writerow([heading for heading, _ in explained()])
    return file.getvalue().encode("utf-8-sig")


def _besides(heading: str, what: str) -> str:
    return f"A column {heading} may be added: {what}"


def _xlsx() -> bytes:
    from openpyxl import Workbook
    from openpyxl.comments import Comment
    from openpyxl.styles import Font

    book = Workbook()
    sheet = book.worksheets[0]
    sheet.title = "coupons"
    about = book.create_sheet("columns")
    for remark in _REMARKS:
        about.append([remark])
    for number, (heading, what) in enumerate(explained(), start=1):
        cell = sheet.cell(1, number, heading)
        cell.font = Font(bold=True)
        cell.comment = Comment(what, "macrocheck")
        letter = cell.column_letter
        # As text, or the spreadsheet turns 3/16 into a date.
        sheet.column_dimensions[letter].number_format = "@"
        for row in range(2, 202):
            sheet.cell(row, number).number_format = "@"
        sheet.column_dimensions[letter].width = max(12, len(heading) + 2)
        about.append([heading, what])
    for heading, what in explained_besides():
        about.append([heading, _besides(heading, what)])
    sheet.freeze_panes = "B2"
    about.column_dimensions["A"].width = 26
    about.column_dimensions["B"].width = 100
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()
