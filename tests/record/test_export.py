"""Exports: numbers as numbers, units in the headings, nothing that a program would run."""

import csv
import io
import json
import os
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from macrocheck.errors import InputError, OutputError
from macrocheck.record.engine import reading
from macrocheck.record.entries import coupon_entry
from macrocheck.record.export import export_csv, export_json, export_xlsx
from macrocheck.record.query import list_sections, parse_filter
from macrocheck.record.settings import Setting
from macrocheck.record.store import Record, append
from macrocheck.results import CAUTIONS
from tests.record.fill import NOTED, entries, fill, settings

EVIL = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "  =HYPERLINK(1)", "＝1"]


def test_csv(record: Record, result: dict[str, Any], tmp_path: Path) -> None:
    fill(record, result, 3)
    assert export_csv(record, tmp_path / "welds.csv") == 3
    content = (tmp_path / "welds.csv").read_bytes()
    assert content.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))
    assert [r["coupon"] for r in rows] == ["T6-00", "T6-01", "T6-02"]
    legs = result["welds"][0]["quantities"]["leg_butting"]
    for i, row in enumerate(rows):
        assert float(row["leg_butting (mm)"]) == legs["value"]
        assert float(row["U95 of leg_butting (mm)"]) == legs["U95"]
        assert float(row["amps (A)"]) == 170 + i
        assert float(row["u of volts (V)"]) == pytest.approx(0.2887, abs=1e-4)
        assert row["caution"] == CAUTIONS[0]
        assert row["grade"] == result["grade"]
        assert "thermal_efficiency" in row["assumed"]


def test_xlsx(record: Record, result: dict[str, Any], tmp_path: Path) -> None:
    fill(record, result, 3)
    assert export_xlsx(record, tmp_path / "welds.xlsx", [parse_filter("amps>170")]) == 2
    book = openpyxl.load_workbook(tmp_path / "welds.xlsx")
    rows = list(book["welds"].iter_rows(values_only=True))
    row = dict(zip(rows[0], rows[1], strict=True))
    assert isinstance(row["size (mm)"], int | float)
    assert row["amps (A)"] == 171
    said = [str(r[1]) for r in book["about"].iter_rows(values_only=True)]
    assert CAUTIONS[0] in said
    assert CAUTIONS[1] in said


@pytest.mark.parametrize("evil", EVIL)
def test_no_cell_is_a_formula(record: Record, tmp_path: Path, evil: str) -> None:
    append(record, [coupon_entry("A", [Setting("note", evil), Setting(f"{evil.strip()} own", "x")])])
    export_csv(record, tmp_path / "x.csv")
    text = (tmp_path / "x.csv").read_text(encoding="utf-8-sig")
    for cell in next(iter(csv.reader(io.StringIO(text)))):
        assert not cell.lstrip().startswith(("=", "+", "-", "@", "＝"))
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            try:
                float(cell)
            except ValueError:
                assert not cell.lstrip().startswith(("=", "+", "-", "@", "＝")), cell
    export_xlsx(record, tmp_path / "x.xlsx")
    for sheet in openpyxl.load_workbook(tmp_path / "x.xlsx").worksheets:
        assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)


def test_characters_that_a_workbook_cannot_hold(record: Record, tmp_path: Path) -> None:
    append(record, [coupon_entry("A", [Setting("note", "bell \x07 and \ufffe"), Setting("long", "y" * 40_000)])])
    export_xlsx(record, tmp_path / "x.xlsx")
    rows = list(openpyxl.load_workbook(tmp_path / "x.xlsx")["welds"].iter_rows(values_only=True))
    assert "bell \ufffd and \ufffd" in rows[1]


def test_json(record: Record, result: dict[str, Any], tmp_path: Path) -> None:
    fill(record, result, 2)
    append(record, [coupon_entry("bare", [])])
    assert export_json(record, tmp_path / "all.json") == 3
    document = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert document["cautions"] == list(CAUTIONS)
    assert document["sections"][0]["result"] == result
    assert document["sections"][1]["coupon"]["settings"][4]["value"] == 171
    assert document["sections"][2]["section"] is None
    screen = io.StringIO()
    export_json(record, screen)
    assert json.loads(screen.getvalue()) == document


