"""`verify` names whatever was changed, lost or moved behind the program's back."""

import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from macrocheck.record import schema
from macrocheck.record.entries import PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.store import Record, append, open_record
from macrocheck.record.verify import Verification, verify
from tests.record.fill import entries, fill, settings

Tamper = Callable[..., Verification]


@pytest.fixture(scope="module")
def filled(result: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with revisions 1 to 8, two a coupon."""
    place = tmp_path_factory.mktemp("filled") / "bench.db"
    made = open_record(place, make=True)
    fill(made, result, 4)
    assert verify(made).faults == ()
    made.close()
    return place


@pytest.fixture
def filled_record(filled: Path, tmp_path: Path) -> Iterator[Record]:
    shutil.copy(filled, tmp_path / "bench.db")
    opened = open_record(tmp_path / "bench.db")
    yield opened
    opened.close()


@pytest.fixture
def tamper(filled_record: Record, tmp_path: Path) -> Tamper:
    """Change the filled record's file with SQL and verify it."""

    def change(*statements: str, expect: tuple[int, str] | None = None) -> Verification:
        with sqlite3.connect(tmp_path / "bench.db") as conn:
            guards = conn.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
            for name, _ in guards:
                conn.execute(f"DROP TRIGGER {name}")
            for statement in statements:
                conn.execute(statement)
            for _, sql in guards:  # whoever hides a change puts them back
                conn.execute(sql)
        conn.close()
        return verify(filled_record, expect=expect)

    return change


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (["UPDATE revision SET who = 'another' WHERE seq = 3"], r"Revision 3 \(coupon T6-01\) was changed"),
        (["UPDATE revision SET at = '2020-01-01' WHERE seq = 8"], r"Revision 8 \(section T6-03, tee\) was changed"),
        (["UPDATE revision SET reason = 'x' WHERE seq = 1"], r"Revision 1 .* was changed"),
        (["UPDATE revision SET body = (SELECT body FROM revision WHERE seq = 1) WHERE seq = 3"],
         "Revision 3 .* was"),
        (["DELETE FROM revision WHERE seq = 4"], "Revision 4 is missing"),
        (["DELETE FROM revision WHERE seq IN (4, 5)"], "Revisions 4 to 5 are missing"),
        (["DELETE FROM revision WHERE seq = 1"], "Revision 1 is missing"),
        (["DELETE FROM revision WHERE seq > 6"], "last revisions are missing: 7 to 8"),
        (
            [
                "UPDATE revision SET seq = 99 WHERE seq = 3",
                "UPDATE revision SET seq = 3 WHERE seq = 5",
                "UPDATE revision SET seq = 5 WHERE seq = 99",
            ],
            r"Revision 3 \(coupon T6-02\) was changed or moved",
        ),
        (["UPDATE measurement SET value = 9.9 WHERE seq = 2 AND quantity = 'leg_butting'"],
         r"Revision 2 \(section T6-00, tee\): value of measurement \(leg_butting, 1\) is 9.9, but \d"),
        (["DELETE FROM measurement WHERE seq = 2 AND quantity = 'size'"], r"measurement \(size, 1\) is missing"),
        (["UPDATE verdict SET word = 'accept' WHERE word <> 'accept' AND seq = 4"],
         "Revision 4 .*: word of verdict"),
        (["DELETE FROM verdict WHERE seq = 6"], r"Revision 6 .*: a row of verdict \(1, 0\) is missing"),
        (["UPDATE setting SET text = '999', value = 999 WHERE seq = 1 AND name = 'amps'"],
         r"Revision 1 .*: value of setting \(amps\) is 999"),
        (["UPDATE section SET grade = 'accept' WHERE seq = 2"], "Revision 2 .*: grade of section is 'accept'"),
        (["UPDATE coupon SET coupon = 'X' WHERE seq = 1"], "coupon of coupon is 'X'"),
        (["INSERT INTO flag VALUES (2, 77, 1, 'glare')"], r"Revision 2 .*: a row of flag \(77\) was added"),
        (["UPDATE weld SET joint = 'lap' WHERE seq = 4"], r"4 .*: joint of weld \(1\) is 'lap', but 'tee'"),
        (["UPDATE mark SET text = 'bar:1mm' WHERE seq = 4"], r"Revision 4 .*: text of mark \(0\) is 'bar:1mm'"),
        (["INSERT INTO coupon VALUES (50, 'ghost', NULL)"], "rows for revision 50, which is not there"),
        (["DELETE FROM document WHERE sha256 = (SELECT body FROM revision WHERE seq = 5)"],
         r"Revision 5 \(coupon T6-02\): its body, .* is missing"),
        (["UPDATE document SET packed = x'00' WHERE sha256 = (SELECT body FROM revision WHERE seq = 5)"],
         "Document [0-9a-f]{64} is damaged"),
        (["DELETE FROM current WHERE subject = '[\"T6-01\"]'"], r"Revision 3 .* is not held to be the newest"),
        (["INSERT INTO current VALUES ('coupon', '[\"ghost\"]', 60, 60, 1)"], "is named as newest"),
        (["UPDATE head SET seq = 9"], "last revisions are missing: 9 to 9"),
        (["DELETE FROM head"], "table head.* is missing"),
        (["UPDATE info SET value = '2020-01-01' WHERE name = 'made_at'"], "how the record began was changed"),
        (["DELETE FROM info WHERE name = 'record'"], "how the record began was changed"),
    ],
)  # fmt: skip
def test_what_was_done_is_named(tamper: Tamper, statements: Sequence[str], said: str) -> None:
    found = tamper(*statements)
    assert not found.clean
    assert re.search(said, "\n".join(found.faults)), found.faults


