"""Reading run sheets: every fault with its cell, at once; what people write in spreadsheets."""

import io
import os
import zipfile
from datetime import date
from pathlib import Path

import openpyxl
import pytest

from macrocheck.errors import InputError
from macrocheck.run.blank import write_blank
from macrocheck.run.columns import explained, explained_besides
from macrocheck.run.sheet import RunSheet, read_sheet
from macrocheck.run.table import MOST_UNPACKED, address, read_table
from tests.cli.conftest import Run

HEAD = "coupon,photo,mark"


def read(folder: Path, text: str, *, photos: str = "ab", encoding: str = "utf-8", name: str = "s.csv") -> RunSheet:
    for i, letter in enumerate(photos):
        (folder / f"{letter}.jpg").write_bytes(b"picture" + bytes([i]))
    (folder / name).write_text(text, encoding=encoding)
    return read_sheet(folder / name)


def faults(sheet: RunSheet) -> dict[str, str]:
    return {f.where: f.text for f in sheet.faults}


def test_every_fault_at_once_with_its_cell(tmp_path: Path) -> None:
    text = f"""{HEAD},joint,wfs (in/min),volts,t
A,a.jpg,bar:10mm,tee,fast,22,6 mm
A,b.jpg,bar:10,corner,300,23-22,6
,c.jpg,,tee,300 rpm,22,6 mm
B,a.jpg,bar:10mm
C,,bar:10mm
"""
    found = faults(read(tmp_path, text))
    assert set(found) == {"E2", "A3", "C3", "D3", "F3", "G3", "A4", "B4", "C4", "E4", "B5", "B6"}
    assert "in row 2 already" in found["A3"]
    assert "does not exist" in found["B4"]
    assert "named in B2 already" in found["B5"]
    assert "no photograph in this row" in found["B6"]
    assert "no mark for this row" in found["C4"]
    assert list(found) == sorted(found, key=lambda w: (w[1:], w[0]))


def test_a_sheet_without_a_fault(tmp_path: Path) -> None:
    sheet = read(
        tmp_path,
        f"# a remark\n{HEAD},thickness butting,thickness nonbutting,z,Tip bore (mm)\n\n"
        "A,a.jpg;b.jpg,bar:10mm and ruler:1mm,11ga,1/4 in,3/16 in,1.2\n",
    )
    assert sheet.faults == ()
    (coupon,) = sheet.coupons
    assert [s.section for s in coupon.sections] == ["a", "b"]
    assert coupon.sections[1].marks == ("bar:10mm", "ruler:1mm")
    # thinner of the two; 11 gauge steel is .1196 in (industrialequipmentspecs.com, read)
    assert coupon.given == {"z": pytest.approx(4.7625), "t": pytest.approx(0.1196 * 25.4)}
    assert sheet.own_columns == ("Tip bore",)
    noted = {s.name: s for s in coupon.settings}
    assert (noted["z"].text, noted["z"].unit) == ("3/16 in", "mm")
    assert noted["z"].value == pytest.approx(4.7625)
    assert "t" not in noted  # worked out for the limits, not noted


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_encodings_and_delimiters(tmp_path: Path, encoding: str, mark: str) -> None:
    text = mark.join(["coupon", "photo", "mark", "operator", "volts"]) + "\n"
    text += mark.join(["Prüfling 1", "a.jpg", "bar:10mm", "Jürgen", '"22,5"' if mark == "," else "22,5"]) + "\n"
    sheet = read(tmp_path, text, encoding=encoding)
    assert sheet.faults == ()
    (coupon,) = sheet.coupons
    assert coupon.coupon == "Prüfling 1"
    assert {s.name: s.value for s in coupon.settings}["volts"] == 22.5
    assert coupon.settings[0].text == "Jürgen"
    assert bool(sheet.notes) == (encoding == "cp1252")


def test_a_unit_with_a_comma_in_a_heading(tmp_path: Path) -> None:
    sheet = read(tmp_path, 'coupon;photo;mark;"travel speed, cm/min";volts [V]\nA;a.jpg;bar:10mm;38,1;22\n')
    assert {s.name: s.value for s in sheet.coupons[0].settings} == {"travel_speed": 381.0, "volts": 22.0}


def test_the_height_of_the_mark(tmp_path: Path) -> None:
    """A unit in the cell or in the heading; one for all photographs of a row, or each its own."""
    head = f"{HEAD},mark offset,camera distance (mm)"
    one = read(tmp_path, f"{head}\nA,a.jpg;b.jpg,disc:20mm,5 mm,300\n")
    assert not one.faults
    assert [(s.mark_offset_mm, s.camera_distance_mm) for s in one.coupons[0].sections] == [(5.0, 300.0)] * 2
    two = read(tmp_path, f"{head}\nA,a.jpg;b.jpg,disc:20mm,5 mm;-3 mm,300\n")
    assert [s.mark_offset_mm for s in two.coupons[0].sections] == [5.0, -3.0]


