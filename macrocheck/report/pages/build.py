"""The whole report, worded and drawn: from what stands on the record to what the templates show."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from macrocheck import __version__
from macrocheck.paths import shown
from macrocheck.record.photos import PhotoStore
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.pages.coupon_view import Sources, coupon_grade, coupon_view, formulas, limit_sets
from macrocheck.report.pages.drawing import drawing
from macrocheck.report.pages.examination import SOURCE as EXAMINATION_SOURCE
from macrocheck.report.pages.facts import CouponFacts, RecordFacts
from macrocheck.report.pages.plots_view import plot_views
from macrocheck.report.pages.study_view import comparison_views
from macrocheck.report.pages.table_view import table_columns, table_headings, table_rows
from macrocheck.report.pages.view import Pair, ReportView
from macrocheck.report.pages.wording import GRADE_WORDS, moment, plural
from macrocheck.results import CAUTIONS
from macrocheck.study.comparison import Comparison
from macrocheck.study.relation import Relation


@dataclass(frozen=True, slots=True)
class ReportWish:
    """How a report is to be: lengths in `unit`, `paper` a4 or letter, its title, and the table's quantities."""

    unit: LengthUnit = "mm"
    paper: str = "a4"
    title: str = ""
    of: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    where: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Checked:
    """What came of checking the whole record: how many revisions, and each fault as a sentence."""

    revisions: int
    faults: tuple[str, ...]


def report_view(
    record: RecordFacts,
    coupons: Sequence[CouponFacts],
    store: PhotoStore,
    wish: ReportWish,
    *,
    comparison: Comparison | None = None,
    worded: Comparison | None = None,
    groups: Sequence[tuple[str, Sequence[str]]] = (),
    relations: Sequence[Relation] = (),
    checked: Checked | None = None,
) -> ReportView:
    """Draw and word a report on these coupons.

    `comparison` is in mm; `worded`: the same in `wish.unit`, for its sentences. `groups`: (label, coupons) of it.
    """
    anchors = {c.coupon: f"coupon-{i}" for i, c in enumerate(coupons, start=1)}
    columns = table_columns(coupons, wish.of)
    sources = Sources()
    sections = [s for c in coupons for s in c.sections]
    with drawing(sections, store, wish.unit) as drawn:
        plots = () if comparison is None else plot_views(coupons, comparison, groups, relations, wish.unit)
        pictures = drawn()
    views = [
        coupon_view(c, pictures[c.coupon], anchor=anchors[c.coupon], unit=wish.unit, sources=sources)
        for c in coupons
    ]
    now = datetime.now(UTC).isoformat(timespec="minutes")
    return ReportView(
        title=wish.title or f"Report on {plural(len(coupons), 'coupon')} of {shown(record.name)}",
        facts=[*_facts(record, coupons, wish, now), *_checked(checked)],
        cautions=CAUTIONS,
        faults=() if checked is None else _some([shown(f) for f in checked.faults], "faults"),
        counts=_counts(coupons),
        headings=table_headings(columns, wish.unit),
        rows=table_rows(coupons, anchors, columns, groups, wish.unit),
        comparisons=() if comparison is None else comparison_views(comparison, worded or comparison, wish.unit),
        compare_notes=() if comparison is None else _compare_notes(comparison, relations),
        plots=plots,
        coupons=views,
        sources=sources.listed(),
        limit_sets=limit_sets(coupons),
        formulas=formulas(coupons, wish.unit),
        notes=_notes(comparison),
        paper=wish.paper,
        made=f"Made {moment(now)} with macrocheck {__version__} from revision {record.seq} of the record.",
    )


def _facts(record: RecordFacts, coupons: Sequence[CouponFacts], wish: ReportWish, now: str) -> list[Pair]:
    runs = list(dict.fromkeys(c.run for c in coupons if c.run))
    sections = sum(len(c.sections) for c in coupons)
    pairs = [
        ("Record", f"{shown(record.name)}, begun {moment(record.begun_at)}"),
        ("Record id", record.uuid),
        ("Run", ", ".join(shown(r) for r in runs[:6]) + (f" and {len(runs) - 6} more" if len(runs) > 6 else "")),
        ("Coupons", f"{len(coupons)}, {plural(sections, 'section')}"),
        ("Grouped by", ", ".join(shown(b).replace("_", " ") for b in wish.by)),
        ("Only where", "; ".join(shown(w) for w in wish.where)),
        ("Made", f"{moment(now)} with macrocheck {__version__}"),
        ("As of", f"revision {record.seq}, chain hash {record.hash}"),
    ]
    return [(title, text) for title, text in pairs if text]


def _checked(checked: Checked | None) -> list[Pair]:
    if checked is None:
        return []
    found = f"{len(checked.faults)} faults, below" if checked.faults else "nothing was changed"
    return [("Checked", f"{plural(checked.revisions, 'revision')} and their documents: {found}")]


def _some(lines: list[str], what: str, most: int = 12) -> list[str]:
    """Return the first lines, and how many more there are."""
    return lines if len(lines) <= most else [*lines[:most], f"{len(lines) - most} more {what}."]


def _counts(coupons: Sequence[CouponFacts]) -> list[tuple[str, str, int]]:
    found = Counter(coupon_grade(c) for c in coupons)
    return [(word, label, found[word]) for word, label in GRADE_WORDS.items() if found[word]]


def _compare_notes(comparison: Comparison, relations: Sequence[Relation]) -> list[str]:
    notes = []
    if comparison.by:
        notes.append(f"Groups by {', '.join(shown(b).replace('_', ' ') for b in comparison.by)}.")
    notes += [shown(n) for n in comparison.notes]
    if comparison.share_differences:
        out = [shown(d.text) for d in comparison.share_differences if d.stands_out]
        notes += out or ["No two groups differ in the share accepted by more than chance."]
    for relation in relations:
        if not relation.fits:
            x = " and ".join(shown(name).replace("_", " ") for name, _ in relation.x)
            why = "; ".join(f"{form}: {reason}" for form, reason in relation.refused)
            notes.append(f"{relation.y_name} over {x}: no relation could be fitted ({shown(why)}).")
    if comparison.left_out:
        names = ", ".join(f"{shown(c)} ({shown(why)})" for c, why in comparison.left_out[:8])
        more = len(comparison.left_out) - 8
        notes.append(f"In no group: {names}{f' and {more} more' if more > 0 else ''}.")
    return notes


def _notes(comparison: Comparison | None) -> list[str]:
    notes = [
        "± U95: expanded uncertainty of about 95 %, worked out for each number from the picture, the scale and "
        "the fitted surfaces (JCGM 101). After a setting, ± is twice its standard uncertainty.",
        "Verdicts: accept, inside the limit by more than the guard band; reject, outside by more; undecided, "
        "anything between, and where a number is missing (JCGM 106, ISO 14253-1).",
        "A coupon's grade is the worst of its sections'; one that was not measured in full is not accepted.",
        "Marks on sources: read, where the text was before the one who wrote the row; from memory, where not; "
        "stated by the user. Check every row against your own copy of the code.",
        EXAMINATION_SOURCE,
        "Chain hash: SHA-256 that ties each revision to all before it; macrocheck record verify checks them, and "
        "with --expect the one above.",
    ]
    if comparison is not None:
        notes.insert(
            2,
            "Comparison: a coupon counts once, as the mean of its sections. Interval of the mean: Student; of a "
            "difference: Welch; of the accepted share: Clopper-Pearson. p: of no difference, after Holm over "
            "all of them. The bound is a one-sided normal tolerance bound.",
        )
    return notes
