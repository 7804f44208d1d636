"""Saving a result to files and attaching it to a record, from the page."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from macrocheck.errors import InputError, MacrocheckError
from macrocheck.outline_file import outline_bytes
from macrocheck.paths import shown
from macrocheck.photo import Photo
from macrocheck.results import Result
from macrocheck.review import protocol_choices as pc
from macrocheck.review.case import Case
from macrocheck.review.choices import Choices
from macrocheck.review.folder import KeepFolder, plain_name, records_in
from macrocheck.review.refusal import checked_text, refuse
from macrocheck.review.sources import OnRecord, opened, shown_record
from macrocheck.units import LengthUnit

if TYPE_CHECKING:
    from macrocheck.record.entries import KeptWhere

KINDS = ("result.json", "outline.geojson", "overlay.png")
"""Files of a photo that can be had as a download."""
_MOST_TEXT, _MOST_NAME = 1000, 100
_MOST_SETTINGS = 60


def file_of(photo: Photo, result: Result, kind: str, unit: LengthUnit) -> bytes:
    """Return one file of a result, as `measure --out` writes it."""
    if kind == "result.json":
        return _json_bytes(result.to_json())
    if kind == "outline.geojson":
        return outline_bytes(result.outline)
    from macrocheck.report.encode import encode_png
    from macrocheck.report.overlay import draw_overlay

    return encode_png(draw_overlay(photo, result, unit=unit))


def _json_bytes(document: object) -> bytes:
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    return f"{text}\n".encode("utf-8", "backslashreplace")


def save(case: Case, keep: KeepFolder, unit: LengthUnit, body: Mapping[str, Any]) -> tuple[str, list[str]]:
    """Write the files of a photo's result into the keep folder; return the folder and their names.

    Beside the result, the outline as it stands and the overlay lies what the machine had found, where a person
    changed it. Raises RefusedError.
    """
    from macrocheck.writing import write_together

    photo, result, _ = case.result(body)
    stem = Path(plain_name(case.source.name)).stem
    contents: dict[Any, bytes] = {
        keep.results / f"{stem}.{kind}": file_of(photo, result, kind, unit) for kind in KINDS
    }
    if result.correction is not None:
        found = {"type": "FeatureCollection", "features": result.correction["found"]}
        contents[keep.results / f"{stem}.found.geojson"] = _json_bytes(found)
    try:
        write_together(contents)
    except MacrocheckError as error:
        refuse("cannot", case.say(str(error)))
    names = [path.name for path in contents]
    case.kept(saved=tuple(names))
    return shown(keep.results), names


@dataclass(frozen=True, slots=True)
class Attachment:
    """What came of attaching: the record's name, how many revisions, the last one's hash."""

    record: str
    revisions: int
    hash: str | None


class Records:
    """The records that may be attached to: those named at the start and those in the folders that hold them."""

    def __init__(self, keep: KeepFolder, named: Sequence[str]) -> None:
        """`named`: records as on the command line (files or database addresses)."""
        self._keep = keep
        self._named = list(named)

    def choices(self) -> list[pc.RecordChoice]:
        """Return the records there are; those named at the start first."""
        return [
            {"id": id_, "name": shown_record(where), "default": where in self._named}
            for id_, where in self._places().items()
        ]

    def _places(self) -> dict[str, str]:
        files = [Path(n).absolute() for n in self._named if "://" not in n]
        folders = list(dict.fromkeys([*(f.parent for f in files), self._keep.records]))
        others = [str(p) for p in records_in(folders) if p.absolute() not in files]
        return {f"r{k}": where for k, where in enumerate([*self._named, *others])}

    def chosen(self, body: Mapping[str, Any], own: OnRecord | None) -> tuple[str, bool]:
        """Return where the record is and whether it is to be begun; RefusedError where there is none such.

        `own`: where the photo came from, for where nothing is chosen.
        """
        new = checked_text(body.get("new_record"), "new_record", most=_MOST_NAME)
        if new:
            stem = plain_name(new)
            path = self._keep.records / (stem if stem.endswith(".db") else f"{stem}.db")
            return str(path), True
        if own is not None and not body.get("record"):
            return own.record, False
        places = self._places()
        where = places.get(str(body.get("record")))
        if where is None:
            refuse("cannot", "Choose a record, or give a name for a new one.")
        return where, False


def attach_to(case: Case, records: Records, body: Mapping[str, Any], who: str) -> Attachment:
    """Put a photo's result on a record: its section's first revision, or the next one with a reason."""
    own = case.source.place
    coupon = checked_text(body.get("coupon"), "coupon", most=_MOST_NAME) or (own.coupon if own else "")
    if not coupon:
        refuse("cannot", "Give the coupon's number.")
    section = checked_text(body.get("section"), "section", most=_MOST_NAME)
    section = section or (own.section if own else Path(case.source.name).stem)
    reason = checked_text(body.get("reason"), "reason", most=_MOST_TEXT) or None
    by = checked_text(body.get("who"), "who", most=_MOST_NAME) or who
    photo, result, choices = case.result(body)
    where, make = records.chosen(body, own)
    try:
        attached = _attach(
            where, make, (coupon, section), (photo, result, choices), case.hints(), body, (reason, by)
        )
    except MacrocheckError as error:
        refuse("cannot", case.say(str(error).replace(where, shown_record(where))))
    case.kept(attached=(f"{attached.record}: {coupon} {section}",))
    return attached


def _attach(
    where: str,
    make: bool,
    names: tuple[str, str],
    measured: tuple[Photo, Result, Choices],
    hints: tuple[str, ...],
    body: Mapping[str, Any],
    said: tuple[str | None, str],
) -> Attachment:
    from macrocheck.record.attach import attach, from_result, revise
    from macrocheck.record.engine import reading
    from macrocheck.record.entries import SectionInputs
    from macrocheck.record.present import coupon_now

    coupon, section = names
    photo, result, choices = measured
    reason, who = said
    inputs = SectionInputs(
        choices.marks,
        choices.joint,
        hints,
        choices.given_mm,
        choices.guard,
        choices.fusion_threshold_mm,
        result.scale.mark_offset_mm,
        result.scale.camera_distance_mm,
    )
    limits = None if choices.limits is None else choices.limits.text
    settings = _settings(body.get("settings"))
    with opened(where, make=make) as record:
        # a database server has no folder beside it, and the page no place to name one
        keep: KeptWhere = "beside" if record.photos.folder is not None else "inside"
        with reading(record.engine, record.name) as conn:
            now = coupon_now(conn, coupon)
        if now is not None and section in dict(now.sections):
            if reason is None:
                msg = f"Section {section} of coupon {coupon} is on the record already; say why it is corrected."
                raise InputError(msg)
            done = attach(record, coupon, [], settings=settings, reason=reason, who=who) if settings else []
            revised = revise(
                record, coupon, section, result, reason=reason, who=who, inputs=inputs, limits=limits, keep=keep
            )
            done.append(revised)
        else:
            one = from_result(result, section, inputs, photo=Path(photo.path), limits=limits)
            done = attach(record, coupon, [one], settings=settings, reason=reason, who=who, keep=keep)
        new = [w for w in done if w.new]
        return Attachment(shown_record(where), len(new), new[-1].hash if new else None)


def _settings(value: object) -> list[Any]:
    from macrocheck.record.setting_text import read_setting
    from macrocheck.record.settings import kind_named

    if value is None:
        return []
    if not isinstance(value, Mapping) or len(value) > _MOST_SETTINGS:
        refuse("bad_request", f"settings must be an object of at most {_MOST_SETTINGS} names and texts.")
    pairs = [(checked_text(n, "name", most=60), checked_text(v, "value", most=200)) for n, v in value.items()]
    return [read_setting(kind_named(name), text) for name, text in pairs if name and text]