@pytest.mark.parametrize(
    ("text", "where", "part"),
    [
        ("photo,mark\na.jpg,bar:10mm\n", "A1", "no column 'coupon'"),
        (f"{HEAD},volts,Voltage\nA,a.jpg,bar:10mm,22,22\n", "E1", "there already in D1"),
        (f"{HEAD},wfs (rpm)\nA,a.jpg,bar:10mm,300\n", "D1", "the heading's unit 'rpm'"),
        (f"{HEAD},stickout (s)\nA,a.jpg,bar:10mm,15\n", "D1", "the heading's unit 's'"),
        (f"{HEAD}\nA,a.jpg,bar:10mm,left over\n", "D2", "under no heading"),
        (f"{HEAD}\n", "A2", "no coupon under the headings"),
        (f"{HEAD}\nA,a.jpg;b.jpg,bar:10mm;bar:5mm;bar:2mm\n", "C2", "there are 3 here for 2"),
        (f"{HEAD},outline\nA,a.jpg,bar:10mm,none.geojson\n", "D2", "the outline none.geojson does not exist"),
        (f"{HEAD},mark_offset\nA,a.jpg,disc:20mm,5 mm\n", "D2", "fill in both columns"),
        (f"{HEAD},camera_distance\nA,a.jpg,disc:20mm,far\n", "D2", "far"),
        (f"{HEAD},mark offset (kg)\nA,a.jpg,disc:20mm,5\n", "D1", "no unit of length"),
        (f"{HEAD},hint\nA,a.jpg,bar:10mm,root\n", "D2", "hint"),
        (f"{HEAD}\nA,a.jpg;a.jpg,bar:10mm\n", "B2", "named in B2 already"),
        (f"{HEAD}\nA,a.jpg,bar:10mm\na,b.jpg,bar:10mm\n", "A3", "in row 2 already"),
        (f"{HEAD}\nA,,bar:10mm\n", "B2", "no photograph"),
        (f"{HEAD}\nA,.,bar:10mm\n", "B2", "is a folder"),
    ],
)
def test_faults(tmp_path: Path, text: str, where: str, part: str) -> None:
    found = faults(read(tmp_path, text))
    assert part in found[where]
    assert not any(c.row == int(where[1:]) for c in read_sheet(tmp_path / "s.csv").coupons)


def test_a_copy_of_a_photograph_for_two_coupons(tmp_path: Path) -> None:
    (tmp_path / "copy.jpg").write_bytes(b"picture\x00")
    found = faults(read(tmp_path, f"{HEAD}\nA,a.jpg,bar:10mm\nB,copy.jpg,bar:10mm\n"))
    assert found == {"B3": "copy.jpg is the same photograph as a.jpg in B2."}


def test_a_slip_in_a_heading_is_asked_about(tmp_path: Path) -> None:
    sheet = read(tmp_path, f"{HEAD},voltz\nA,a.jpg,bar:10mm,22\n")
    assert sheet.faults == ()
    assert "if 'volts' is meant" in sheet.notes[0]


def workbook(folder: Path, rows: list[list[object]]) -> tuple[openpyxl.Workbook, Path]:
    (folder / "a.jpg").write_bytes(b"picture")
    book = openpyxl.Workbook()
    for row in rows:
        book.worksheets[0].append(row)
    return book, folder / "s.xlsx"


def test_xlsx(tmp_path: Path) -> None:
    book, place = workbook(
        tmp_path,
        [
            ["coupon", "photo", "mark", "volts", "deposition efficiency", "date", "z", "trial"],
            [7, "a.jpg", "bar:10mm", 22.5, 0.95, date(2026, 3, 14), "3/16 in", True],
        ],
    )
    book.worksheets[0]["E2"].number_format = "0%"
    book.save(place)
    sheet = read_sheet(place)
    assert sheet.faults == ()
    (coupon,) = sheet.coupons
    assert coupon.coupon == "7"
    values = {s.name: s.value if s.value is not None else s.text for s in coupon.settings}
    assert values == {
        "volts": 22.5,
        "deposition_efficiency": pytest.approx(0.95),
        "date": "2026-03-14",
        "trial": "yes",
        "z": pytest.approx(4.7625),
    }


