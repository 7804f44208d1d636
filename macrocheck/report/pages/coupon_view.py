"""One coupon of the report, worded: settings, examination, pictures, quantities, limits, flags, revisions."""

from collections.abc import Mapping, Sequence
from typing import Any

from macrocheck.flags import KINDS
from macrocheck.paths import shown
from macrocheck.quantities import BY_KEY
from macrocheck.record.settings import Setting
from macrocheck.report.numbers import LengthUnit, bare_text, percent_u95
from macrocheck.report.pages.examination import examination
from macrocheck.report.pages.facts import CouponFacts, Revision, SectionFacts
from macrocheck.report.pages.pictures import Picture, SectionPictures
from macrocheck.report.pages.view import (
    CouponView,
    FlagView,
    LimitView,
    Pair,
    PictureView,
    RevisionView,
    SectionView,
    SidesRow,
    SourceView,
    WeldView,
)
from macrocheck.report.pages.wording import moment, setting_number, setting_text, setting_title
from macrocheck.report.panel import numbered_flags
from macrocheck.report.tables import SEVERITY, Row, limit_text, rows_of
from macrocheck.results import Quantity, Verdict
from macrocheck.units import MM_PER_INCH

_KEPT = {"no": "not kept in the record", "beside": "kept beside the record", "inside": "kept inside the record"}
_NOT_IN = {"mm": ("heat_input_in",), "in": ("heat_input",)}
"""The same number in the other unit."""


class Sources:
    """The sources that limits name, each once, numbered as they come up."""

    def __init__(self) -> None:
        self._numbers: dict[tuple[str, str], int] = {}

    def number(self, text: str, mark: str) -> int:
        """Return the number of a source."""
        return self._numbers.setdefault((text, mark), len(self._numbers) + 1)

    def listed(self) -> list[SourceView]:
        """Return the sources in order of their numbers."""
        return [SourceView(n, shown(text), mark) for (text, mark), n in self._numbers.items()]


def coupon_grade(facts: CouponFacts) -> str:
    """Return the worst grade of a coupon's sections; one that failed beside graded ones is undecided."""
    grades = [section_grade(s) for s in facts.sections]
    said = [g for g in grades if g in SEVERITY]
    if said:
        if "failed" in grades:
            said.append("undecided")
        return max(said, key=SEVERITY.index)
    return "none" if "none" in grades else "failed"


def section_grade(section: SectionFacts) -> str:
    """Return accept, undecided, reject, "none" where there were no limits, "failed" where nothing was measured."""
    if section.document is None:
        return "failed"
    grade = section.document["grade"]
    return str(grade) if grade in SEVERITY else "none"


def coupon_view(
    facts: CouponFacts,
    pictures: Mapping[str, SectionPictures],
    *,
    anchor: str,
    unit: LengthUnit,
    sources: Sources,
) -> CouponView:
    """Word one coupon; `pictures` by section name."""
    parted = examination(facts.settings)
    return CouponView(
        anchor=anchor,
        name=shown(facts.coupon),
        grade=coupon_grade(facts),
        run=shown(facts.run) if facts.run else "",
        settings=[(setting_title(s.name), setting_text(s, unit)) for s in parted.others],
        derived=_derived(facts.derived, unit),
        examination=[(item.title, setting_text(s, unit)) for item, s in parted.noted],
        missing=", ".join(title.lower() for title in parted.missing),
        sections=[_section(facts, s, pictures.get(s.section), unit, sources) for s in facts.sections],
        history=[_revision("coupon", r) for r in facts.revisions],
    )


def _derived(settings: Sequence[Setting], unit: LengthUnit) -> str:
    """Return what was worked out or assumed, in one sentence; the formulas stand at the end of the report."""
    parts = []
    for s in settings:
        if s.name in _NOT_IN[unit]:
            continue
        number, spread, printed = setting_number(s, unit)
        value = f"{number}{f' ± {spread}' if spread else ''} {printed}".rstrip() or shown(s.text)
        assumed = f" (assumed: {shown(s.text)})" if s.origin == "assumed" else ""
        parts.append(f"{setting_title(s.name.removesuffix('_in')).lower()} {value}{assumed}")
    return "; ".join(parts) + "." if parts else ""


