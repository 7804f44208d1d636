"""The gauge study against published examples, and what it makes of a record."""

import math
from pathlib import Path

import numpy as np
import pytest

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.record.engine import reading
from macrocheck.record.entries import coupon_entry
from macrocheck.record.store import Record, append, open_record
from macrocheck.study.gather_readings import readings_of
from macrocheck.study.gauge import GaugeStudy, Reading
from macrocheck.study.nested import spread_of
from macrocheck.study.repeat import repeatability, study
from macrocheck.study.values import CouponValue, SectionValue
from tests.study.bench import Cut, cut_entry
from tests.study.published import DYESTUFF, MSA, PASTES


def msa() -> list[Reading]:
    return [
        Reading(f"P{part}", "S", f"photo {part}", "ABC"[person], float(MSA[person, part, trial]), 0.2)
        for trial in range(3)
        for person in range(3)
        for part in range(10)
    ]


def sd(found: GaugeStudy, source: str) -> float:
    return next(c.sd for c in found.components if c.source == source)


def test_the_manuals_example() -> None:
    # Measurement Systems Analysis manual, 4th edition, by analysis of variance: %GRR 27.9, ndc 4.86 cut to 4,
    # interaction p .974 (read in two public reproductions); squares and components computed from the data
    found = study("size", msa())
    assert (found.balanced, found.method, found.pooled) == (True, "analysis of variance", True)
    rows = {r.name: r for r in found.anova}
    assert rows["parts"].sum_squares == pytest.approx(88.3619, abs=5e-5)
    assert rows["people"].sum_squares == pytest.approx(3.16726, abs=5e-6)
    assert rows["people by part"].sum_squares == pytest.approx(0.358982, abs=5e-7)
    assert rows["people by part"].p == pytest.approx(0.974, abs=5e-4)
    assert rows["repeats"].sum_squares == pytest.approx(2.75893, abs=5e-6)
    assert found.repeatability == pytest.approx(0.199933, abs=5e-7)
    assert found.reproducibility == pytest.approx(0.226838, abs=5e-7)
    assert found.gauge == pytest.approx(0.302372, abs=1e-6)  # the root of the squares of the two above
    assert found.parts == pytest.approx(1.042327, abs=1e-6)
    assert found.total == pytest.approx(1.0853, abs=5e-5)
    assert found.percent_gauge == pytest.approx(27.86, abs=5e-3)
    assert sum(c.percent_variance for c in found.components if c.of_measuring) == pytest.approx(7.76, abs=5e-3)
    assert found.categories == 4
    assert "usable with care" in found.text


def test_likelihood_agrees_with_the_table_where_both_hold() -> None:
    readings = [*msa(), Reading("P0", "S", "photo 0", "A", 0.44, 0.2)]  # one more: no longer balanced
    table, likelihood = study("size", msa()), study("size", readings)
    assert likelihood.method == "restricted maximum likelihood"
    assert likelihood.repeatability == pytest.approx(table.repeatability, rel=0.02)
    assert likelihood.reproducibility == pytest.approx(table.reproducibility, rel=0.02)
    assert likelihood.parts == pytest.approx(table.parts, rel=0.02)


def test_in_inches() -> None:
    metric, inches = study("size", msa()), study("size", msa(), lengths="in")
    assert inches.unit == "in"
    assert inches.gauge is not None
    assert inches.gauge * 25.4 == pytest.approx(metric.gauge)
    assert inches.percent_gauge == pytest.approx(metric.percent_gauge)


