"""`macrocheck measure` on a hand-made tee with 5 mm legs: table, JSON, files, exit status."""

import json
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from PIL import Image

from macrocheck.quantities import QUANTITIES
from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.cli.coupon import LEG, MARK, outline, write_outline, write_photo

Coupon = tuple[object, ...]


def limits(tmp_path: Path, *rows: str) -> Path:
    text = "".join(f'[[limit]]\nname = "legs"\nquantity = "leg_butting"\n{row}\n' for row in rows)
    file = tmp_path / "limits.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_table(run: Run, coupon: Coupon) -> None:
    ran = run("measure", *coupon)
    assert ran.status == 0
    assert ran.err == ""
    for kind in QUANTITIES:
        if kind.fillet:
            assert kind.name in ran.out
    legs = [line for line in ran.out.splitlines() if line.startswith("Leg, ")]
    assert len(legs) == 2
    for line in legs:
        words = line.split()
        # 250 px at 0.02 mm: 5 mm, anyone can check
        assert float(words[2]) == pytest.approx(5.0, abs=0.03)
        assert words[4] == "mm"
    assert "Scale: 0.02000 mm per px" in ran.out
    for caution in CAUTIONS:
        assert f"Caution: {caution}" in ran.out
    rows = [line for line in ran.out.splitlines() if line.startswith(("Leg, ", "Convexity", "Face width"))]
    columns = {f"{line} ".index(" mm ") for line in rows}
    assert len(columns) == 1  # aligned


def test_inches(run: Run, coupon: Coupon) -> None:
    ran = run("measure", *coupon, "--unit", "in")
    line = next(line for line in ran.out.splitlines() if line.startswith("Leg, butting"))
    assert float(line.split()[2]) == pytest.approx(5.0 / 25.4, abs=0.0015)
    assert line.split()[4] == "in"


def test_json_on_standard_output_and_nothing_else(
    run: Run, coupon: Coupon, result_schema: Draft202012Validator
) -> None:
    ran = run("measure", *coupon, "--json", "-")
    document = json.loads(ran.out)
    result_schema.validate(document)
    assert ran.err == ""
    weld = document["welds"][0]
    assert weld["joint_root_px"] == pytest.approx([300.0, 400.0])
    assert weld["quantities"]["leg_butting"]["value"] == pytest.approx(LEG * 0.02, abs=0.02)
    assert set(weld["quantities"]) == {k.key for k in QUANTITIES if k.fillet}
    assert document["photo"]["width"] == 800
    assert document["grade"] is None
    assert document["cautions"] == list(CAUTIONS)


@pytest.mark.parametrize(
    ("row", "status", "word"),
    [
        ('at_least = "4mm"', 0, "accept"),
        ('at_least = "6mm"', 1, "reject"),
        ('at_least = "5mm"', 3, "undecided"),
        ('at_least = "z"', 3, "undecided"),
    ],
)
def test_exit_status_is_the_grade(
    run: Run, coupon: Coupon, tmp_path: Path, row: str, status: int, word: str
) -> None:
    ran = run("measure", *coupon, "--limits", limits(tmp_path, row))
    assert ran.status == status
    assert f"Grade: {word} (limits limits)" in ran.out
    assert "Guard band w = 1 x U95" in ran.out


def test_given_and_guard(run: Run, coupon: Coupon, tmp_path: Path) -> None:
    file = limits(tmp_path, 'at_least = "z"')
    assert run("measure", *coupon, "--limits", file, "--given", "z=4mm").status == 0
    assert run("measure", *coupon, "--limits", file, "--given", "z=1/4in").status == 1
    simple = run("measure", *coupon, "--limits", file, "--given", "z=4.99mm", "--guard", "0")
    assert simple.status == 0
    assert "Simple acceptance, no guard band" in simple.out


def test_shipped_set_tells_to_check_it(run: Run, coupon: Coupon) -> None:
    ran = run("measure", *coupon, "--limits", "iso5817-fillet-b", "--given", "t=8mm", "--given", "a=3mm")
    assert "[from memory]" in ran.out
    assert "Check every row against your own copy" in ran.out
    assert "macrocheck limits show iso5817-fillet-b" in ran.out
    assert ran.status in (0, 1, 3)


