"""What a report rests on, as it stands on the record: coupons, sections, results, revisions."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from macrocheck.record.entries import PhotoKept
from macrocheck.record.settings import Setting

if TYPE_CHECKING:
    from macrocheck.results import Result


@dataclass(frozen=True, slots=True)
class RecordFacts:
    """The record itself: its name, UUID, when and with what it was begun, and its last revision."""

    name: str
    uuid: str
    begun_at: str
    begun_with: str
    seq: int
    hash: str


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision of a coupon or section: when (UTC, ISO 8601), who, why, and its hash in the chain."""

    seq: int
    number: int
    at: str
    who: str
    reason: str | None
    version: str
    hash: str


@dataclass(frozen=True, slots=True)
class SectionFacts:
    """One section as it stands.

    `body`: what its newest revision says. `document`: its result document, None where it was not measured.
    `result`: the same as a value, for drawing; None without an outline. `photo`: as the record knows it.
    `revisions`: oldest first.
    """

    coupon: str
    section: str
    body: Mapping[str, Any]
    document: Mapping[str, Any] | None
    result: "Result | None"
    photo: PhotoKept | None
    revisions: tuple[Revision, ...]

    @property
    def photo_path(self) -> str | None:
        """Where the photograph lay when it was measured."""
        return None if self.document is None else str(self.document["photo"]["path"])


@dataclass(frozen=True, slots=True)
class CouponFacts:
    """One coupon as it stands: settings as noted, what was worked out of them, sections, revisions."""

    coupon: str
    run: str | None
    settings: tuple[Setting, ...]
    derived: tuple[Setting, ...]
    sections: tuple[SectionFacts, ...]
    revisions: tuple[Revision, ...]