def test_dyestuff() -> None:
    # restricted likelihood: batch variance 1764.05, residual 2451.25 (read in a public test of another program);
    # balanced, so the analysis of variance gives the same
    readings = [Reading(f"B{i}", "S", f"B{i}", "K", float(v)) for i, row in enumerate(DYESTUFF) for v in row]
    found = study("size", readings)
    assert found.method == "analysis of variance"
    assert sd(found, "coupon") ** 2 == pytest.approx(1764.05, abs=5e-3)
    assert sd(found, "repeat") ** 2 == pytest.approx(2451.25, abs=5e-3)
    # the same as sections of coupons, by the nested analysis that comparisons use
    coupons = [
        CouponValue(
            f"B{i}", float(row.mean()), None, tuple(SectionValue(str(k), 1, float(v)) for k, v in enumerate(row))
        )
        for i, row in enumerate(DYESTUFF)
    ]
    spread = spread_of(coupons)
    assert spread is not None
    assert spread.coupon == pytest.approx(math.sqrt(1764.05), rel=1e-6)
    assert spread.section == pytest.approx(math.sqrt(2451.25), rel=1e-6)
    assert spread.measurement is None


def test_pastes() -> None:
    # Bates et al. (2015): strength ~ 1 + (1 | batch/cask): sds 1.2874 batch, 2.9041 cask in batch, 0.8234 residual
    # (memory)
    readings = [
        Reading(f"B{b}", f"C{c}", f"{b}{c}", "K", float(v))
        for b in range(10)
        for c in range(3)
        for v in PASTES[b, c]
    ]
    found = study("size", readings)
    assert sd(found, "coupon") == pytest.approx(1.2874, abs=2e-3)
    assert sd(found, "section") == pytest.approx(2.9041, abs=1e-3)
    assert sd(found, "repeat") == pytest.approx(0.8234, abs=1e-3)
    assert not found.balanced


def test_no_variance_comes_out_under_zero() -> None:
    rng = np.random.default_rng(2)
    readings = [
        Reading(f"P{p}", "S", f"P{p}", who, float(rng.normal(5, 0.1)))
        for p in range(6)
        for who in "AB"
        for _ in range(2)
    ]
    for kept in (readings, readings[:-1]):
        found = study("size", kept)
        assert all(c.variance >= 0 for c in found.components)
        assert found.percent_gauge is not None
        assert found.percent_gauge > 50


