"""The study commands on a record, as a user calls them."""

import json
from pathlib import Path

import pytest

from macrocheck.record.entries import coupon_entry
from macrocheck.record.store import append, open_record
from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.study.bench import Cut, cut_entry, put


def test_compare(trial: Path, run: Run) -> None:
    done = run("compare", trial, "--by", "wire size,gas", "--of", "root_penetration,leg_butting")
    assert (done.status, done.err) == (0, "")
    out = " ".join(done.out.split())
    assert "23 coupons compared by wire_diameter and gas" in out
    for label in ("0.9 mm, Ar 82 CO2 18", "0.9 mm, CO2", ".045 in, Ar 82 CO2 18", ".045 in, CO2"):
        assert label in out
    assert "Left out, gas not noted: T6-06 (1 coupon)" in out
    assert "with 95 % confidence, 90 % of such coupons have at least this much" in out
    assert "1 section without a value left out." in out
    assert "Within groups volts, amps and travel_speed vary too" in out
    assert all(c in out for c in CAUTIONS)


def test_compare_as_json(trial: Path, run: Run, tmp_path: Path) -> None:
    done = run("compare", trial, "--by", "gas", "--where", "amps>=170", "--confidence", "90", "--json", "-")
    found = json.loads(done.out)
    assert (done.status, found["confidence"], found["where"]) == (0, 0.9, ["amps>=170"])
    assert found["quantities"] == ["leg_butting", "depth_of_fusion_nonbutting", "root_penetration"]
    assert sum(g["n_coupons"] for g in found["groups"]) + len(found["left_out"]) == 16
    assert sum(g["not_measured"] for g in found["groups"]) == 1
    first = found["groups"][0]["summaries"][0]
    assert first["at_least"] == 4.0
    assert first["coupons"][0]["date"].startswith("2026-03-")
    run("compare", trial, "--by", "gas", "--json", tmp_path / "c.json")
    assert json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))["confidence"] == 0.95


def test_in_inches(trial: Path, run: Run) -> None:
    metric = json.loads(run("compare", trial, "--of", "leg_butting", "--json", "-").out)
    inches = json.loads(run("compare", trial, "--of", "leg_butting", "--unit", "in", "--json", "-").out)
    a, b = (found["groups"][0]["summaries"][0] for found in (metric, inches))
    assert (a["unit"], b["unit"]) == ("mm", "in")
    for key in ("mean", "sd", "at_least", "least"):
        assert b[key] * 25.4 == pytest.approx(a[key])
    assert b["tolerance"]["bound"] * 25.4 == pytest.approx(a["tolerance"]["bound"])
    assert b["tolerance"]["text"].count(" in ") == 1
    line = json.loads(run("relate", trial, "--x", "amps", "--y", "leg_butting", "--unit", "in", "--json", "-").out)
    assert (line["y_unit"], line["x"]) == ("in", [["amps", "A"]])


def test_compare_without_groups_says_the_bound(trial: Path, run: Run) -> None:
    out = " ".join(run("compare", trial, "--of", "depth_of_fusion_nonbutting", "--share", "95%").out.split())
    assert "With 95 % confidence, 95 % of such coupons have depth of fusion nonbutting of at least" in out


def test_relate(trial: Path, run: Run) -> None:
    done = run(
        "relate", trial, "--x", "current", "--y", "depth of fusion nonbutting", "--where", "gas=CO2",
        "--at", "amps=190", "--at", "amps=300", "--at", "amps=190 A,volts=22,travel speed=40 cm/min",
    )  # fmt: skip
    assert (done.status, done.err) == (0, "")
    out = " ".join(done.out.split())
    assert "against amps (A), 12 coupons, where gas=CO2" in out
    assert "amps 300 lies beyond the coupons' 150 to 210: nothing measured stands behind this." in out
    assert "at amps 190, volts 22, travel_speed 400:" in out
    assert "× (amps⁴ / (travel_speed × volts²))^⅓" in out
    assert "No prediction: --at does not say volts and travel_speed." in out


