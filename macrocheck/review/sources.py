"""What is opened: photographs, result files and sections of a record, each with what is known of it already."""

import contextlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from macrocheck.errors import InputError, MacrocheckError
from macrocheck.outline import Outline
from macrocheck.paths import shown
from macrocheck.review import protocol_state as p
from macrocheck.review.choices import Limits
from macrocheck.review.folder import KeepFolder, is_record
from macrocheck.scale import Scale

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from macrocheck.record.store import Record

_MOST_BYTES = 200_000_000


@dataclass(frozen=True, slots=True)
class OnRecord:
    """Where a photo stands on a record."""

    record: str
    coupon: str
    section: str

    def to_json(self) -> p.OnRecord:
        """Return the place as the page is given it."""
        return {"record": shown_record(self.record), "coupon": self.coupon, "section": self.section}


@dataclass(frozen=True, eq=False, slots=True)
class Source:
    """One photo to review.

    `wish`: settings known for it, as `choices.chosen` takes them; `limits` those that `wish` names. `outline`: one
    that was measured before; `stated`: the scale it was measured with, where no mark is known. `doubts`, `grade`:
    what a record says of it, so that it need not be measured to be put in its place in the queue. `result`: the
    result file that it was opened by; `problem`: why it cannot be looked at, where that is known already; `note`:
    what is to be known of it while no limits are chosen.
    """

    path: Path
    name: str
    wish: Mapping[str, Any] = field(default_factory=dict)
    limits: Limits | None = None
    outline: Outline | None = None
    stated: Scale | None = None
    place: OnRecord | None = None
    doubts: int | None = None
    grade: str | None = None
    uploaded: bool = False
    result: Path | None = None
    problem: str | None = None
    note: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return what is kept of it on the desk, by which `taken_up` finds it again."""
        item = {"path": str(self.path.absolute()), "name": self.name, "uploaded": self.uploaded}
        if self.place is not None:
            place = self.place
            record = place.record if "://" in place.record else str(Path(place.record).absolute())
            item["on_record"] = {"record": record, "coupon": place.coupon, "section": place.section}
        elif self.result is not None:
            item["result"] = str(self.result.absolute())
        return item

    @property
    def gone(self) -> str | None:
        """Why there is no picture any more, and what to do; None where it is there."""
        return None if self.path.is_file() else self.gone_text

    @property
    def gone_text(self) -> str:
        """What is said where the picture is gone."""
        back = "what you did comes back with it"
        if self.uploaded:
            return f"The kept copy of {self.name} is gone; add the picture again: {back}."
        name, place = shown(self.path.name), shown(self.path.absolute().parent)
        return f"{name} is no longer in {place}; put it back there, or open it from where it is now: {back}."


def shipped_shelf() -> dict[str, Limits]:
    """Return the limit sets that come with the package, by id."""
    from macrocheck.grade import shipped_names, shipped_text

    return {name: Limits(name, shipped_text(name), shipped=True) for name in shipped_names()}


def limits_named(name: str) -> Limits:
    """Return a shipped limit set or a limits file; InputError where it cannot be used."""
    from macrocheck.grade import load_limits, shipped_names, shipped_text

    if name in shipped_names():
        return Limits(name, shipped_text(name), shipped=True)
    load_limits(name)  # says in full what is wrong with the file
    return Limits(Path(name).stem, Path(name).read_bytes().decode("utf-8-sig"), shipped=False)


def sources_of(names: Sequence[str], keep: KeepFolder) -> tuple[list[Source], list[str]]:
    """Return what the command line names: sources, and the records among the names.

    Raises InputError where a name is no photograph, result file or record.
    """
    sources: list[Source] = []
    records: list[str] = []
    for name in names:
        path = Path(name)
        if "://" in name or is_record(path):
            records.append(name)
            sources += _on_record(name, keep)
        elif path.suffix.lower() == ".json":
            sources.append(_from_result(path))
        elif path.is_dir():
            msg = f"{shown(path)} is a folder; name the photographs in it."
            raise InputError(msg)
        elif not path.exists():
            msg = f"{shown(path)} does not exist; check the name and the folder."
            raise InputError(msg)
        else:
            sources.append(Source(path, path.name))
    return sources, records


def _from_result(path: Path) -> Source:
    from macrocheck.outline_file import read_outline
    from macrocheck.record.attach import from_file
    from macrocheck.record.rebuild import rebuilt_scale

    measured = from_file(path, path.stem)
    document = measured.result
    if measured.photo is None:
        name = shown(Path(document["photo"]["path"]).name)
        msg = f"The photograph {name} of {shown(path)} is not at hand; put it beside the result file."
        raise InputError(msg)
    outline = None
    beside = path.with_name(path.name.removesuffix(".result.json") + ".outline.geojson")
    if measured.outline is not None:
        outline = read_outline(beside, width=document["photo"]["width"], height=document["photo"]["height"])
    wish: dict[str, Any] = {"joint": _joint(document), "marks": list(measured.inputs.marks)}
    wish |= _height(measured.inputs.mark_offset_mm, measured.inputs.camera_distance_mm)
    if measured.inputs.fusion_threshold_mm is not None:
        wish["fusion_threshold"] = f"{measured.inputs.fusion_threshold_mm!r}mm"
    limits = _shipped(document["limits"]["name"])
    if limits is not None:
        wish["limits"] = limits.id
    wish["given"] = {k: f"{v!r}mm" for k, v in measured.inputs.given.items()}
    wish["guard"] = measured.inputs.guard
    note = _lacking(document, limits)
    return Source(
        measured.photo,
        measured.photo.name,
        wish=wish,
        limits=limits,
        outline=outline,
        stated=rebuilt_scale(document["scale"], measured.scale),
        result=path,
        note=note,
    )


def _joint(document: Mapping[str, Any]) -> str:
    joints = {weld["joint"] for weld in document["welds"]}
    return joints.pop() if len(joints) == 1 else "auto"


def _height(offset_mm: float | None, distance_mm: float | None) -> dict[str, str | None]:
    """Return how high the marks lie, as a person would write it."""
    return {
        "mark_offset": None if offset_mm is None else f"{offset_mm!r}mm",
        "camera_distance": None if distance_mm is None else f"{distance_mm!r}mm",
    }


def _lacking(document: Mapping[str, Any] | None, limits: Limits | None) -> str | None:
    """Return what to say of limits that a result was graded by and that are not at hand."""
    name = None if document is None else document["limits"]["name"]
    if name is None or limits is not None:
        return None
    return f"It was graded by the limits {shown(name)}; choose them from their file to have it graded here."


def _shipped(name: str | None) -> Limits | None:
    return None if name is None else shipped_shelf().get(name)


@contextlib.contextmanager
def opened(where: str, *, make: bool = False) -> "Iterator[Record]":
    """Open a record for a moment."""
    from macrocheck.record.store import open_record

    record = open_record(where, make=make)
    try:
        yield record
    finally:
        record.close()


def shown_record(where: str) -> str:
    """Return a record's name for the page: a file's own, an address without its password."""
    if "://" in where:
        from macrocheck.record.engine import record_name

        return record_name(where)
    return shown(Path(where).name)


def _on_record(where: str, keep: KeepFolder) -> list[Source]:
    found = list(_sections(where, keep).values())
    if all(source.problem is not None for source in found):
        msg = f"The record {shown(where)} holds no photograph to look at; keep the photographs beside or inside it."
        raise InputError(msg)
    return found


def _sections(where: str, keep: KeepFolder) -> dict[tuple[str, str], Source]:
    """Return every section of a record by coupon and section."""
    from macrocheck.record.engine import reading
    from macrocheck.record.query import list_sections

    found: dict[tuple[str, str], Source] = {}
    with opened(where) as record, reading(record.engine, record.name) as conn:
        for row in list_sections(conn):
            if row.section is not None and row.section_seq is not None:
                place = OnRecord(where, row.coupon, row.section)
                found[row.coupon, row.section] = _of_section(record, conn, row.section_seq, place, keep)
    return found


def _of_section(record: "Record", conn: "Connection", seq: int, place: OnRecord, keep: KeepFolder) -> Source:
    from macrocheck.record.query import body_of, document_bytes

    body = body_of(conn, seq)

    def document(name: str) -> bytes | None:
        return None if body[name] is None else document_bytes(conn, body[name])

    result = document("result")
    path = _picture(record, body["photo"], result, keep)
    if path is not None:
        return _section(place, path, body, result, document("outline"), document("limits"))
    photo, name = shown((body["photo"] or {}).get("name", "no photograph")), f"{place.coupon} {place.section}"
    problem = (
        f"The photograph of {name} ({photo}) is neither with the record {shown_record(place.record)} nor where "
        "it was measured; put it back there, or open it by itself."
    )
    return Source(Path(photo), name, place=place, problem=problem)


def _picture(
    record: "Record", photo: Mapping[str, Any] | None, result: bytes | None, keep: KeepFolder
) -> Path | None:
    """Return a section's photograph: kept beside the record, inside it, or where it was measured."""
    from macrocheck.record.entries import PhotoKept
    from macrocheck.record.photos import file_digest

    if photo is None:
        return None
    kept = PhotoKept(**photo)
    place = record.photos.place(kept)
    if place is not None and place.is_file():
        return place
    content = record.photos.content(kept)
    if content is not None:
        with keep.incoming(kept.name, len(content)) as incoming:
            incoming.take(content)
            return incoming.kept().path
    if result is not None:
        there = Path(json.loads(result)["photo"]["path"])
        with contextlib.suppress(InputError, OSError, ValueError):
            if there.is_file() and file_digest(there) == kept.sha256:
                return there
    return None


