"""Putting single measurements on a record: result files, photographs, settings, corrections.

`attach(record, coupon, measured, ...)` puts new sections and settings there (`from_result` for a result at hand,
`from_file` for a result file). `revise(record, coupon, section, result, reason=..., who=...)` puts a corrected
result of a section there as its next revision; photograph, marks and all else that is not given stay as they stood.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from macrocheck.errors import InputError
from macrocheck.paths import os_reason, shown
from macrocheck.record.entries import Entry, KeptWhere, PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.photos import file_digest
from macrocheck.record.present import (
    CouponNow,
    coupon_alike,
    coupon_now,
    coupon_of_photo,
    rebalanced,
    section_of_photo,
)
from macrocheck.record.settings import Setting
from macrocheck.record.store import Record, Written, append

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from macrocheck.results import Result

_MOST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured section on its way to the record. `photo`: its file, where it is at hand."""

    section: str
    result: Mapping[str, Any]
    inputs: SectionInputs
    photo: Path | None
    outline: bytes | None = None
    limits: str | None = None
    scale: Mapping[str, Any] | None = None
    notes: tuple[str, ...] = ()


def attach(
    record: Record,
    coupon: str,
    measured: Sequence[Measured],
    *,
    settings: Sequence[Setting] = (),
    keep: KeptWhere = "beside",
    reason: str | None = None,
    who: str | None = None,
) -> list[Written]:
    """Put measured sections and settings of one coupon on the record, in one transaction.

    `settings` go over those that stand there by name. Raises InputError where a correction has no reason.
    """
    from macrocheck.record.engine import reading

    with reading(record.engine, record.name) as conn:
        _refuse_alike(conn, coupon)
        for m in measured:
            _refuse_taken(conn, coupon, m, measured)
    photos = [_kept(record, m, keep) for m in measured]
    with reading(record.engine, record.name) as conn:
        now = coupon_now(conn, coupon)
        before = () if now is None else now.settings
        by_name = {s.name: s for s in (*before, *settings)}
        every = tuple(by_name.values())
        entries: list[Entry] = []
        if now is None or every != before:
            entries.append(coupon_entry(coupon, every, run=None if now is None else now.run))
        if now is not None:
            entries += rebalanced(conn, now, every, reason, [m.section for m in measured])
        inputs = [_inputs_of(conn, now, m) for m in measured]
    entries += [
        section_entry(
            coupon,
            m.section,
            photo=photo,
            inputs=m.inputs,
            result=m.result,
            outline=m.outline,
            limits=m.limits,
            scale=m.scale,
            settings=every,
            inputs_digest=stood,
            revised=stood is not None,
        )
        for m, photo, stood in zip(measured, photos, inputs, strict=True)
    ]
    return append(record, entries, who=who, reason=reason)