def test_unbalanced_readings_with_everything_in_them() -> None:
    """Known truth: coupons, sections, photos, people, repeats; what comes out lies near what went in."""
    rng = np.random.default_rng(6)
    people = dict(zip("ABCDEFGH", rng.normal(0, 0.3, 8), strict=True))
    readings = []
    for c in range(60):
        coupon = rng.normal(0, 1.0)
        for s in range(2):
            section = coupon + rng.normal(0, 0.5)
            for f in range(1 + (c + s) % 2):
                photo = section + rng.normal(0, 0.4)
                for k in range(2 + c % 3):
                    who = "ABCDEFGH"[(c + 3 * s + 5 * f + k // 2) % 8]
                    value = 5 + photo + people[who] + rng.normal(0, 0.2)
                    readings.append(Reading(f"c{c}", f"s{s}", f"f{f}", who, value))
    found = study("size", readings)
    drawn = float(np.std(list(people.values()), ddof=1))
    for source, truth in (("coupon", 1.0), ("section", 0.5), ("photo", 0.4), ("person", drawn), ("repeat", 0.2)):
        assert sd(found, source) == pytest.approx(truth, rel=0.25), source
    repeat = next(c for c in found.components if c.source == "repeat")
    assert repeat.interval is not None
    assert repeat.interval.holds(0.2)
    assert repeat.interval.low is not None
    assert repeat.interval.low > 0.17


def test_what_cannot_be_told_apart_is_said() -> None:
    # every person photographed once: photo and person by section are one
    readings = [
        Reading(f"c{c}", "S", f"{c}{who}", who, 5 + 0.3 * c + (who == "B") * 0.1 + 0.01 * ((c * 7) % 3))
        for c in range(5)
        for who in "AB"
    ]
    found = study("size", readings)
    repeat = next(c for c in found.components if c.source == "repeat")
    assert set(repeat.also) >= {"photo", "person by section"}
    assert any("Two people" in note for note in found.notes)


def test_only_sections_and_no_second_reading() -> None:
    rng = np.random.default_rng(4)
    readings = [
        Reading(f"c{c}", f"S{s}", f"{c}{s}", "macrocheck 1", float(c + rng.normal(0, 0.1)))
        for c in range(6)
        for s in range(2)
    ]
    found = study("size", readings)
    assert (found.gauge, found.percent_gauge, found.categories) == (None, None, None)
    assert not any(c.of_measuring for c in found.components)
    assert "cannot be told" in found.text
    assert any("three times" in note for note in found.notes)


def test_nothing_measured_twice() -> None:
    once = [Reading(f"c{c}", "S", str(c), "K", float(c)) for c in range(4)]
    with pytest.raises(InputError, match="was measured more than once; have two or three people"):
        repeatability([("size", once)], record="bench.db")


def test_readings_that_agree_to_the_last_digit() -> None:
    readings = [
        Reading(f"c{c}", "S", str(c), who, value)
        for c, value in enumerate((3.9 + 1e-16, 5.3, 4.7 / 3))
        for who in "AB"
        for _ in range(2)
    ]
    for kept in (readings, readings[1:]):
        found = study("size", kept)
        assert (found.percent_gauge, found.categories) == (0.0, None)
        assert "gave the same number" in found.text


def test_readings_all_alike() -> None:
    same = [Reading(f"c{c}", "S", str(c), who, 5.0) for c in range(4) for who in "AB" for _ in range(2)]
    for kept in (same, same[1:]):
        found = study("size", kept)
        assert all(c.variance == 0 for c in found.components)
        assert found.percent_gauge is None


@pytest.fixture
def record(tmp_path: Path) -> Record:
    return open_record(tmp_path / "gauge.db", make=True)


def put_twice(record: Record) -> None:
    for c in range(3):
        append(record, [coupon_entry(f"G{c}", [])], who="Kim")
        append(record, [cut_entry(f"G{c}", "S", Cut({"size": 5.0 + c}, photo=f"G{c}"))], who="Kim")
        for who, value in (("Kim", 5.1 + c), ("Lee", 5.2 + c), ("Lee", 5.25 + c)):
            cut = Cut({"size": value}, made_by="corrected by hand", photo=f"G{c}")
            append(record, [cut_entry(f"G{c}", "S", cut, reason="outline corrected")], who=who)


def test_every_revision_is_a_reading_by_who_drew_it(record: Record) -> None:
    put_twice(record)
    with reading(record.engine, record.name) as conn:
        (_, every), (_, people) = (
            *readings_of(conn, ["size"]),
            *readings_of(conn, ["size"], people_only=True),
        )
    assert len(every) == 12
    assert [r.person for r in every[:4]] == [f"macrocheck {__version__}", "Kim", "Lee", "Lee"]
    assert {r.person for r in people} == {"Kim", "Lee"}
    assert len({r.photo for r in every}) == 3


def test_a_revision_that_measured_nothing_anew_is_no_reading(record: Record) -> None:
    put_twice(record)
    again = Cut({"size": 5.25}, made_by="corrected by hand", photo="G0", at_least={"size": 4.0})  # graded this time
    append(record, [cut_entry("G0", "S", again, reason="limits added")], who="Ana")
    with reading(record.engine, record.name) as conn:
        ((_, found),) = readings_of(conn, ["size"])
    assert len(found) == 12
    assert "Ana" not in {r.person for r in found}


def test_photos_of_one_section(record: Record) -> None:
    append(record, [coupon_entry("G0", [])])
    names = ("S1.a", "S1.b", "S2.a", "S2.b")
    append(record, [cut_entry("G0", n, Cut({"size": 5 + i / 10})) for i, n in enumerate(names)])
    with reading(record.engine, record.name) as conn:
        ((_, apart),) = readings_of(conn, ["size"])
        ((_, together),) = readings_of(conn, ["size"], photos_after=".")
    assert [r.section for r in apart] == list(names)
    assert [(r.section, r.photo) for r in together] == [(r.section[:2], r.photo) for r in apart]
    assert len({r.photo for r in together}) == 4
