"""What can be put on the record: a run, a coupon, a section; each becomes a revision's body and its documents."""

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from macrocheck.errors import InputError
from macrocheck.record.documents import GEOJSON_TYPE, JSON_TYPE, canonical, digest
from macrocheck.record.schema import LONGEST_NAME
from macrocheck.record.settings import Setting

Kind = Literal["run", "coupon", "section"]
KeptWhere = Literal["no", "beside", "inside"]


@dataclass(frozen=True, slots=True)
class Document:
    """Bytes that a body names by their SHA-256."""

    content: bytes
    media_type: str = JSON_TYPE

    @property
    def sha256(self) -> str:
        """Hex digest of the content."""
        return digest(self.content)


@dataclass(frozen=True, slots=True)
class PhotoKept:
    """A photograph as the record knows it: digest of its bytes, its file name, and where its file is kept."""

    sha256: str
    name: str
    kept: KeptWhere = "no"


@dataclass(frozen=True, slots=True)
class Entry:
    """One revision to be written: what it is about, its body, and the documents that the body names."""

    kind: Kind
    subject: tuple[str, ...]
    body: dict[str, Any]
    documents: tuple[Document, ...] = ()
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class SectionInputs:
    """What a measurement rests on besides the photograph; lengths in mm.

    `mark_offset_mm`, `camera_distance_mm`: how high the marks lie over the section, where that was stated.
    """

    marks: tuple[str, ...] = ()
    joint: str = "auto"
    hints: tuple[str, ...] = ()
    given: Mapping[str, float] = field(default_factory=dict)
    guard: float | None = None
    fusion_threshold_mm: float | None = None
    mark_offset_mm: float | None = None
    camera_distance_mm: float | None = None


def run_entry(
    name: str, *, sheet: bytes | None, sheet_name: str, limits: str | None, options: Mapping[str, Any]
) -> Entry:
    """Return a run: its sheet as it stood, its limits as they stood (TOML), and how it was called."""
    documents = []
    body: dict[str, Any] = {"what": "run", "run": checked_name(name, "run"), "options": dict(options)}
    for key, content, media_type in (
        ("sheet", sheet, "application/octet-stream"),
        ("limits", None if limits is None else limits.encode("utf-8"), "application/toml"),
    ):
        body[key] = None
        if content is not None:
            documents.append(Document(content, media_type))
            body[key] = documents[-1].sha256
    body["sheet_name"] = sheet_name
    return Entry("run", (name,), body, tuple(documents))


def coupon_entry(
    coupon: str, settings: Sequence[Setting], *, run: str | None = None, reason: str | None = None
) -> Entry:
    """Return a coupon and its settings; what follows from them is worked out here and kept beside them."""
    from macrocheck.record.arc import derived

    body = {
        "what": "coupon",
        "coupon": checked_name(coupon, "coupon"),
        "run": None if run is None else checked_name(run, "run"),
        "settings": [s.to_json() for s in settings],
        "derived": [s.to_json() for s in derived(settings)],
    }
    names = [checked_name(str(s.name), "setting") for s in settings]
    if len(set(names)) != len(names):
        msg = f"Coupon {coupon} has a setting twice; keep one."
        raise InputError(msg)
    return Entry("coupon", (coupon,), body, (), reason)


def section_entry(
    coupon: str,
    section: str,
    *,
    photo: PhotoKept | None,
    inputs: SectionInputs,
    inputs_digest: str | None = None,
    result: Mapping[str, Any] | None = None,
    outline: bytes | None = None,
    scale: Mapping[str, Any] | None = None,
    limits: str | None = None,
    failure: str | None = None,
    settings: Sequence[Setting] = (),
    reason: str | None = None,
    revised: bool = False,
) -> Entry:
    """Return a measured section, or the sentence on why it could not be measured.

    `result`: the result document; `outline`: GeoJSON of the outline measured; `limits`: TOML text as it stood;
    `scale`: what the document leaves out of it (`rebuild.scale_detail`);
    `settings`: the coupon's, for the metal balance of each weld. `revised`: a person put this in the place of what
    was measured, so that a run does not measure it again of itself.
    """
    documents: list[Document] = []

    def keep(content: bytes | None, media_type: str) -> str | None:
        if content is None:
            return None
        documents.append(Document(content, media_type))
        return documents[-1].sha256

    body: dict[str, Any] = {
        "what": "section",
        "coupon": checked_name(coupon, "coupon"),
        "section": checked_name(section, "section"),
        "photo": None if photo is None else {"sha256": photo.sha256, "name": photo.name, "kept": photo.kept},
        "marks": list(inputs.marks),
        "joint": inputs.joint,
        "hints": list(inputs.hints),
        "given_mm": dict(inputs.given),
        "guard": inputs.guard,
        "fusion_threshold_mm": inputs.fusion_threshold_mm,
        "inputs": inputs_digest,
        "scale": None if scale is None else dict(scale),
        "limits": keep(None if limits is None else limits.encode("utf-8"), "application/toml"),
        "outline": keep(outline, GEOJSON_TYPE),
        "result": keep(None if result is None else canonical(result), JSON_TYPE),
        "failure": failure,
        "balance": [] if result is None else balances(result, settings),
    }
    # only where it was stated: what was recorded before heights could be is the same body still
    for name in ("mark_offset_mm", "camera_distance_mm"):
        if getattr(inputs, name) is not None:
            body[name] = getattr(inputs, name)
    if revised:
        body["revised"] = True
    return Entry("section", (coupon, section), body, tuple(documents), reason)


def balances(result: Mapping[str, Any], settings: Sequence[Setting]) -> list[list[dict[str, object]]]:
    """Return the metal balance of every weld."""
    from macrocheck.record.arc import metal_balance

    made = []
    for weld in result["welds"]:
        fill = weld["quantities"].get("fill_area") or {"value": None, "u": None}
        made.append([s.to_json() for s in metal_balance(settings, fill["value"], fill["u"])])
    return made


def checked_name(text: str, what: str) -> str:
    """Return the name of a coupon, section, run or setting; InputError where it cannot be one."""
    if not text.strip() or text != text.strip():
        msg = f"A {what} needs a name without blanks around it."
        raise InputError(msg)
    if len(text) > LONGEST_NAME:
        msg = f"The {what} name '{text[:30]}...' has more than {LONGEST_NAME} characters; shorten it."
        raise InputError(msg)
    if any(unicodedata.category(c) in {"Cc", "Cs"} for c in text):
        msg = f"The {what} name {text!r} holds a control character; leave it out."
        raise InputError(msg)
    return text