def revise(
    record: Record,
    coupon: str,
    section: str,
    result: "Result",
    *,
    reason: str,
    who: str | None = None,
    inputs: SectionInputs | None = None,
    limits: str | None = None,
    keep: KeptWhere = "beside",
) -> Written:
    """Put a corrected result of a section on the record as its next revision, and return that revision.

    The outline that was corrected is the result's own; its photograph must be the one that stands there. `inputs`
    and `limits` (TOML text as it stood) are those of the revision before where they are not given. A run leaves the
    correction alone; where it has to measure again (other limits, say), it does so with the corrected outline.
    `keep`: where the photograph's file goes if the section could not be measured before, and so was not kept.
    Raises InputError where the section is not there, the photograph is another, or there is no reason.
    """
    from macrocheck.outline_file import outline_bytes
    from macrocheck.record.engine import reading
    from macrocheck.record.query import body_of, document_bytes
    from macrocheck.record.rebuild import scale_detail

    with reading(record.engine, record.name) as conn:
        now = coupon_now(conn, coupon)
        seq = None if now is None else dict(now.sections).get(section)
        if now is None or seq is None:
            msg = f"There is no section {section} of coupon {coupon} on {record.name}; attach it first."
            raise InputError(msg)
        body = body_of(conn, seq)
        if limits is None and body["limits"] is not None:
            limits = document_bytes(conn, body["limits"]).decode("utf-8")
    document: dict[str, Any] = result.to_json()
    photo = body["photo"]
    if photo is None or photo["sha256"] != result.photo.sha256:
        msg = f"Section {section} of coupon {coupon} shows another photograph; attach this one under its own name."
        raise InputError(msg)
    kept = PhotoKept(**photo)
    if body["failure"] is not None:
        place, _ = _photo_of(Path(result.photo.path), document["photo"])
        kept = kept if place is None else record.photos.keep(place, keep, kept.sha256)
    before = SectionInputs(
        tuple(body["marks"]),
        body["joint"],
        tuple(body["hints"]),
        body["given_mm"],
        body["guard"],
        body["fusion_threshold_mm"],
        body.get("mark_offset_mm"),
        body.get("camera_distance_mm"),
    )
    entry = section_entry(
        coupon,
        section,
        photo=kept,
        inputs=inputs or before,
        inputs_digest=body["inputs"],
        result=document,
        outline=outline_bytes(result.outline),
        limits=limits,
        scale=scale_detail(result.scale),
        settings=now.settings,
        reason=reason,
        revised=True,
    )
    return append(record, [entry], who=who)[0]


def from_result(
    result: "Result", section: str, inputs: SectionInputs, *, photo: Path, limits: str | None
) -> Measured:
    """Return a result that was measured just now; `limits` is the TOML text as it stood."""
    from macrocheck.outline_file import outline_bytes
    from macrocheck.record.rebuild import scale_detail

    document = result.to_json()
    outline = outline_bytes(result.outline)
    return Measured(section, document, inputs, photo, outline, limits, scale_detail(result.scale))


def from_file(path: Path, section: str, *, outline: Path | None = None) -> Measured:
    """Return a result file as it was written; its outline file lies beside it unless it is named.

    Raises InputError where the file is no result of this format, or the outline is not for its photograph.
    """
    document = _result_document(path)
    photo = document["photo"]
    beside = path.with_name(path.name.removesuffix(".result.json") + ".outline.geojson")
    outline = outline or (beside if path.name.endswith(".result.json") and beside.is_file() else None)
    content = None
    if outline is not None:
        from macrocheck.outline_file import read_outline

        read_outline(outline, width=photo["width"], height=photo["height"])
        content = outline.read_bytes()
    settings = document["welds"][0]["settings"] if document["welds"] else {}
    scale = document["scale"]
    inputs = SectionInputs(
        tuple(scale.get("marks", ())),
        _joint(document),
        given=dict(document["limits"].get("given_mm", {})),
        guard=document["limits"].get("guard"),
        fusion_threshold_mm=settings.get("fusion_threshold_mm"),
        mark_offset_mm=scale.get("mark_offset_mm"),
        camera_distance_mm=scale.get("camera_distance_mm"),
    )
    place, notes = _photo_of(path, photo)
    return Measured(section, document, inputs, place, content, notes=notes)


def _joint(document: Mapping[str, Any]) -> str:
    joints = sorted({w["joint"] for w in document["welds"]})
    return ", ".join(joints) or "auto"


def _photo_of(path: Path, photo: Mapping[str, Any]) -> tuple[Path | None, tuple[str, ...]]:
    """Look for the photograph of a result where the result says, and beside the result."""
    for place in (Path(photo["path"]), path.parent / Path(photo["path"]).name):
        try:
            if place.is_file() and file_digest(place) == photo["sha256"]:
                return place, ()
        except (InputError, OSError, ValueError):
            continue
    text = f"The photograph of {shown(path)} is not at hand; the record knows it by its digest only."
    return None, (text,)