def formulas(coupons: Sequence[CouponFacts], unit: LengthUnit) -> list[Pair]:
    """Return the formula of everything worked out from settings, each once."""
    found = {
        s.name: f"= {shown(s.text)}"
        for c in coupons
        for s in c.derived
        if s.origin == "derived" and s.name not in _NOT_IN[unit]
    }
    return [(setting_title(name.removesuffix("_in")), text) for name, text in found.items()]


def limit_sets(coupons: Sequence[CouponFacts]) -> list[tuple[str, list[str]]]:
    """Return every limit set that graded these coupons: its name, its rule and what it says besides its rows."""
    found: dict[str, dict[str, None]] = {}
    for section in (s for c in coupons for s in c.sections if s.document is not None):
        limits = section.document["limits"] if section.document is not None else {}
        if limits.get("name"):
            notes = found.setdefault(f"Limits {shown(limits['name'])}", {})
            said = [limits["rule"], *limits["notes"]]
            notes.update(dict.fromkeys(shown(note) for note in said if note))
    return [(title, list(notes)) for title, notes in found.items()]


def _section(
    coupon: CouponFacts,
    section: SectionFacts,
    pictures: SectionPictures | None,
    unit: LengthUnit,
    sources: Sources,
) -> SectionView:
    document = section.document
    what = f"coupon {shown(coupon.coupon)}, section {shown(section.section)}"
    return SectionView(
        name=shown(section.section),
        grade=section_grade(section),
        failure=shown(section.body["failure"] or ""),
        picture=_picture(pictures.main if pictures else None, _alt(section, what)),
        whole=_picture(pictures.whole if pictures else None, f"The whole photograph of {what}, marks as found."),
        note=pictures.note if pictures else "",
        scale=_scale(section, unit),
        welds=[] if document is None else _welds(section, document, unit, sources),
        flags=_flags(section),
        facts=_provenance(section),
        history=[_revision(f"section {shown(section.section)}", r) for r in section.revisions],
    )


def _picture(picture: Picture | None, alt: str) -> PictureView | None:
    if picture is None:
        return None
    return PictureView(picture.content, "jpg", picture.width, picture.height, alt)


def _alt(section: SectionFacts, what: str) -> str:
    if section.document is None:
        return f"Photograph of {what}; nothing was measured in it."
    joints = ", ".join(w["joint"] for w in section.document["welds"])
    return f"Section of {what} ({joints}) with outline, fusion boundary and dimensions; the table says them all."


def _scale(section: SectionFacts, unit: LengthUnit) -> list[Pair]:
    if section.document is None:
        return [("Mark stated", _listed(section.body["marks"]))] if section.body["marks"] else []
    scale = section.document["scale"]
    size = float(scale["mm_per_px"]) * (1.0 if unit == "mm" else 1 / MM_PER_INCH)
    marks = section.body["marks"]
    pairs = [
        ("Scale", f"{size:.5g} {unit} per px ± {percent_u95(float(scale['u_rel']))} (U95)"),
        ("How it was had", shown(scale["method"])),
    ]
    detail = section.body["scale"] or {}
    if detail.get("plane") is not None:
        pairs.append(("Tilt", "taken out by the marks"))
    return [*pairs, ("Mark stated", _listed(marks))] if marks else pairs


def _listed(texts: Sequence[str]) -> str:
    return ", ".join(shown(t) for t in texts)


def _welds(
    section: SectionFacts, document: Mapping[str, Any], unit: LengthUnit, sources: Sources
) -> list[WeldView]:
    views = []
    welds = document["welds"]
    for i, weld in enumerate(welds):
        verdicts = [Verdict(**v) for v in weld["verdicts"]]
        rows = rows_of({k: quantity_of(q) for k, q in weld["quantities"].items()}, verdicts, unit)
        title = f"Weld {i + 1}, {weld['joint']}" if len(welds) > 1 else f"{weld['joint'].capitalize()} weld"
        sides, paired, single = sides_of([r for r in rows if r.value and not _is_spans(r)])
        balance = section.body["balance"]
        views.append(
            WeldView(
                title=title,
                sides=sides,
                paired=paired,
                rows=single,
                said=_said(rows, balance[i] if i < len(balance) else (), unit),
                limits=[_limit(v, unit, sources) for v in verdicts],
            )
        )
    return views


