"""A whole run: plan it, measure what is missing, put each coupon on the record as soon as it is done."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from macrocheck import __version__
from macrocheck.errors import InputError, OutputError
from macrocheck.record.engine import reading
from macrocheck.record.entries import Entry, KeptWhere, PhotoKept, SectionInputs, run_entry, section_entry
from macrocheck.record.present import coupon_now, rebalanced
from macrocheck.record.store import Record, append
from macrocheck.run.plan import RunWish, Todo, plan_run
from macrocheck.run.sheet import RunSheet
from macrocheck.run.work import Outcome, SectionJob

Measure = Callable[[Sequence[tuple[SectionJob, ...]]], Iterator[tuple[int, tuple[Outcome, ...]]]]
"""Measures jobs in any order and yields (index, outcomes) as they come."""


class Watcher(Protocol):
    """Who is told how a run goes."""

    def begin(self, coupons: int, done_before: int) -> None:
        """Take note of how many coupons are to be measured, and how many need nothing."""

    def one_done(self, coupon: str, failures: Sequence[str]) -> None:
        """Take note of a coupon that is on the record now."""


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run ended: (coupon, sentence) of what could not be recorded, and counts of coupons.

    `failed`: coupons with a section that was not measured; `recorded`: the others that are on the record since.
    """

    failures: tuple[tuple[str, str], ...]
    recorded: int
    unchanged: int
    failed: int


def measure_run(
    record: Record,
    sheet: RunSheet,
    sheet_name: str,
    wish: RunWish,
    measure: Measure,
    watcher: Watcher,
    *,
    keep: KeptWhere = "beside",
    who: str | None = None,
) -> RunOutcome:
    """Measure what of a sheet is not on the record yet; every coupon is one transaction of its own.

    A coupon that fails is recorded with the reason and does not stop the others. Stopping at any moment loses only
    the coupons under way.
    """
    with reading(record.engine, record.name) as conn:
        todo = plan_run(conn, sheet.coupons, wish)
    work = [t for t in todo if not t.nothing]
    if any(t.failure is None for t in work):
        append(record, [_run(sheet, sheet_name, wish)], who=who, reason=wish.reason or "run again")
    failures = [(t.plan.coupon, t.failure) for t in work if t.failure is not None]
    able = [t for t in work if t.failure is None]
    watcher.begin(len(able), len(todo) - len(work))
    for t in (t for t in able if not t.jobs):
        failures += _settle(record, t, (), keep, who, watcher)
    jobs = [t for t in able if t.jobs]
    failed = 0
    for index, outcomes in measure([t.jobs for t in jobs]):
        failed += any(o.failure is not None for o in outcomes)
        failures += _settle(record, jobs[index], outcomes, keep, who, watcher)
    failed += len(failures)
    return RunOutcome(tuple(failures), len(work) - failed, len(todo) - len(work), failed)


def _run(sheet: RunSheet, sheet_name: str, wish: RunWish) -> Entry:
    options: dict[str, Any] = {
        "given_mm": dict(wish.given),
        "guard": wish.guard,
        "fusion_threshold_mm": wish.fusion_threshold_mm,
        "limits": None if wish.limits is None else wish.limits.fallback,
    }
    text = None if wish.limits is None else wish.limits.text
    return run_entry(wish.run, sheet=sheet.content, sheet_name=sheet_name, limits=text, options=options)


def _settle(
    record: Record,
    todo: Todo,
    outcomes: Sequence[Outcome],
    keep: KeptWhere,
    who: str | None,
    watcher: Watcher,
) -> list[tuple[str, str]]:
    """Put one coupon on the record; what stands in the way of it (a photograph gone, say) is its failure.

    Raises OutputError where nothing more can be written.
    """
    coupon = todo.plan.coupon
    try:
        entries = _entries(record, todo, outcomes, keep)
        append(record, entries, who=who, reason=todo.reason)
    except OutputError as error:
        msg = f"{error} What was recorded before stays; the same command goes on from there."
        raise OutputError(msg) from error
    except InputError as error:
        watcher.one_done(coupon, [str(error)])
        return [(coupon, str(error))]
    watcher.one_done(coupon, [o.failure for o in outcomes if o.failure is not None])
    return []


def _entries(record: Record, todo: Todo, outcomes: Sequence[Outcome], keep: KeptWhere) -> list[Entry]:
    entries = [todo.entry] if todo.coupon_changed else []
    measured = [job.section for job in todo.jobs]
    if todo.coupon_changed:
        with reading(record.engine, record.name) as conn:
            now = coupon_now(conn, todo.plan.coupon)
            if now is not None:
                entries += rebalanced(conn, now, todo.plan.settings, todo.reason, measured)
    for job, outcome in zip(todo.jobs, outcomes, strict=True):
        photo = _photo(record, job, outcome, keep)
        entries.append(
            section_entry(
                job.coupon,
                job.section,
                photo=photo,
                inputs=SectionInputs(
                    job.marks,
                    job.joint,
                    job.hints,
                    job.given,
                    job.guard,
                    job.fusion_threshold_mm,
                    job.mark_offset_mm,
                    job.camera_distance_mm,
                ),
                inputs_digest=job.inputs(__version__),
                result=outcome.result,
                outline=outcome.outline,
                scale=outcome.scale,
                limits=None if job.limits is None else job.limits.text,
                failure=outcome.failure,
                settings=todo.plan.settings,
                revised=job.kept_outline is not None,
            )
        )
    return entries


def _photo(record: Record, job: SectionJob, outcome: Outcome, keep: KeptWhere) -> PhotoKept:
    """Keep the photograph of a section that was measured; of a failure the digest is enough."""
    how: KeptWhere = keep if outcome.failure is None else "no"
    return record.photos.keep(Path(job.photo), how, job.sha256)
