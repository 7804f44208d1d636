"""What of a sheet is to be done: each coupon compared with what stands on the record."""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, and_, select

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.paths import os_reason, shown
from macrocheck.record import schema
from macrocheck.record.documents import canonical, digest
from macrocheck.record.entries import Entry, coupon_entry
from macrocheck.record.photos import file_digest
from macrocheck.record.present import coupon_of_photo
from macrocheck.record.query import body_of, document_bytes, document_of
from macrocheck.run.sheet import CouponPlan, SectionPlan
from macrocheck.run.work import LimitsText, SectionJob

BY_HAND = frozenset({"corrected by hand", "drawn by hand"})
"""How an outline was made that a person stands for (`Outline.made_by`)."""

_AT_ONCE = 4
"""Files read at once for their digests; the disk is the limit, not the processor."""


@dataclass(frozen=True, slots=True)
class RunWish:
    """What holds for every coupon of a run: its name, limits, and how they are decided; lengths in mm."""

    run: str
    limits: LimitsText | None
    given: Mapping[str, float]
    guard: float | None
    fusion_threshold_mm: float
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Todo:
    """What is to be done for one coupon: its entry where it is new or changed, and the sections to measure.

    `reason`: for what stands on the record already. `failure`: why nothing can be done for it.
    """

    plan: CouponPlan
    entry: Entry
    coupon_changed: bool
    jobs: tuple[SectionJob, ...]
    reason: str
    failure: str | None = None

    @property
    def nothing(self) -> bool:
        """Tell whether the record says all of it already."""
        return not self.coupon_changed and not self.jobs and self.failure is None


@dataclass(frozen=True)
class _Stands:
    """What stands on the record about a run's coupons."""

    bodies: Mapping[str, tuple[int, str]]
    sections: Mapping[tuple[str, str], tuple[int, str | None, str | None]]

    @cached_property
    def folded(self) -> dict[str, str]:
        """Coupons by their id without regard to upper and lower case."""
        return {coupon.casefold(): coupon for coupon in self.bodies}


def plan_run(conn: Connection, coupons: Sequence[CouponPlan], wish: RunWish) -> list[Todo]:
    """Compare every coupon with the record: done is what was measured from the same inputs by the same version."""
    stands = _standing(conn)
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        digests = list(pool.map(_digests, coupons))
    return [_todo(conn, c, d, wish, stands) for c, d in zip(coupons, digests, strict=True)]


def _standing(conn: Connection) -> _Stands:
    cur, c, r, s = schema.current, schema.coupon, schema.revision, schema.section
    bodies = {
        row.coupon: (int(row.seq), str(row.body))
        for row in conn.execute(
            select(c.c.coupon, c.c.seq, r.c.body)
            .join(cur, and_(cur.c.kind == "coupon", cur.c.seq == c.c.seq))
            .join(r, r.c.seq == c.c.seq)
        )
    }
    sections = {
        (row.coupon, row.section): (int(row.seq), row.inputs, row.failure)
        for row in conn.execute(
            select(s.c.coupon, s.c.section, s.c.seq, s.c.inputs, s.c.failure).join(
                cur, and_(cur.c.kind == "section", cur.c.seq == s.c.seq)
            )
        )
    }
    return _Stands(bodies, sections)


def _digests(coupon: CouponPlan) -> list[tuple[str, bytes | None]] | str:
    """Return each photograph's digest and its outline's bytes, or the sentence on what cannot be read."""
    try:
        return [(file_digest(s.photo), _outline(s.outline)) for s in coupon.sections]
    except InputError as error:
        return str(error)


def _outline(path: Path | None) -> bytes | None:
    if path is None:
        return None
    try:
        return path.read_bytes()
    except OSError as error:
        msg = f"{shown(path)} cannot be read: {os_reason(error)}."
        raise InputError(msg) from error