def _said(rows: Sequence[Row], balance: Sequence[Mapping[str, Any]], unit: LengthUnit) -> list[Pair]:
    """Return what stands under a weld's table: what it is of, and a sentence."""
    said = [
        (f"{r.name}:", f"{r.value} ± {r.u95} {r.unit}, from the joint root.")
        for r in rows
        if _is_spans(r) and r.u95
    ]
    without = _gathered([(r.name, shown(r.reason)) for r in rows if not r.value and r.reason])
    if without:
        said.append(("Not measured:", "; ".join(f"{names} ({why.strip('.')})" for names, why in without) + "."))
    if balance:
        settings = [Setting.from_json(dict(row)) for row in balance]
        numbers = [" ".join(p for p in _spread(s, unit) if p) for s in settings]
        parts = [f"{setting_title(s.name).lower()} {n}" for s, n in zip(settings, numbers, strict=True)]
        said.append(("Metal balance:", "; ".join(parts) + "."))
    return said


def _is_spans(row: Row) -> bool:
    """Tell whether a row lists stretches, which are too long for a table."""
    return row.key.startswith("unfused_spans")


_SIDES: tuple[Pair, ...] = (("butting", "nonbutting"), ("left", "right"))


def sides_of(rows: Sequence[Row]) -> tuple[Pair, list[SidesRow], list[Row]]:
    """Part rows into those of both sides of the weld, side by side, and the rest; and name the sides."""
    keys = {r.key: r for r in rows}
    first, second = next((s for s in _SIDES if any(k.endswith(f"_{s[0]}") for k in keys)), _SIDES[0])
    paired: dict[str, SidesRow] = {}
    single = []
    for row in rows:
        stem, _, side = row.key.rpartition("_")
        if side not in {first, second}:
            single.append(row)
        elif stem not in paired:
            name = row.name.removesuffix(f", {side}")
            paired[stem] = SidesRow(name, row.unit, keys.get(f"{stem}_{first}"), keys.get(f"{stem}_{second}"))
    return (first, second), list(paired.values()), single


def _spread(s: Setting, unit: LengthUnit) -> tuple[str, str, str]:
    number, spread, printed = setting_number(s, unit)
    return number, f"± {spread}" if spread else "", printed


def quantity_of(q: Mapping[str, Any]) -> Quantity:
    """Return a quantity of a result document as a value."""
    value = q["value"]
    if isinstance(value, list):
        value = tuple(tuple(v) if isinstance(v, list) else v for v in value)
    return Quantity(value, q["u"], q["U95"], q["unit"], q["reason"])


def _gathered(pairs: Sequence[Pair]) -> list[Pair]:
    """Put quantities that lack a value for the same reason together."""
    by_reason: dict[str, list[str]] = {}
    for name, reason in pairs:
        by_reason.setdefault(reason, []).append(name)
    return [(", ".join(names), reason) for reason, names in by_reason.items()]


def _limit(verdict: Verdict, unit: LengthUnit, sources: Sources) -> LimitView:
    kind = BY_KEY.get(verdict.quantity)
    measured = "" if verdict.value is None else bare_text(verdict.value, verdict.unit, unit)
    if measured and verdict.guard:
        number, printed = measured.removesuffix("°").rsplit(" ", 1) if " " in measured else (measured, "")
        guard = bare_text(verdict.guard, verdict.unit, unit)
        measured = f"{number} ± {guard}" if printed or "°" in guard else measured
    return LimitView(
        limit=shown(verdict.limit),
        quantity=kind.name if kind else shown(verdict.quantity),
        requirement=limit_text(verdict, unit) or "–",
        measured=measured,
        word=verdict.word,
        text=shown(verdict.text),
        source=shown(verdict.source.split(";")[0]),
        mark=shown(verdict.mark),
        reference=sources.number(verdict.source, verdict.mark),
    )