def test_the_worst_of_several_photos_counts(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, result_schema: Draft202012Validator
) -> None:
    monkeypatch.setattr("macrocheck.segment.find_outline", lambda *_, **__: outline(), raising=False)
    good = write_photo(tmp_path / "a.png")
    bad = tmp_path / "b.png"
    bad.write_bytes(b"no picture")
    also = write_photo(tmp_path / "c.jpg")
    file = limits(tmp_path, 'at_least = "4mm"')
    out = tmp_path / "out"
    ran = run("measure", good, bad, also, "--mark", MARK, "--limits", file, "--json", "-", "--out", out)
    assert ran.status == 2
    documents = json.loads(ran.out)
    either = {**json.loads(json.dumps(result_schema.schema)), "$ref": "#/$defs/document"}
    for document in documents:
        Draft202012Validator(either).validate(document)
    assert [d["photo"]["path"] for d in documents] == [str(good), str(bad), str(also)]
    assert [d.get("grade") for d in documents] == ["accept", None, "accept"]
    assert str(bad) in documents[1]["error"]
    assert str(bad) in ran.err
    kinds = ("outline.geojson", "overlay.png", "result.json")
    assert sorted(p.name for p in out.iterdir()) == [f"{stem}.{kind}" for stem in "ac" for kind in kinds]
    rejected = limits(tmp_path, 'at_least = "6mm"')
    assert run("measure", good, also, "--mark", MARK, "--limits", rejected).status == 1


def test_files(run: Run, coupon: Coupon, tmp_path: Path, result_schema: Draft202012Validator) -> None:
    out = tmp_path / "deep" / "out"
    ran = run("measure", *coupon, "--out", out, "--json", tmp_path / "all.json")
    assert ran.status == 0
    with Image.open(out / "tee.overlay.png") as overlay:
        assert overlay.mode == "RGB"
        assert np.asarray(overlay).std() > 10
    document = json.loads((out / "tee.result.json").read_text(encoding="utf-8"))
    result_schema.validate(document)
    assert document == json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert str(out / "tee.overlay.png") in ran.out
    # What was written measures the same when it is handed back.
    again = run("measure", coupon[0], "--mark", MARK, "--outline", out / "tee.outline.geojson", "--json", "-")
    assert json.loads(again.out)["welds"][0]["quantities"] == document["welds"][0]["quantities"]


def test_a_corrected_outline_is_not_written_over(run: Run, tmp_path: Path) -> None:
    photo = write_photo(tmp_path / "tee.png")
    drawn = write_outline(tmp_path / "tee.outline.geojson", 240.0)
    before = drawn.read_bytes()
    assert run("measure", photo, "--mark", MARK, "--outline", drawn, "--out", tmp_path).status == 0
    assert drawn.read_bytes() == before
    assert (tmp_path / "tee.result.json").exists()


def test_names_do_not_clash(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.segment.find_outline", lambda *_, **__: outline(), raising=False)
    photos = [
        write_photo(tmp_path / d / n) for d, n in [("x", "w.png"), ("y", "w.png"), ("y", "W.jpg"), ("x", "w-2.png")]
    ]
    assert run("measure", *photos, "--mark", MARK, "--out", tmp_path / "out").status == 0
    for photo, stem in zip(photos, ["w", "w-3", "W-4", "w-2"], strict=True):
        document = json.loads((tmp_path / "out" / f"{stem}.result.json").read_text(encoding="utf-8"))
        assert document["photo"]["path"] == str(photo)


def test_fusion_threshold(run: Run, coupon: Coupon) -> None:
    def unfused(*more: str) -> dict[str, float]:
        document = json.loads(run("measure", *coupon, "--json", "-", *more).out)
        assert isinstance(document, dict)
        return {
            "length": document["welds"][0]["quantities"]["unfused_butting"]["value"],
            "setting": document["welds"][0]["settings"]["fusion_threshold_mm"],
        }

    usual, deep = unfused(), unfused("--fusion-threshold", "1/16in")
    assert usual["setting"] == 0.1
    assert deep["setting"] == pytest.approx(1.5875)
    assert usual["length"] < 1.0
    assert deep["length"] == pytest.approx(5.0, abs=0.05)  # fused 1 mm deep: all of it is under 1/16 in
    assert (
        "unfused means a depth of fusion under 1.59 mm"
        in run("measure", *coupon, "--fusion-threshold", "1/16in").out
    )


def test_on_a_terminal(run: Run, coupon: Coupon, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.cli.measure.on_terminal", lambda: True)
    ran = run("measure", *coupon, "--limits", limits(tmp_path, 'at_least = "6mm"'))
    assert ran.status == 1
    assert "─" in ran.out
    assert "Leg, butting" in ran.out
    assert "Grade: reject" in ran.out