def test_a_changed_document_is_named(tamper: Tamper) -> None:
    other = "(SELECT d.packed FROM document d JOIN revision r ON r.body = d.sha256 WHERE r.seq = 1)"
    found = tamper(f"UPDATE document SET packed = {other} WHERE sha256 = (SELECT body FROM revision WHERE seq = 7)")
    assert any(re.match("Document [0-9a-f]{64} was changed", f) for f in found.faults)


def test_a_noted_hash_shows_a_cut_off_end(tamper: Tamper, filled_record: Record) -> None:
    noted = verify(filled_record)
    tables = ("revision", "current", *(t.name for t in schema.DERIVED))
    cut = [f"DELETE FROM {t} WHERE seq > 6" for t in tables]
    cut += ["UPDATE head SET seq = 6, hash = (SELECT hash FROM revision WHERE seq = 6)"]
    assert tamper(*cut).clean  # nobody can see it from the record alone
    found = tamper(expect=(noted.seq, noted.hash))
    assert found.faults == ("Revision 8, noted earlier, is missing.",)
    found = tamper(expect=(6, noted.hash))
    assert "written anew" in found.faults[0]


def test_the_database_itself_refuses(record: Record, result: dict[str, Any], tmp_path: Path) -> None:
    fill(record, result, 1)
    with sqlite3.connect(tmp_path / "bench.db") as conn:
        for statement in (
            "UPDATE measurement SET value = 1",
            "DELETE FROM revision",
            "UPDATE document SET size = 1",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="append only"):
                conn.execute(statement)
    conn.close()


@pytest.mark.parametrize("how", ["beside", "inside"])
def test_photographs(record: Record, result: dict[str, Any], photo: Path, how: Any, tmp_path: Path) -> None:
    kept = record.photos.keep(photo, how, result["photo"]["sha256"])
    section = section_entry("A", "tee", photo=kept, inputs=SectionInputs(), result=result)
    append(record, [coupon_entry("A", settings()), section])
    found = verify(record)
    assert (found.clean, found.photos_checked, found.photos_not_kept) == (True, 1, 0)
    assert record.photos.content(kept) == photo.read_bytes()
    if how == "beside":
        place = record.photos.place(kept)
        assert place is not None
        place.write_bytes(b"another picture")
        assert verify(record).faults == ("Revision 2 (section A, tee): the photograph tee.png was changed.",)
        place.unlink()
    else:
        with sqlite3.connect(tmp_path / "bench.db") as conn:
            guards = conn.execute(
                "SELECT name, sql FROM sqlite_master WHERE name LIKE 'photo_inside_no_%'"
            ).fetchall()
            for name, _ in guards:
                conn.execute(f"DROP TRIGGER {name}")
            conn.execute("UPDATE photo_inside SET content = x'00'")
            conn.commit()
            _, _, fault = verify(record).faults
            assert fault == "Revision 2 (section A, tee): the photograph tee.png was changed."
            conn.execute("DELETE FROM photo_inside")
            for _, sql in guards:
                conn.execute(sql)
        conn.close()
    (fault,) = verify(record).faults
    assert re.search("the photograph tee.png is missing", fault)


def test_digest_only(record: Record, result: dict[str, Any]) -> None:
    append(record, entries("A", result))
    found = verify(record)
    assert (found.clean, found.photos_checked, found.photos_not_kept) == (True, 0, 1)
    assert PhotoKept("0" * 64, "x.jpg").kept == "no"


def test_the_hash_is_what_the_documentation_says(record: Record, result: dict[str, Any]) -> None:
    """SHA-256 over the columns as JSON, worked out here with the standard library alone."""
    import hashlib
    import json

    append(record, entries("Ä 1", result))
    with record.engine.connect() as conn:
        rows = conn.exec_driver_sql(
            "SELECT seq, kind, subject, number, reason, at, who, version, body, previous, hash "
            "FROM revision ORDER BY seq"
        ).fetchall()
        began_with: dict[str, str] = dict(conn.exec_driver_sql("SELECT name, value FROM info").fetchall())
    began = [began_with[name] for name in ("record", "made_at", "made_by")]
    before = hashlib.sha256(json.dumps(began, separators=(",", ":")).encode()).hexdigest()
    for row in rows:
        text = json.dumps(list(row[:-1]), ensure_ascii=False, separators=(",", ":"))
        assert hashlib.sha256(text.encode()).hexdigest() == row[-1]
        assert row[-2] == before
        before = row[-1]


def test_an_empty_record_is_clean(tmp_path: Path) -> None:
    opened = open_record(tmp_path / "empty.db", make=True)
    assert verify(opened).clean
    with opened.engine.begin() as conn:
        conn.exec_driver_sql("UPDATE info SET value = 'x' WHERE name = 'record'")
    assert verify(opened).faults == ("What table info says of how the record began was changed.",)
    opened.close()


def test_a_guard_that_is_gone_is_said(filled_record: Record, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "bench.db") as conn:
        conn.execute("DROP TRIGGER measurement_no_update")
    conn.close()
    (fault,) = verify(filled_record).faults
    assert fault == (
        "The guard of table measurement is gone (trigger measurement_no_update): somebody made room for changes."
    )