def _todo(
    conn: Connection,
    plan: CouponPlan,
    digests: list[tuple[str, bytes | None]] | str,
    wish: RunWish,
    stands: _Stands,
) -> Todo:
    entry = coupon_entry(plan.coupon, plan.settings, run=wish.run)
    before = stands.bodies.get(plan.coupon)
    changed = before is None or before[1] != digest(canonical(entry.body))
    if isinstance(digests, str):
        return Todo(plan, entry, changed, (), "", digests)
    alike = None if before is not None else stands.folded.get(plan.coupon.casefold())
    if alike is not None:
        text = f"The record has a coupon {alike}; write the id like that, or give this coupon another one."
        return Todo(plan, entry, changed, (), "", text)
    reasons = []
    if before is not None and changed:
        old = body_of(conn, before[0])
        if old["run"] not in {None, wish.run}:
            text = (
                f"Coupon {plan.coupon} is on the record from run {old['run']} already; give it another id, "
                f"or go on with that run: --run '{old['run']}'."
            )
            return Todo(plan, entry, changed, (), "", text)
        reasons.append(_changed_coupon(old, entry.body))
    jobs = []
    for section, (sha256, outline) in zip(plan.sections, digests, strict=True):
        job = _job(plan, section, sha256, outline, wish)
        there = stands.sections.get((plan.coupon, section.section))
        if there is not None and there[1] == job.inputs(__version__) and there[2] is None:
            continue
        other = coupon_of_photo(conn, sha256, other_than=plan.coupon)
        if other is not None:
            name = shown(section.photo.name)
            text = f"The photograph {name} is on the record as coupon {other}'s; one photograph shows one coupon."
            return Todo(plan, entry, changed, (), "", text)
        if there is not None:
            old = body_of(conn, there[0])
            job = replace(job, kept_outline=_kept_outline(conn, old, job))
            kept = "" if job.kept_outline is None else "; measured with the outline corrected by hand"
            reasons.append(f"{section.section}: {_changed_inputs(old, job)}{kept}")
        jobs.append(job)
    return Todo(plan, entry, changed, tuple(jobs), wish.reason or "; ".join(reasons))


def _job(plan: CouponPlan, section: SectionPlan, sha256: str, outline: bytes | None, wish: RunWish) -> SectionJob:
    return SectionJob(
        coupon=plan.coupon,
        section=section.section,
        photo=str(section.photo),
        sha256=sha256,
        marks=section.marks,
        joint=section.joint,
        hints=section.hints,
        mark_offset_mm=section.mark_offset_mm,
        camera_distance_mm=section.camera_distance_mm,
        outline=outline,
        given={**wish.given, **plan.given} if wish.limits is not None else {},
        limits=wish.limits,
        guard=wish.guard,
        fusion_threshold_mm=wish.fusion_threshold_mm,
    )


def _kept_outline(conn: Connection, old: Mapping[str, Any], job: SectionJob) -> bytes | None:
    """Return the outline that a person corrected on the record, where it is of this photograph."""
    same = (old["photo"] or {}).get("sha256") == job.sha256
    if not same or not old.get("revised") or job.outline is not None or not old["outline"]:
        return None
    made_by = document_of(conn, old["result"])["outline"]["made_by"]
    return document_bytes(conn, old["outline"]) if made_by in BY_HAND else None


def _changed_coupon(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Return what makes a new revision of a coupon, in words."""
    was = {s["name"]: s for s in old["settings"]}
    now = {s["name"]: s for s in new["settings"]}
    names = sorted(name for name in was.keys() | now.keys() if was.get(name) != now.get(name))
    if old["run"] != new["run"]:
        names.append("run")
    if names:
        return f"sheet changed: {', '.join(names)}"
    return "the same settings, worked out by another version of macrocheck"


def _changed_inputs(old: Mapping[str, Any], job: SectionJob) -> str:
    """Return what makes a section to be measured again, in words."""
    if old["failure"] is not None and old["inputs"] == job.inputs(__version__):
        return "tried again"
    limits = None if job.limits is None else digest(job.limits.text.encode("utf-8"))
    pairs = {
        "photograph": ((old["photo"] or {}).get("sha256"), job.sha256),
        "marks": (old["marks"], list(job.marks)),
        "joint": (old["joint"], job.joint),
        "hints": (old["hints"], list(job.hints)),
        "height of the mark": (old.get("mark_offset_mm"), job.mark_offset_mm),
        "distance of the camera": (old.get("camera_distance_mm"), job.camera_distance_mm),
        "given lengths": (old["given_mm"], dict(job.given)),
        "limits": (old["limits"], limits),
        "guard band": (old["guard"], job.guard),
        "fusion threshold": (old["fusion_threshold_mm"], job.fusion_threshold_mm),
    }
    changed = [name for name, (was, now) in pairs.items() if was != now]
    return f"changed: {', '.join(changed)}" if changed else "another outline or version of macrocheck"
