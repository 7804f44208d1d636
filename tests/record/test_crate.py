"""The folder: an RO-Crate 1.1 package by its own library, read back without loss, and nothing else read back."""

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from macrocheck.errors import InputError
from macrocheck.pipeline import measure_photo
from macrocheck.reading import read_photo
from macrocheck.record.attach import attach, from_result
from macrocheck.record.crate import export_folder, import_folder
from macrocheck.record.entries import KeptWhere, SectionInputs
from macrocheck.record.rebuild import rebuilt, scale_detail
from macrocheck.record.store import Record, open_record, user_name
from macrocheck.record.verify import verify
from macrocheck.report.overlay import draw_overlay
from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.cli.coupon import MARK, outline
from tests.record.fill import settings

rocrate = pytest.importorskip("rocrate.rocrate")


def put_on(record: Record, photo: Path, keep: KeptWhere) -> None:
    measured = measure_photo(photo, mark=MARK, outline=outline())
    inputs = SectionInputs((MARK,))
    one = from_result(measured, "tee", inputs, photo=photo, limits=None)
    attach(record, "T6/01 ½", [one], settings=settings(), keep=keep)
    attach(record, "T6/01 ½", [], settings=settings({"amps": "185"}), reason="misread")


@pytest.mark.parametrize("keep", ["beside", "inside", "no"])
def test_there_and_back(record: Record, photo: Path, keep: KeptWhere, tmp_path: Path) -> None:
    put_on(record, photo, keep)
    folder = tmp_path / "out"
    assert export_folder(record, folder) == 3
    again = open_record(tmp_path / "again.db", make=True)
    assert import_folder(again, folder) == 3
    assert verify(again) == verify(record)
    assert verify(again).clean
    export_folder(again, tmp_path / "out2")
    files = {p.relative_to(folder) for p in folder.rglob("*") if p.is_file()}
    assert files == {p.relative_to(tmp_path / "out2") for p in (tmp_path / "out2").rglob("*") if p.is_file()}
    for file in files - {Path("ro-crate-metadata.json")}:
        assert (folder / file).read_bytes() == (tmp_path / "out2" / file).read_bytes()
    with pytest.raises(InputError, match="holds a record already"):
        import_folder(again, folder)
    again.close()