def test_relate_says_which_setting_explains_what(trial: Path, run: Run) -> None:
    done = run("relate", trial, "--x", "amps,gas,travel_speed", "--y", "depth_of_fusion_nonbutting", "--json", "-")
    found = json.loads(done.out)
    explained = {e["setting"]: e for e in found["explained"]}
    assert explained["gas"]["partial_r2"] > 0.5
    assert explained["amps"]["p"] < 0.01
    assert explained["amps"]["slope"] > 0
    assert found["left_out"] == [["T6-06", "gas not noted"]]
    assert {f["form"] for f in found["fits"]} == {"straight", "power", "arc"}


@pytest.fixture
def gauge(tmp_path: Path) -> Path:
    record = open_record(tmp_path / "gauge.db", make=True)
    for p in range(4):
        append(record, [coupon_entry(f"G{p}", [])], who="Kim")
    for trial in range(2):
        for k, who in enumerate(("Kim", "Lee", "Ana")):
            cuts = [
                Cut(
                    {"size": 5 + p + 0.05 * k + 0.02 * ((p + k + trial) % 3)},
                    made_by="corrected by hand",
                    photo=f"G{p}",
                )
                for p in range(4)
            ]
            append(record, [cut_entry(f"G{p}", "S", c, "again") for p, c in enumerate(cuts)], who=who)
    record.close()
    return tmp_path / "gauge.db"


def test_repeat(gauge: Path, run: Run) -> None:
    done = run("repeat", gauge)
    assert (done.status, done.err) == (0, "")
    out = " ".join(done.out.split())
    assert "24 readings, 4 coupons, 4 sections, 4 photos, by Ana, Kim and Lee" in out
    assert "(by analysis of variance)" in out
    assert "distinct categories: good for telling these parts apart" in out
    found = json.loads(run("repeat", gauge, "--of", "size", "--json", "-").out)
    assert found["studies"][0]["people"] == ["Ana", "Kim", "Lee"]
    assert found["studies"][0]["percent_gauge"] < 10


def test_repeat_where_nothing_was_repeated(trial: Path, run: Run) -> None:
    done = run("repeat", trial, "--of", "leg_butting")
    out = " ".join(done.out.split())
    assert done.status == 0
    assert "How far the measuring agrees with itself cannot be told from these readings." in out
    one = run("repeat", trial, "--of", "leg_butting", "--where", "coupon=T6-01", "--people-only")
    assert one.status == 2
    assert "was measured more than once; have two or three people measure" in one.err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("compare", "RECORD", "--by", "wire_diamter"), "did you mean wire_diameter"),
        (("compare", "RECORD", "--by", "preheat"), "is not a setting on this record; noted are amps,"),
        (("compare", "RECORD", "--by", "polarity"), "No coupon on this record has polarity noted"),
        (("compare", "RECORD", "--by", "leg_butting"), "'leg_butting' is measured, it is no setting"),
        (("compare", "RECORD", "--by", "gas:5"), "no number; leave the step off"),
        (("compare", "RECORD", "--of", "leg_buting"), "did you mean leg_butting"),
        (("compare", "RECORD", "--of", "size_unequal"), "is a list of numbers"),
        (("compare", "RECORD", "--of", "dilution"), "was not measured on any section"),
        (("compare", "RECORD", "--where", "amps>900"), "No coupon is left to compare"),
        (("compare", "RECORD", "--confidence", "most"), "--confidence is a percentage from 50"),
        (("compare", "RECORD", "--share", "100%"), "--share is a percentage from 50"),
        (("compare", "RECORD", "--joint", "tee"), "--joint is for photos"),
        (("compare", "RECORD", "--mark", "bar:5mm"), "name two or more of them; a record needs none"),
        (("compare", "RECORD", "RECORD"), "State the mark in the photos"),
        (("compare", "NONE.db"), "There is no record"),
        (("relate", "RECORD", "--x", "gas", "--y", "leg_butting"), "use macrocheck compare --by gas"),
        (("relate", "RECORD", "--x", "run", "--y", "leg_butting"), "use macrocheck compare --by run"),
        (("relate", "RECORD", "--x", ",", "--y", "leg_butting"), "--x names at least one setting"),
        (("relate", "RECORD", "--x", "amps", "--y", "amps"), "is not a quantity that is measured"),
        (("relate", "RECORD", "--x", "amps", "--y", "leg_butting", "--at", "190"), "write SETTING=VALUE"),
        (("relate", "RECORD", "--x", "amps", "--y", "leg_butting", "--at", "amps=hot"), "is not a number"),
        (
            ("relate", "RECORD", "--x", "amps", "--y", "leg_butting", "--where", "coupon=T6-01"),
            "needs 3 coupons at the least",
        ),
        (("repeat", "RECORD", "--photos-after", ""), "--photos-after needs the text"),
        (("repeat", "RECORD", "--of", "size"), "was not measured on any section"),
    ],
)
def test_what_cannot_be_done_ends_in_a_sentence(
    trial: Path, run: Run, arguments: tuple[str, ...], sentence: str
) -> None:
    done = run(*(trial if a == "RECORD" else a for a in arguments))
    assert done.status == 2
    assert done.out == ""
    assert sentence in " ".join(done.err.split())