def _flags(section: SectionFacts) -> list[FlagView]:
    """Return the flags with the numbers that they have in the picture, then those that only the document knows."""
    document, result = section.document, section.result
    if document is None:
        return []
    views: list[FlagView] = []
    many = len(document["welds"]) > 1
    if result is not None:
        views = [
            FlagView(
                n.number if n.flag.where_px else 0,
                n.flag.code,
                shown(n.flag.text),
                f"weld {n.weld + 1}" if n.weld is not None and many else "",
            )
            for n in numbered_flags(result)
        ]
    told = {(f.code, f.text) for f in views}
    rows = [(f, "") for f in (*document["scale"]["flags"], *document["outline"]["flags"])]
    rows += [(f, f"weld {i}" if many else "") for i, w in enumerate(document["welds"], 1) for f in w["flags"]]
    for flag, weld in rows:
        if (flag["code"], shown(flag["text"])) not in told and (result is None or flag["code"] not in KINDS):
            views.append(FlagView(0, flag["code"], shown(flag["text"]), weld))
    return views


def _provenance(section: SectionFacts) -> list[Pair]:
    """Return where the numbers come from: photograph, outline, limits, who and with what."""
    body, document, photo = section.body, section.document, section.photo
    pairs: list[Pair] = []
    if photo is not None:
        size = "" if document is None else f", {document['photo']['width']} × {document['photo']['height']} px"
        pairs.append(("Photograph", f"{shown(photo.name)}{size}, {_KEPT[photo.kept]}"))
        pairs.append(("Photograph SHA-256", photo.sha256))
    if document is not None:
        pairs.append(("Outline", _made_by(section, document)))
        pairs += _how_measured(body, document)
        pairs += [("Read as", shown(note)) for note in document["photo"]["notes"]]
        pairs.append(("Measured with", f"macrocheck {shown(document['version'])}"))
    if section.revisions:
        first, last = section.revisions[0], section.revisions[-1]
        if last.number > 1:
            pairs.append(("First recorded", f"{moment(first.at)} by {shown(first.who)}"))
            pairs.append(("Corrected", f"{moment(last.at)} by {shown(last.who)}: {shown(last.reason or '')}"))
        else:
            pairs.append(("Recorded", f"{moment(last.at)} by {shown(last.who)}"))
        pairs.append(("Revision", f"{last.seq} of the record, number {last.number} of this section"))
        pairs.append(("Chain hash", last.hash))
    return pairs


def _made_by(section: SectionFacts, document: Mapping[str, Any]) -> str:
    """Return how the outline was had, and who answers for one that a person corrected: who put it on the record."""
    made = shown(document["outline"]["made_by"])
    if made == "found" or not section.revisions:
        return made
    return f"{made}, accepted and put on the record by {shown(section.revisions[-1].who)}"


def _how_measured(body: Mapping[str, Any], document: Mapping[str, Any]) -> list[Pair]:
    pairs: list[Pair] = []
    if body["hints"]:
        pairs.append(("Hints", _listed(body["hints"])))
    limits = document["limits"]
    if limits["name"]:
        given = ", ".join(f"{k} = {bare_text(v, 'mm')}" for k, v in sorted(body["given_mm"].items()))
        pairs.append(("Limits", f"{shown(limits['name'])}{f' with {given}' if given else ''}"))
    threshold = body["fusion_threshold_mm"]
    if threshold is not None:
        pairs.append(("Fusion threshold", f"{bare_text(threshold, 'mm')}: less depth counts as unfused"))
    return pairs


def _revision(what: str, r: Revision) -> RevisionView:
    return RevisionView(
        what,
        moment(r.at),
        shown(r.who),
        shown(r.reason or "first"),
        f"macrocheck {shown(r.version)}",
        f"{r.hash[:16]}…",
    )