def test_it_is_a_crate(record: Record, photo: Path, tmp_path: Path) -> None:
    put_on(record, photo, "beside")
    export_folder(record, tmp_path / "out")
    metadata = json.loads((tmp_path / "out" / "ro-crate-metadata.json").read_text(encoding="utf-8"))
    assert metadata["@context"] == "https://w3id.org/ro/crate/1.1/context"
    crate = rocrate.ROCrate(tmp_path / "out")
    described = {e.id for e in crate.data_entities}
    lying = {p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*") if p.is_file()}
    assert described == lying - {"ro-crate-metadata.json"}
    (overlay,) = [e for e in crate.data_entities if e.id.startswith("overlays/")]
    assert CAUTIONS[0] in overlay["description"]
    assert overlay["isBasedOn"].id.startswith("photos/")
    assert overlay["isBasedOn"]["name"] == "tee.png"
    assert CAUTIONS[0] in crate.description


def test_its_documents_say_what_they_are(record: Record, photo: Path, tmp_path: Path) -> None:
    put_on(record, photo, "beside")
    export_folder(record, tmp_path / "out")
    crate = rocrate.ROCrate(tmp_path / "out")
    documents = [e for e in crate.data_entities if e.id.startswith("documents/")]
    assert sorted(e["name"] for e in documents) == [
        "Outline measured of coupon T6/01 ½, section tee",
        "Result of coupon T6/01 ½, section tee",
        "What is noted of coupon T6/01 ½",
        "What is noted of coupon T6/01 ½",
        "What is noted of coupon T6/01 ½, section tee",
    ]
    assert {e["author"]["name"] for e in documents} == {user_name()}
    (result,) = [e for e in documents if e["name"].startswith("Result")]
    assert result["isBasedOn"]["name"] == "tee.png"
    assert any(e["description"].endswith("number 2 of coupon T6/01 ½: misread") for e in documents)


VALIDATOR = os.environ.get("MACROCHECK_TEST_CRATE_VALIDATOR", "")
"""A Python that has the package roc-validator 0.13 or later, which holds the profiles of the standard."""

UNKNOWN = {"ro-crate-1.1_22.3", "ro-crate-1.1_30.2", "ro-crate-1.1_30.3"}
"""Recommendations about what no record knows: a publisher, and the organisation of its people."""

PRIME = """
import gzip, io, sys
from requests.adapters import BaseAdapter, HTTPAdapter
from requests_cache import CachedSession
from urllib3 import HTTPResponse

class Stored(BaseAdapter):
    def send(self, request, **_):
        body = io.BytesIO(gzip.open(sys.argv[2]).read())
        headers = {"Content-Type": "application/ld+json"}
        return HTTPAdapter().build_response(request, HTTPResponse(body, headers, 200, preload_content=False))
    def close(self):
        pass

session = CachedSession(sys.argv[1], backend="sqlite", expire_after=-1)
session.mount("https://w3id.org/", Stored())
session.get("https://w3id.org/ro/crate/1.1/context").raise_for_status()
"""


@pytest.mark.skipif(not VALIDATOR, reason="no validator: MACROCHECK_TEST_CRATE_VALIDATOR is not set")
@pytest.mark.parametrize("keep", ["beside", "no"])
def test_its_validator_passes_it(record: Record, photo: Path, keep: KeptWhere, tmp_path: Path) -> None:
    """The profile of RO-Crate 1.1 as rocrate-validator checks it, offline.

    The context it asks for, https://w3id.org/ro/crate/1.1/context (CC0), is the one in the package rocrate 0.13.
    """
    put_on(record, photo, keep)
    export_folder(record, tmp_path / "out")
    context = Path(__file__).parent / "ro-crate-1.1-context.json.gz"
    subprocess.run([VALIDATOR, "-c", PRIME, tmp_path / "cache", context], check=True)
    command = [str(Path(VALIDATOR).with_name("rocrate-validator")), "-y", "validate", "-p", "ro-crate-1.1"]
    for level, allowed in (("required", set()), ("recommended", UNKNOWN)):
        said = tmp_path / f"{level}.json"
        options = ["--offline", "--cache-path", str(tmp_path / "cache"), "-l", level, "-f", "json", "-o", str(said)]
        subprocess.run([*command, *options, str(tmp_path / "out")], check=False, stdout=subprocess.DEVNULL)
        found = json.loads(said.read_text(encoding="utf-8"))
        assert found["passed"] == (level == "required")
        issues = {i["check"]["identifier"]: i["message"] for i in found["issues"]}
        assert set(issues) <= allowed, issues


def test_a_result_comes_back_as_it_was(photo: Path) -> None:
    measured = measure_photo(photo, mark=MARK, outline=outline(), limits="iso5817-fillet-b", given={"t": 6.0})
    from macrocheck.outline_file import outline_to_geojson

    document = json.loads(json.dumps(measured.to_json()))
    detail = json.loads(json.dumps(scale_detail(measured.scale)))
    back = rebuilt(document, json.loads(json.dumps(outline_to_geojson(measured.outline))), detail)
    assert back.to_json() == measured.to_json()
    assert len(back.scale.marks) == len(measured.scale.marks)
    picture = read_photo(photo)
    # The document rounds the depth of fusion to 0.1 um, and of equal depths another may then be the deepest.
    rounded = [
        replace(m, profiles=b.profiles) for m, b in zip(measured.measurements, back.measurements, strict=True)
    ]
    same = replace(measured, measurements=tuple(rounded))
    assert np.array_equal(draw_overlay(picture, back), draw_overlay(picture, same))


@pytest.fixture(scope="module")
def exported(photo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("crate")
    record = open_record(folder / "bench.db", make=True)
    put_on(record, photo, "beside")
    export_folder(record, folder / "out")
    record.close()
    return folder / "out"


def _drop_line(folder: Path) -> None:
    place = folder / "revisions.jsonl"
    lines = place.read_text(encoding="utf-8").splitlines()
    place.write_text("\n".join(lines[1:]) + "\n", encoding="utf-8")


def _drop_last(folder: Path) -> None:
    place = folder / "revisions.jsonl"
    lines = place.read_text(encoding="utf-8").splitlines()
    place.write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")


def _edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        (place,) = folder.glob(name)
        place.write_text(place.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")

    return edit


def _append(name: str) -> Callable[[Path], None]:
    def append(folder: Path) -> None:
        place = min(folder.glob(name))
        place.write_bytes(place.read_bytes() + b" ")

    return append


def _remove(name: str) -> Callable[[Path], None]:
    return lambda folder: min(folder.glob(name)).unlink()


@pytest.mark.parametrize(
    ("change", "part"),
    [
        (_drop_line, "Revision 2 .* was changed, or is not where it belongs"),
        (_drop_last, "last revisions are missing"),
        (_edit("revisions.jsonl", "misread", "mistyped"), "Revision 3 .* was changed"),
        (_edit("revisions.jsonl", '"seq"', '"sequel"'), "a line of it is no revision"),
        (_edit("revisions.jsonl", "{", "(", ), "is not JSON"),
        (_append("documents/*.json"), "documents/.* was changed"),
        (_append("photos/*"), "photos/.* was changed"),
        (_remove("documents/*.geojson"), "is missing or cannot be read"),
        (_remove("photos/*"), "is missing or cannot be read"),
        (_remove("record.json"), "is not a folder that"),
        (_edit("record.json", "macrocheck-record-folder", "songs"), "is not a folder that"),
        (_edit("record.json", '"format_version": 1', '"format_version": 2'), "newer macrocheck"),
        (_edit("record.json", '"documents": {\n  "', '"documents": {\n  "../../x'), "as a digest"),
    ],
)  # fmt: skip
def test_a_changed_folder_is_not_read(
    exported: Path, tmp_path: Path, change: Callable[[Path], None], part: str
) -> None:
    shutil.copytree(exported, tmp_path / "out")
    change(tmp_path / "out")
    target = open_record(tmp_path / "again.db", make=True)
    with pytest.raises(InputError, match=part):
        import_folder(target, tmp_path / "out")
    found = verify(target)
    assert (found.revisions, found.documents, found.faults) == (0, 0, ())
    target.close()


def test_whole_or_not_at_all(record: Record, photo: Path, tmp_path: Path) -> None:
    put_on(record, photo, "beside")
    shutil.rmtree(tmp_path / "bench.db.photos")
    with pytest.raises(InputError, match="is missing or was changed"):
        export_folder(record, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert not list(tmp_path.glob(".macrocheck-*"))


def test_the_commands(run: Run, record: Record, photo: Path, tmp_path: Path) -> None:
    put_on(record, photo, "beside")
    folder, again = tmp_path / "out", tmp_path / "again.db"
    ran = run("record", "export", tmp_path / "bench.db", folder, "--to", "folder")
    assert (ran.status, "3 revisions" in ran.out) == (0, True)
    assert run("record", "export", tmp_path / "bench.db", folder, "--to", "folder").status == 2
    ran = run("record", "import", folder, again)
    assert ran.status == 0
    assert run("record", "verify", again).out == run("record", "verify", tmp_path / "bench.db").out
    shown: dict[str, Any] = {
        n: run("record", "show", tmp_path / n, "T6/01 ½").out for n in ("bench.db", "again.db")
    }
    assert shown["bench.db"] == shown["again.db"]


def test_a_folder_that_was_changed_leaves_nothing(run: Run, record: Record, photo: Path, tmp_path: Path) -> None:
    put_on(record, photo, "beside")
    folder, again = tmp_path / "out", tmp_path / "again.db"
    run("record", "export", tmp_path / "bench.db", folder, "--to", "folder")
    before = sorted(p.name for p in tmp_path.iterdir())
    for part in ("photos", "documents"):
        changed = next((folder / part).iterdir())
        content = changed.read_bytes()
        changed.write_bytes(content + b"x")
        ran = run("record", "import", folder, again)
        assert ran.status == 2
        assert "was changed" in ran.err
        assert sorted(p.name for p in tmp_path.iterdir()) == before
        changed.write_bytes(content)
    assert run("record", "import", folder, again).status == 0
    open_record(tmp_path / "began.db", make=True).close()
    changed.write_bytes(b"x")
    assert run("record", "import", folder, tmp_path / "began.db").status == 2
    assert (tmp_path / "began.db").exists()  # it was there before