def test_an_empty_record(tmp_path: Path, run: Run) -> None:
    open_record(tmp_path / "empty.db", make=True).close()
    for command in (("compare",), ("repeat",), ("relate", "--x", "amps", "--y", "size")):
        done = run(command[0], tmp_path / "empty.db", *command[1:])
        assert done.status == 2
        assert done.err.count("\n") == 1


def test_a_coupon_with_a_hostile_name(tmp_path: Path, run: Run) -> None:
    record = open_record(tmp_path / "odd.db", make=True)
    for i in range(3):
        name = f"<b>\u202e{i}[red]"
        append(record, [coupon_entry(name, []), cut_entry(name, "S", Cut({"size": 5.0 + i}))])
    record.close()
    done = run("compare", tmp_path / "odd.db")
    assert done.status == 0
    assert "\u202e" not in done.out
    assert "[red]" in done.out


def test_a_setting_that_never_changes_gives_no_relation(tmp_path: Path, run: Run) -> None:
    record = open_record(tmp_path / "same.db", make=True)
    for i in range(4):
        put(record, f"C{i}", {"amps": "180"}, [Cut({"size": 5.0 + i})])
    record.close()
    done = run("relate", tmp_path / "same.db", "--x", "amps", "--y", "size")
    assert (done.status, done.out) == (2, "")
    assert "No relation of size to amps could be fitted" in " ".join(done.err.split())
    assert "amps never changes" in done.err


def test_a_record_without_settings_and_without_values(tmp_path: Path, run: Run) -> None:
    record = open_record(tmp_path / "bare.db", make=True)
    for i in range(4):
        put(record, f"C{i}", {}, [Cut({"size": None}, at_least={"size": 4.0})])
    record.close()
    done = run("compare", tmp_path / "bare.db", "--by", "gas")
    assert done.status == 2
    assert "No coupon on this record has gas noted; it has no settings at all." in " ".join(done.err.split())
    done = run("compare", tmp_path / "bare.db", "--of", "size")
    said = " ".join(done.out.split())
    assert done.status == 0
    assert "0 of 4 coupons accepted, 4 undecided" in said
    assert "No coupon has a value of it" in said
    done = run("relate", tmp_path / "bare.db", "--x", "amps", "--y", "size")
    assert done.status == 2
    done = run("plot", tmp_path / "bare.db", "strip", "--of", "size", "--to", tmp_path / "s.png")
    assert done.status == 2
    assert "has a value of size" in done.err


def test_what_all_groups_are_told_is_said_once(tmp_path: Path, run: Run) -> None:
    record = open_record(tmp_path / "two.db", make=True)
    for i in range(6):
        put(record, f"C{i}", {"gas": "CO2" if i % 2 else "Ar"}, [Cut({"size": 5.0 + 0.1 * i})])
    record.close()
    out = " ".join(run("compare", tmp_path / "two.db", "--by", "gas").out.split())
    assert out.count("3 coupons tell the scatter poorly") == 1
    assert "Each group: 3 coupons tell" in out


def test_numbers_too_large_for_digits(tmp_path: Path, run: Run) -> None:
    record = open_record(tmp_path / "far.db", make=True)
    for i, value in enumerate((0.5, 0.8, 0.9)):
        put(record, f"C{i}", {"amps": str(180 + 10 * i)}, [Cut({"size": value})])
    record.close()
    done = run("relate", tmp_path / "far.db", "--x", "amps", "--y", "size", "--at", "amps=5000", "--form", "power")
    assert done.status == 0
    assert "e+" in done.out
    assert all(len(word) < 20 for word in done.out.split() if word[0].isdigit())
    assert "nothing measured stands behind this" in " ".join(done.out.split())