def taken_up(items: Sequence[Mapping[str, Any]], keep: KeepFolder) -> list[Source]:
    """Return the sources of what lay on the desk, as `Source.to_json` put it; what is gone says so."""
    records: dict[str, dict[tuple[str, str], Source] | str] = {}
    return [_taken_up(item, keep, records) for item in items]


def _taken_up(
    item: Mapping[str, Any], keep: KeepFolder, records: dict[str, dict[tuple[str, str], Source] | str]
) -> Source:
    path = Path(item["path"])
    plain = Source(path, str(item.get("name") or path.name), uploaded=bool(item.get("uploaded")))
    if "on_record" in item:
        place = OnRecord(**item["on_record"])
        if place.record not in records:
            try:
                records[place.record] = _sections(place.record, keep)
            except MacrocheckError as error:
                records[place.record] = str(error)
        there = records[place.record]
        problem = f"{plain.name} is not on the record {shown_record(place.record)} any more."
        missing = replace(plain, place=place, problem=there if isinstance(there, str) else problem)
        return missing if isinstance(there, str) else there.get((place.coupon, place.section), missing)
    if "result" in item:
        result = Path(item["result"])
        try:
            return _from_result(result)
        except MacrocheckError as error:
            return replace(plain, result=result, problem=plain.gone or str(error))
    return replace(plain, problem=plain.gone)


