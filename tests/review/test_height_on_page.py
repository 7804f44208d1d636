"""A mark that is not level with the section: chosen on the page, and carried wherever the result goes."""

import json
from pathlib import Path
from typing import Any

import pytest

from macrocheck.pipeline import measure_photo
from macrocheck.record.engine import reading
from macrocheck.record.query import body_of, list_sections
from macrocheck.review.sources import opened as open_record
from tests.review.conftest import MARK, PHOTO, WINDOW, Page, opened

HEIGHT = {"mark_offset": "-3mm", "camera_distance": "300mm"}
FACTOR = 300 / 303
"""What lies 3 mm behind the section is drawn smaller: D / (D - h), pinhole camera."""


def _legs(state: dict[str, Any]) -> float:
    value: float = next(q["value"] for q in state["welds"][0]["quantities"] if q["key"] == "leg_butting")
    return value


def test_the_page_is_told_of_what_a_height_can_be_said(page: Page) -> None:
    laid = {m["name"]: m["laid"] for m in page.get("/api/options")["marks"]}
    assert laid["ruler"]
    assert laid["points"]
    assert not laid["bar"]
    assert not laid["px"]


def test_a_height_goes_into_result_journal_and_record_and_comes_back(tmp_path: Path) -> None:
    keep = tmp_path / "keep"
    for page in opened(keep, PHOTO, marks=[MARK], joint="tee"):
        level = page.photo()
        refused = page.edit(level, {"kind": "settings", "settings": {"mark_offset": "5mm"}}, status=422)
        assert refused["text"].endswith("fill in both.")
        state = page.edit(level, {"kind": "settings", "settings": HEIGHT})
        assert state["undo_text"] == "Chosen: height of the mark, distance of the camera"
        assert state["scale"]["mm_per_px"] == pytest.approx(level["scale"]["mm_per_px"] * FACTOR)
        assert _legs(state) == pytest.approx(_legs(level) * FACTOR, rel=1e-3)
        assert any(f["code"] == "scale_off_plane" for f in state["flags"])
        elsewhere = measure_photo(PHOTO, mark=MARK, joint="tee", mark_offset="-3mm", camera_distance="300mm")
        assert _legs(state) == elsewhere.measurements[0].quantities["leg_butting"].value
        body: dict[str, Any] = {"revision": state["revision"], "window": WINDOW}
        page.post(f"/api/photos/{state['id']}/save", body)
        page.post(f"/api/photos/{state['id']}/attach", {**body, "new_record": "shop", "coupon": "K7"})
    for page in opened(keep):  # by its journal
        again = page.photo()
        assert {k: again["settings"][k] for k in HEIGHT} == HEIGHT
        assert _legs(again) == _legs(state)
    saved = keep / "results" / "T6-07-cold-lap-butting.result.json"
    scale = json.loads(saved.read_text(encoding="utf-8"))["scale"]
    assert (scale["marks"], scale["mark_offset_mm"], scale["camera_distance_mm"]) == ([MARK], -3.0, 300.0)
    record = keep / "records" / "shop.db"
    with open_record(str(record)) as there, reading(there.engine, there.name) as conn:
        (row,) = [r for r in list_sections(conn) if r.section_seq is not None]
        entry = body_of(conn, row.section_seq or 0)
    assert (entry["mark_offset_mm"], entry["camera_distance_mm"]) == (-3.0, 300.0)
    for number, name in enumerate((saved, record)):  # from the file, and from the record
        for page in opened(tmp_path / f"other{number}", name):
            found = page.photo()
            assert _legs(found) == _legs(state)
            assert found["settings"]["marks"] == [MARK]
            assert found["settings"]["mark_offset"] == "-3.0mm"
            flat = page.edit(found, {"kind": "settings", "settings": {"mark_offset": None}})
            assert _legs(flat) == pytest.approx(_legs(level), rel=1e-3)


def test_a_section_without_a_height_is_recorded_as_it_always_was(page: Page) -> None:
    state = page.photo()
    body = {"revision": state["revision"], "window": WINDOW, "new_record": "flat", "coupon": "K8"}
    page.post(f"/api/photos/{state['id']}/attach", body)
    with open_record(str(page.desk.keep.records / "flat.db")) as there, reading(there.engine, there.name) as conn:
        entry = body_of(conn, next(r.section_seq for r in list_sections(conn) if r.section_seq is not None))
    assert "mark_offset_mm" not in entry
    assert "camera_distance_mm" not in entry
