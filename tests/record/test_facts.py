"""All that stands about every weld, and corrected results as new revisions."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from macrocheck.errors import InputError
from macrocheck.pipeline import measure_photo
from macrocheck.record.attach import attach, from_result, revise
from macrocheck.record.engine import reading
from macrocheck.record.entries import PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.facts import WeldFacts, weld_facts
from macrocheck.record.query import body_of, document_bytes, parse_filter
from macrocheck.record.store import Record, append
from macrocheck.record.verify import verify
from macrocheck.results import Result
from tests.cli.coupon import MARK, outline
from tests.record.fill import fill, settings


def facts(record: Record, *filters: str) -> list[WeldFacts]:
    with reading(record.engine, record.name) as conn:
        return list(weld_facts(conn, [parse_filter(f) for f in filters]))


@pytest.fixture(scope="module")
def measured(photo: Path) -> Result:
    return measure_photo(photo, mark=MARK, outline=outline(), limits="iso5817-fillet-b", given={"t": 6.0, "a": 3.0})


def test_settings_and_quantities_together(record: Record, result: dict[str, Any]) -> None:
    fill(record, result, 3)
    append(record, [coupon_entry("bare", settings({"operator": "Lee"}))])
    found = facts(record)
    assert [(f.listed.coupon, f.weld, f.joint) for f in found] == [
        ("T6-00", 1, "tee"),
        ("T6-01", 1, "tee"),
        ("T6-02", 1, "tee"),
        ("bare", None, None),
    ]
    one = found[1]
    assert one.settings["amps"].value == 171
    assert one.settings["heat_input"].origin == "derived"
    assert one.settings["thermal_efficiency"].origin == "assumed"
    for key, q in result["welds"][0]["quantities"].items():
        kept = one.quantities[key]
        single = not isinstance(q["value"], list)
        assert (kept.value, kept.U95, kept.unit) == (
            q["value"] if single else None,
            q["U95"] if single else None,
            q["unit"],
        )
    assert one.quantities["fill_area_ratio"].value is not None
    assert one.verdicts == tuple((v["limit"], v["quantity"], v["word"]) for v in result["welds"][0]["verdicts"])
    assert (one.revision.seq, one.revision.number) == (4, 1)
    assert found[3].settings["operator"].text == "Lee"
    assert [f.listed.coupon for f in facts(record, "amps>171")] == ["T6-02"]


def test_a_corrected_result_is_the_next_revision(record: Record, measured: Result, photo: Path) -> None:
    inputs = SectionInputs((MARK,), "tee", (), {"t": 6.0, "a": 3.0}, None, 0.1)
    attach(record, "A", [from_result(measured, "tee", inputs, photo=photo, limits="# as they stood")])
    corrected = measure_photo(photo, mark=MARK, outline=outline(240.0))
    with pytest.raises(InputError, match="a correction needs a reason"):
        revise(record, "A", "tee", corrected, reason=" ")
    written = revise(record, "A", "tee", corrected, reason="toe moved to where the metal ends", who="Lee")
    assert (written.number, written.new) == (2, True)
    again = revise(record, "A", "tee", corrected, reason="the same")
    assert (again.seq, again.new) == (written.seq, False)
    with reading(record.engine, record.name) as conn:
        (before, after) = (body_of(conn, seq) for seq in (2, written.seq))
        assert document_bytes(conn, after["outline"]) != document_bytes(conn, before["outline"])
    for key in ("photo", "marks", "joint", "given_mm", "fusion_threshold_mm", "limits"):
        assert after[key] == before[key]
    assert after["photo"]["kept"] == "beside"
    (now,) = facts(record)
    assert (now.revision.number, now.revision.who) == (2, "Lee")
    assert now.quantities["leg_butting"].value == pytest.approx(4.8, abs=0.05)
    assert verify(record).faults == ()


def test_a_section_that_failed_is_put_right(record: Record, measured: Result) -> None:
    failed = PhotoKept(measured.photo.sha256, "tee.png")
    inputs = SectionInputs((MARK,))
    failure = section_entry("A", "tee", photo=failed, inputs=inputs, failure="no weld", inputs_digest="1" * 64)
    append(record, [coupon_entry("A", settings()), failure])
    assert facts(record)[0].weld is None
    revise(record, "A", "tee", measured, reason="drawn by hand")
    (now,) = facts(record)
    assert (now.listed.failure, now.weld) == (None, 1)
    with reading(record.engine, record.name) as conn:
        body = body_of(conn, now.revision.seq)
    assert body["photo"]["kept"] == "beside"
    assert (body["failure"], body["inputs"]) == (None, "1" * 64)
    found = verify(record)
    assert (found.faults, found.photos_checked) == ((), 1)


def test_what_cannot_be_revised(record: Record, measured: Result, photo: Path) -> None:
    attach(record, "A", [from_result(measured, "tee", SectionInputs((MARK,)), photo=photo, limits=None)])
    with pytest.raises(InputError, match="no section lap of coupon A"):
        revise(record, "A", "lap", measured, reason="x")
    with pytest.raises(InputError, match="no section tee of coupon B"):
        revise(record, "B", "tee", measured, reason="x")
    other = replace(measured, photo=replace(measured.photo, sha256="0" * 64))
    with pytest.raises(InputError, match="shows another photograph"):
        revise(record, "A", "tee", other, reason="x")