def test_a_place_that_cannot_be_written(record: Record, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for place in (tmp_path / "folder", tmp_path / "no" / "x.csv"):
        for write in (export_csv, export_xlsx, export_json):
            with pytest.raises(OutputError, match="cannot be written"):
                write(record, place)
    assert {p.name for p in tmp_path.iterdir()} <= {"folder", "bench.db", "bench.db-wal", "bench.db-shm"}


@pytest.mark.parametrize(
    ("conditions", "coupons"),
    [
        ([], ["T6-00", "T6-01", "T6-02", "hot"]),
        (["amps>=172"], ["T6-02", "hot"]),
        (["amps=171 A"], ["T6-01"]),
        (["amps!=171"], ["T6-00", "T6-02", "hot"]),
        (["wfs<300 in/min"], []),
        (["wire_feed_speed>9000 mm/min"], ["T6-00", "T6-01", "T6-02", "hot"]),
        (["wire_diameter=0.9mm", "amps<171"], ["T6-00"]),
        (["heat_input>0.5"], ["hot"]),
        (["operator=Lee"], ["hot"]),
        (["operator=KIM"], []),
        (["note~GRÖẞE"], ["hot"]),
        (["note~größe", "amps<250"], []),
        (["joint=tee", "mark~px"], ["T6-00", "T6-01", "T6-02", "hot"]),
        (["joint!=tee"], []),
        (["a=4mm"], ["hot"]),
        (["a<5/32in"], []),
        (["operator~IM"], ["T6-00", "T6-01", "T6-02"]),
        (["run=trial", "coupon=hot"], ["hot"]),
        (["leg_butting>4.9mm"], ["T6-00", "T6-01", "T6-02", "hot"]),
        (["leg_butting>0.2in"], []),
        (["dilution>1%"], ["T6-00", "T6-01", "T6-02", "hot"]),
        (["implied_travel_speed>1", "section=tee"], ["T6-00", "T6-01", "T6-02", "hot"]),
        (["flag=glare"], []),
        (["grade=accept"], []),
        (["technique=push"], []),
    ],
)
def test_filters(record: Record, result: dict[str, Any], conditions: list[str], coupons: list[str]) -> None:
    fill(record, result, 3)
    append(record, entries("hot", result, amps="250", operator="Lee", note="GRÖßE 5"))
    noted = [
        *settings({**NOTED, "amps": "250", "operator": "Lee", "note": "GRÖßE 5"}),
        Setting("a", "4", 4.0, unit="mm"),
    ]
    append(record, [coupon_entry("hot", noted, run="trial")], reason="throat noted")
    with reading(record.engine, record.name) as conn:
        found = [row.coupon for row in list_sections(conn, [parse_filter(c) for c in conditions])]
    assert found == coupons


@pytest.mark.parametrize(
    ("condition", "part"),
    [("amps", "not a condition"), ("amps>", "not a condition"), ("ampz>3", "did you mean amps"),
     ("amps~3", None), ("leg_butting=wide", "not a length"), ("amps>warm", "not a number"),
     ("leg_butting~3", "is a number"),
     ("dilution>x", "not a number for")],
)  # fmt: skip
def test_bad_filters(record: Record, result: dict[str, Any], condition: str, part: str | None) -> None:
    fill(record, result, 1)
    with reading(record.engine, record.name) as conn:
        if part is None:
            assert list(list_sections(conn, [parse_filter(condition)])) == []
            return
        with pytest.raises(InputError, match=part):
            list(list_sections(conn, [parse_filter(condition)]))


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
@pytest.mark.parametrize("write", [export_csv, export_json, export_xlsx])
def test_what_is_no_ordinary_file_is_never_replaced(record: Record, tmp_path: Path, write: Any) -> None:
    """Renaming the finished file over a device (/dev/null, as root) would do away with the device."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for target, part in ((pipe, "not an ordinary file"), (tmp_path, "a folder"), ("", "has no name")):
        with pytest.raises(OutputError, match=part):
            write(record, target)
    assert pipe.is_fifo()
    link = tmp_path / "link.csv"
    link.symlink_to(tmp_path / "real.csv")
    write(record, link)
    assert link.is_symlink()
    assert (tmp_path / "real.csv").stat().st_size