def _section(
    place: OnRecord,
    path: Path,
    body: Mapping[str, Any],
    result: bytes | None,
    outline: bytes | None,
    limits: bytes | None,
) -> Source:
    from macrocheck.outline_file import outline_from_geojson
    from macrocheck.review.present import QUIET

    wish: dict[str, Any] = {
        "marks": body["marks"],
        "joint": body["joint"] if body["joint"] in {"tee", "lap", "bead"} else "auto",
        "given": {k: f"{v!r}mm" for k, v in body["given_mm"].items()},
        "guard": body["guard"],
        **_height(body.get("mark_offset_mm"), body.get("camera_distance_mm")),
    }
    if body["fusion_threshold_mm"] is not None:
        wish["fusion_threshold"] = f"{body['fusion_threshold_mm']!r}mm"
    shelf: Limits | None = None
    if limits is not None:
        text = limits.decode("utf-8")
        found = re.search(r'^name\s*=\s*"([^"\n]{1,60})"', text, re.MULTILINE)
        shelf = Limits(found[1] if found else "limits of the record", text, shipped=False)
        shelf = next((s for s in shipped_shelf().values() if s.text == text), shelf)
        wish["limits"] = shelf.id
    document: dict[str, Any] | None = None if result is None else json.loads(result)
    if shelf is None and document is not None:  # put there from a result file, which only names its limits
        shelf = _shipped(document["limits"]["name"])
        wish |= {} if shelf is None else {"limits": shelf.id}
    measured, doubts, stated = None, None, None
    if document is not None:
        from macrocheck.record.rebuild import rebuilt_scale

        photo = document["photo"]
        if outline is not None:
            measured = outline_from_geojson(json.loads(outline), width=photo["width"], height=photo["height"])
        rows = [f for weld in document["welds"] for f in weld["flags"]]
        rows += [*document["outline"]["flags"], *document["scale"]["flags"]]
        doubts = sum(f["code"] not in QUIET for f in rows)
        stated = rebuilt_scale(document["scale"], body["scale"])
    name = f"{place.coupon} {place.section}"
    grade = None if document is None else document["grade"]
    note = _lacking(document, shelf)
    return Source(path, name, wish, shelf, measured, stated, place, doubts, grade, note=note)
