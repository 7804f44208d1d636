"""Coupons to put on a record."""

from collections.abc import Mapping
from typing import Any

from macrocheck.record.entries import Entry, PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import Setting, kind_named
from macrocheck.record.store import Record, append

NOTED = {
    "process": "GMAW",
    "wire diameter": "0.9 mm",
    "wfs": "94 in / 15 s; 96 in / 15 s",
    "volts": "22-23",
    "amps": "180",
    "travel speed": "400 mm/min",
    "operator": "Kim",
}


def settings(noted: Mapping[str, str] = NOTED) -> list[Setting]:
    return [read_setting(kind_named(name), text) for name, text in noted.items()]


def entries(coupon: str, result: Mapping[str, Any], **noted: str) -> list[Entry]:
    """Return a coupon with one section."""
    every = settings({**NOTED, **noted})
    photo = PhotoKept(result["photo"]["sha256"], "tee.png")
    section = section_entry(
        coupon, "tee", photo=photo, inputs=SectionInputs(("px:0.02mm",)), result=result, settings=every
    )
    return [coupon_entry(coupon, every, run="trial"), section]


def fill(record: Record, result: Mapping[str, Any], count: int) -> None:
    for i in range(count):
        append(record, entries(f"T6-{i:02d}", result, amps=str(170 + i)))
