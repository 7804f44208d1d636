"""Records with invented numbers, made through the record's own entries."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from macrocheck.quantities import BY_KEY
from macrocheck.record.entries import Entry, PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import kind_named
from macrocheck.record.store import Record, append
from macrocheck.results import VerdictWord


@dataclass(frozen=True)
class Cut:
    """One section: values by quantity (None: could not be had), and what else its document says."""

    values: Mapping[str, float | None]
    u: float = 0.05
    at_least: Mapping[str, float] = field(default_factory=dict)
    made_by: str = "found"
    photo: str = ""
    failure: str | None = None


def word_of(value: float | None, limit: float, u95: float) -> VerdictWord:
    if value is None or abs(value - limit) < u95:
        return "undecided"
    return "accept" if value > limit else "reject"


def document(cut: Cut, name: str) -> dict[str, Any]:
    """Return a result document with one weld."""
    u95 = 2 * cut.u
    verdicts = [
        {
            "limit": f"least {key}",
            "quantity": key,
            "word": word_of(cut.values.get(key), limit, u95),
            "at_least": limit,
            "at_most": None,
            "unit": BY_KEY[key].unit,
            "value": cut.values.get(key),
            "guard": u95,
            "source": "bench",
            "mark": "stated by the user",
            "text": "",
        }
        for key, limit in cut.at_least.items()
    ]
    words = [str(v["word"]) for v in verdicts]
    grade = max(words, key=["accept", "undecided", "reject"].index) if words else None
    quantities = {
        key: {
            "value": value,
            "u": None if value is None else cut.u,
            "U95": None if value is None else u95,
            "unit": BY_KEY[key].unit,
            "reason": "not seen" if value is None else None,
        }
        for key, value in cut.values.items()
    }
    photo = cut.photo or name
    return {
        "photo": {"path": f"{photo}.png", "sha256": hashlib.sha256(photo.encode()).hexdigest()},
        "scale": {"flags": []},
        "outline": {"made_by": cut.made_by, "flags": []},
        "welds": [
            {"joint": "tee", "quantities": quantities, "verdicts": verdicts, "flags": [], "settings": {}},
        ],
        "grade": grade,
        "limits": {"name": "bench" if verdicts else None, "rule": None, "notes": []},
        "version": "0",
    }


def cut_entry(coupon: str, section: str, cut: Cut, reason: str | None = None) -> Entry:
    result = None if cut.failure else document(cut, f"{coupon}-{section}")
    photo = None if result is None else PhotoKept(result["photo"]["sha256"], result["photo"]["path"])
    return section_entry(
        coupon, section, photo=photo, inputs=SectionInputs(("px:0.02mm",)), result=result, failure=cut.failure,
        reason=reason,
    )  # fmt: skip


def put(record: Record, coupon: str, noted: Mapping[str, str], cuts: Sequence[Cut], *, who: str = "Kim") -> None:
    """Put a coupon with its settings and sections on the record."""
    append(record, entries(coupon, noted, cuts), who=who)


def entries(coupon: str, noted: Mapping[str, str], cuts: Sequence[Cut]) -> list[Entry]:
    settings = [read_setting(kind_named(name), text) for name, text in noted.items()]
    made = [coupon_entry(coupon, settings)]
    return made + [cut_entry(coupon, f"S{i}", cut) for i, cut in enumerate(cuts, 1)]