def _kept(record: Record, measured: Measured, keep: KeptWhere) -> PhotoKept:
    photo = measured.result["photo"]
    if measured.photo is None:
        return PhotoKept(photo["sha256"], Path(photo["path"]).name)
    return record.photos.keep(measured.photo, keep, photo["sha256"])


def _inputs_of(conn: "Connection", now: CouponNow | None, measured: Measured) -> str | None:
    """Return the digest of the inputs that a run measured this section from, where it is of the same photograph."""
    from macrocheck.record.query import body_of

    seq = None if now is None else dict(now.sections).get(measured.section)
    body = None if seq is None else body_of(conn, seq)
    if body is None or (body["photo"] or {}).get("sha256") != measured.result["photo"]["sha256"]:
        return None
    found: str | None = body["inputs"]
    return found


def _refuse_alike(conn: "Connection", coupon: str) -> None:
    """Refuse an id that a slip of the shift key has made, as a sheet does."""
    other = None if coupon_now(conn, coupon) is not None else coupon_alike(conn, coupon)
    if other is not None:
        msg = f"The record has a coupon {other}; write the id like that, or give this coupon another one."
        raise InputError(msg)


def _refuse_taken(conn: "Connection", coupon: str, measured: Measured, every: Sequence[Measured]) -> None:
    """Refuse a photograph that shows another coupon, or is another section of this one already."""
    sha256 = measured.result["photo"]["sha256"]
    name = shown(Path(measured.result["photo"]["path"]).name)
    if sum(m.result["photo"]["sha256"] == sha256 for m in every) > 1:
        msg = f"The photograph {name} is given twice; give it once."
        raise InputError(msg)
    section = section_of_photo(conn, coupon, sha256, other_than=measured.section)
    if section is not None:
        msg = (
            f"The photograph {name} is on the record as section {section} of coupon {coupon} already; to correct "
            f"that one, attach this with --section {section} and a reason."
        )
        raise InputError(msg)
    other = coupon_of_photo(conn, sha256, other_than=coupon)
    if other is not None:
        msg = f"The photograph {name} is on the record as coupon {other}'s; one photograph shows one coupon."
        raise InputError(msg)


def _result_document(path: Path) -> dict[str, Any]:
    try:
        if path.exists() and not path.is_file():
            msg = f"{shown(path)} is not an ordinary file; name a result that measure wrote."
            raise InputError(msg)
        if path.stat().st_size > _MOST_BYTES:
            msg = f"{shown(path)} is larger than any result file."
            raise InputError(msg)
        document = json.loads(path.read_bytes())
    except FileNotFoundError as error:
        msg = f"{shown(path)} does not exist; check the name and the folder."
        raise InputError(msg) from error
    except OSError as error:
        msg = f"{shown(path)} cannot be read: {os_reason(error)}."
        raise InputError(msg) from error
    except (ValueError, RecursionError) as error:
        msg = f"{shown(path)} is not JSON."
        raise InputError(msg) from error
    check_result(document, shown(path))
    if not document["welds"]:
        msg = f"{shown(path)} holds no weld; measure its photograph again."
        raise InputError(msg)
    found: dict[str, Any] = document
    return found


def check_result(document: object, name: str) -> None:
    """Refuse what is no result document of this format; InputError names the first fault."""
    if isinstance(document, list):
        msg = f"{name} holds several results; write one file a photograph with --out."
        raise InputError(msg)
    fault = next(iter(_validator().iter_errors(document)), None)
    if fault is not None:
        place = "/".join(str(p) for p in fault.absolute_path)
        what = " ".join(fault.message.split())[:150]
        msg = f"{name} is not a result of macrocheck measure: {f'at {place}: ' if place else ''}{what}."
        raise InputError(msg)


@cache
def _validator() -> Any:
    from jsonschema import Draft202012Validator

    text = (resources.files("macrocheck") / "result.schema.json").read_text(encoding="utf-8")
    return Draft202012Validator(json.loads(text))
