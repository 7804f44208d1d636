"""Reading the record: all that stands about every weld, its settings and quantities together.

`weld_facts(conn, filters)` yields one `WeldFacts` a weld, for comparisons and tables, as the record stands now:

    with reading(record.engine, record.name) as conn:
        for weld in weld_facts(conn, [parse_filter("process=GMAW")]):
            amps, leg = weld.settings["amps"].value, weld.quantities["leg_butting"].value

A coupon without a section, and a section that was not measured, have one `WeldFacts` too, with `weld` None.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from sqlalchemy import Connection, select

from macrocheck.record import schema
from macrocheck.record.query import Filter, Listed, list_sections
from macrocheck.record.settings import Setting
from macrocheck.results import Quantity

_BATCH = 200


@dataclass(frozen=True, slots=True)
class RevisionFacts:
    """Which revision says it, when (UTC, ISO 8601) and by whom it was put there, and the version that measured."""

    seq: int
    number: int
    at: str
    who: str
    version: str


@dataclass(frozen=True, slots=True)
class WeldFacts:
    """One weld as it stands now.

    `listed`: coupon, run, section, grade, limits, photo. `weld`: 1 for the first of the section; None where there
    is none. `joint`: tee, lap or bead. `settings`: name -> Setting, what was worked out or assumed included
    (`origin` tells). `quantities`: key -> Quantity; of a list (spans, two legs) only unit and reason, its value is
    in the document (`query.body_of(conn, listed.section_seq)["result"]`); with fill_area_ratio and
    implied_travel_speed. `verdicts`: (limit, quantity, word) in the order of the limits. `flags`: codes, those of
    the whole photograph included. `revision`: the section's newest, or the coupon's where there is no section.
    """

    listed: Listed
    weld: int | None
    joint: str | None
    settings: Mapping[str, Setting]
    revision: RevisionFacts
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    verdicts: tuple[tuple[str, str, str], ...] = ()
    flags: tuple[str, ...] = ()


def weld_facts(conn: Connection, filters: Sequence[Filter] = ()) -> Iterator[WeldFacts]:
    """Yield every weld of the sections that fit, coupons in the order they were first recorded."""
    listing = list_sections(conn, filters)
    while batch := list(islice(listing, _BATCH)):
        found = _Found(conn, batch)
        for listed in batch:
            yield from found.welds(listed)


def verdicts_of(conn: Connection, section_seq: int) -> tuple[tuple[str, str, str], ...]:
    """Return a section's verdicts, (limit, quantity, word), weld by weld."""
    v = schema.verdict
    query = (
        select(v.c.limit_name, v.c.quantity, v.c.word).where(v.c.seq == section_seq).order_by(v.c.weld, v.c.place)
    )
    return tuple((row.limit_name, row.quantity, row.word) for row in conn.execute(query))


class _Found:
    """What stands about a batch of sections, table by table."""

    def __init__(self, conn: Connection, batch: Sequence[Listed]) -> None:
        coupons = sorted({b.coupon_seq for b in batch})
        sections = sorted({b.section_seq for b in batch if b.section_seq is not None})
        self.joints = {(row.seq, row.weld): row.joint for row in _of(conn, schema.weld, sections)}
        self.settings: dict[int, dict[str, Setting]] = {}
        for row in _of(conn, schema.setting, coupons):
            made = Setting(row.name, row.text, row.value, row.low, row.high, row.u, row.unit, row.origin)
            self.settings.setdefault(row.seq, {})[row.name] = made
        self.measured: dict[int, dict[int, dict[str, Quantity]]] = {}
        for row in _of(conn, schema.measurement, sections):
            made_q = Quantity(row.value, row.u, row.U95, row.unit, row.reason)
            self.measured.setdefault(row.seq, {}).setdefault(row.weld, {})[row.quantity] = made_q
        self.verdicts: dict[tuple[int, int], list[tuple[str, str, str]]] = {}
        for row in _of(conn, schema.verdict, sections):
            self.verdicts.setdefault((row.seq, row.weld), []).append((row.limit_name, row.quantity, row.word))
        self.flags: dict[int, list[tuple[int | None, str]]] = {}
        for row in _of(conn, schema.flag, sections):
            self.flags.setdefault(row.seq, []).append((row.weld, row.code))
        self.revisions = {
            r.seq: RevisionFacts(r.seq, r.number, r.at, r.who, r.version)
            for r in _of(conn, schema.revision, sorted({*coupons, *sections}))
        }

    def welds(self, listed: Listed) -> Iterator[WeldFacts]:
        seq = listed.section_seq
        settings = self.settings.get(listed.coupon_seq, {})
        revision = self.revisions[listed.coupon_seq if seq is None else seq]
        flags = self.flags.get(seq or 0, [])
        measured = self.measured.get(seq or 0, {})
        if seq is None or not measured:
            yield WeldFacts(listed, None, None, settings, revision, flags=_codes(flags, None))
            return
        for weld, quantities in sorted(measured.items()):
            yield WeldFacts(
                listed,
                weld,
                self.joints.get((seq, weld)),
                settings,
                revision,
                quantities,
                tuple(self.verdicts.get((seq, weld), ())),
                _codes(flags, weld),
            )


def _codes(flags: Sequence[tuple[int | None, str]], weld: int | None) -> tuple[str, ...]:
    return tuple(dict.fromkeys(code for of, code in flags if of in {None, weld}))


def _of(conn: Connection, table: Any, seqs: Sequence[int]) -> Sequence[Any]:
    if not seqs:
        return ()
    order = table.primary_key.columns
    return conn.execute(select(table).where(table.c.seq.in_(seqs)).order_by(*order)).all()