def test_what_spreadsheets_do_to_cells(tmp_path: Path) -> None:
    book, place = workbook(
        tmp_path,
        [
            ["coupon", "photo", "mark", "stickout (in)", "amps", "volts"],
            ["A", "a.jpg", "bar:10mm", date(2026, 3, 16), "=E9+1", "#N/A"],
            ["B", None, "bar:10mm", None, None, None],
        ],
    )
    book.worksheets[0].merge_cells("A3:B3")
    book.save(place)
    found = faults(read_sheet(place))
    assert "as spreadsheets make of 3/16" in found["D2"]
    assert "formula without a stored result" in found["E2"]
    assert "holds the error #N/A" in found["F2"] or "is not a number" in found["F2"]
    assert any("A3:B3 are merged" in text for text in (f.text for f in read_sheet(place).faults))


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_an_empty_sheet_explains_every_column_and_can_be_filled_in(run: Run, tmp_path: Path, ending: str) -> None:
    place = tmp_path / f"new.{ending}"
    assert run("run", "new", place).status == 0
    headings = [c.text for c in read_table(place).headings]
    assert headings == [name for name, _ in explained()]
    (tmp_path / "a.jpg").write_bytes(b"picture")
    values = {"coupon": "A", "photo": "a.jpg", "mark": "bar:10mm", "stickout": "5/8 in", "amps": "180"}
    row = [values.get(h, "") for h in headings]
    if ending == "csv":
        text = place.read_text(encoding="utf-8-sig")
        assert all(what.split(":")[0] in text for _, what in (*explained(), *explained_besides()))
        place.write_text(text + ",".join(row) + "\n", encoding="utf-8")
    else:
        book = openpyxl.load_workbook(place)
        for column, value in enumerate(row, start=1):
            book.worksheets[0].cell(2, column, value or None)
        book.save(place)
    ran = run("run", "check", place)
    assert "1 coupon, 1 photograph, no fault" in ran.out
    assert ran.status == 0
    assert run("run", "new", place).status == 2  # left alone


def test_what_parts_the_fields_may_be_said(tmp_path: Path) -> None:
    found = read(tmp_path, "sep=;\ncoupon;photo;mark;volts\nA;a.jpg;bar:10mm;22,5\nA;b.jpg;bar:10mm;22\n")
    assert set(faults(found)) == {"A4"}  # rows are counted as a spreadsheet shows the file as text


@pytest.mark.parametrize("note", ['"open', '"half" open'])
def test_a_quotation_mark_swallows_no_row(tmp_path: Path, note: str) -> None:
    """Read leniently, the second coupon would be part of the first one's note, and nobody would know."""
    with pytest.raises(InputError, match=r"Row 3 of .*s\.csv holds a quotation mark that is not closed"):
        read(tmp_path, f"{HEAD},note\nB,b.jpg,bar:10mm,fine\nA,a.jpg,bar:10mm,{note}\nC,c.jpg,bar:10mm,x\n")


def test_a_plain_thickness_is_the_limits(tmp_path: Path) -> None:
    (coupon,) = read(tmp_path, f"{HEAD},Thickness (mm)\nA,a.jpg,bar:10mm,6\n").coupons
    assert coupon.given == {"t": 6.0}


def test_a_photograph_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # root may read anything, so the answer of the system is put in its mouth
    monkeypatch.setattr(
        "macrocheck.run.sheet.os.access", lambda path, mode: (path.name, mode) != ("a.jpg", os.R_OK)
    )
    found = faults(read(tmp_path, f"{HEAD}\nA,a.jpg,bar:10mm\nB,b.jpg,bar:10mm\n"))
    assert set(found) == {"B2"}
    assert "a.jpg cannot be read, you have no permission" in found["B2"]


def packed(size: int) -> bytes:
    """A workbook that is small only while it is packed."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", bytes(size))
    assert len(made.getvalue()) < size / 500
    return made.getvalue()


def test_files_that_are_no_sheet(tmp_path: Path) -> None:
    made = io.BytesIO()
    openpyxl.Workbook().save(made)
    for content, part in (
        (b"", "is empty"),
        (b"\xd0\xcf\x11\xe0 and so on", "old binary workbook"),
        (b"PK\x03\x04 and so on", "not a workbook"),
        (made.getvalue(), "no headings in its first worksheet, the only one that is read"),
        (packed(MOST_UNPACKED + 1), "unpacks to 300 MB, more than any sheet"),
        (b"a\x00b,c\n", "not a text file"),
        (b"# only a remark\n", "no headings"),
    ):
        place = tmp_path / "x.csv"
        place.write_bytes(content)
        with pytest.raises(InputError, match=part):
            read_sheet(place)
    with pytest.raises(InputError, match="There is no sheet"):
        read_sheet(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a folder"):
        read_sheet(tmp_path)
    with pytest.raises(InputError, match="is not an ordinary file"):
        read_sheet(Path(os.devnull))
    with pytest.raises(InputError, match="must end in"):
        write_blank(tmp_path / "x.ods")


def test_ten_thousand_rows(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text(
        "coupon,photo,mark,amps\n" + "".join(f"C{i},p{i}.jpg,bar:10mm,180\n" for i in range(10_000)),
        encoding="utf-8",
    )
    found = read_sheet(tmp_path / "s.csv").faults
    assert len(found) == 10_000
    assert found[-1].where == "B10001"


def test_addresses() -> None:
    assert [address(1, n) for n in (1, 26, 27, 52, 702, 703)] == ["A1", "Z1", "AA1", "AZ1", "ZZ1", "AAA1"]
