"""Reads coupons off a record for a study."""

import difflib
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any, get_args

from sqlalchemy import Connection, select

from macrocheck.errors import InputError
from macrocheck.quantities import BY_KEY
from macrocheck.record import schema
from macrocheck.record.query import (
    Filter,
    Listed,
    body_of,
    document_of,
    list_sections,
    measured_names,
    setting_names,
)
from macrocheck.record.settings import BY_NAME, kind_named, known_words, plain_name
from macrocheck.results import VerdictWord
from macrocheck.study.data import BALANCE, Coupon, Measure, NotedSetting, Section, name_and_unit

_BATCH = 200

Bounds = dict[tuple[int, str], tuple[float | None, float | None]]


def coupons_of(conn: Connection, quantities: Sequence[str], filters: Sequence[Filter] = ()) -> tuple[Coupon, ...]:
    """Return the coupons of the sections that fit, with those quantities, in the order they were first recorded."""
    found: dict[str, list[tuple[Listed, Section | None]]] = {}
    settings: dict[int, dict[str, NotedSetting]] = {}
    listing = list_sections(conn, filters)
    while batch := list(islice(listing, _BATCH)):
        settings |= _settings(conn, sorted({b.coupon_seq for b in batch}))
        measures = _measures(conn, [b.section_seq for b in batch if b.section_seq is not None], quantities)
        for listed in batch:
            found.setdefault(listed.coupon, []).append((listed, _section(listed, measures)))
    return tuple(
        Coupon(
            name,
            rows[0][0].run,
            settings.get(rows[0][0].coupon_seq, {}),
            tuple(section for _, section in rows if section is not None),
        )
        for name, rows in found.items()
    )


def _section(listed: Listed, measures: dict[int, dict[tuple[int, str], Measure]]) -> Section | None:
    if listed.section is None or listed.section_seq is None:
        return None
    return Section(
        listed.section,
        _word(listed.grade),
        listed.limits,
        listed.failure,
        listed.photo,
        listed.section_seq,
        measures.get(listed.section_seq, {}),
    )


def _word(text: str | None) -> VerdictWord | None:
    return next((w for w in get_args(VerdictWord) if w == text), None)


def _settings(conn: Connection, seqs: Sequence[int]) -> dict[int, dict[str, NotedSetting]]:
    t = schema.setting
    made: dict[int, dict[str, NotedSetting]] = {seq: {} for seq in seqs}
    for row in conn.execute(select(t).where(t.c.seq.in_(seqs))):
        made[row.seq][row.name] = NotedSetting(row.text, row.value, row.u, row.unit)
    return made


def _measures(
    conn: Connection, seqs: Sequence[int], quantities: Sequence[str]
) -> dict[int, dict[tuple[int, str], Measure]]:
    m, v = schema.measurement, schema.verdict
    words: dict[tuple[int, int, str], list[VerdictWord]] = {}
    for row in conn.execute(select(v).where(v.c.seq.in_(seqs), v.c.quantity.in_(quantities))):
        word = _word(row.word)
        if word is not None:
            words.setdefault((row.seq, row.weld, row.quantity), []).append(word)
    bounds = {seq: _bounds(conn, seq) for seq in sorted({key[0] for key in words})}
    made: dict[int, dict[tuple[int, str], Measure]] = {}
    for row in conn.execute(select(m).where(m.c.seq.in_(seqs), m.c.quantity.in_(quantities))):
        low, high = bounds.get(row.seq, {}).get((row.weld, row.quantity), (None, None))
        word = max(words.get((row.seq, row.weld, row.quantity), ()), key=get_args(VerdictWord).index, default=None)
        made.setdefault(row.seq, {})[row.weld, row.quantity] = Measure(row.value, row.u, row.U95, word, low, high)
    return made


def _bounds(conn: Connection, seq: int) -> Bounds:
    """Return the tightest limits of a section by weld and quantity; they stand in its result document only."""
    made: Bounds = {}
    sha = body_of(conn, seq)["result"]
    if not sha:
        return made
    welds: list[dict[str, Any]] = document_of(conn, sha)["welds"]
    for number, weld in enumerate(welds, start=1):
        for verdict in weld["verdicts"]:
            key = (number, verdict["quantity"])
            low, high = made.get(key, (None, None))
            least, most = verdict["at_least"], verdict["at_most"]
            low = least if low is None else low if least is None else max(low, least)
            high = most if high is None else high if most is None else min(high, most)
            made[key] = (low, high)
    return made


def settled_settings(conn: Connection, names: Sequence[str]) -> tuple[str, ...]:
    """Return settings by the names they have on the record; InputError where one was never noted."""
    return tuple(dict.fromkeys(_settled(name, setting_names(conn)) for name in names))


def _noted(known: Sequence[str]) -> str:
    return f"noted are {', '.join(known)}" if known else "it has no settings at all"


def _settled(written: str, known: Sequence[str]) -> str:
    name = " ".join(written.split())
    if name.lower() == "run":
        return "run"
    candidate = kind_named(name).name if plain_name(name) in known_words() else name
    for one in (candidate, name):
        stored = next((k for k in known if k == one), None) or next(
            (k for k in known if plain_name(k) == plain_name(one)), None
        )
        if stored is not None:
            return stored
    if candidate in BY_NAME:
        msg = f"No coupon on this record has {candidate} noted; {_noted(known)}."
        raise InputError(msg)
    if plain_name(name) in BY_KEY or plain_name(name) in BALANCE:
        msg = f"'{name}' is measured, it is no setting; {_noted(known)}."
        raise InputError(msg)
    near = difflib.get_close_matches(plain_name(name), list(dict.fromkeys([*known, *BY_NAME])), n=3)
    hint = f"did you mean {' or '.join(near)}?" if near else f"{_noted(known)}."
    msg = f"'{name}' is not a setting on this record; {hint}"
    raise InputError(msg)


def settled_quantities(conn: Connection, names: Sequence[str]) -> tuple[str, ...]:
    """Return quantities by their keys; InputError where one is not known, is a list, or was never measured."""
    measured = measured_names(conn)
    return tuple(dict.fromkeys(_quantity(name, measured) for name in names))


def _quantity(written: str, measured: Sequence[str]) -> str:
    key = plain_name(written)
    if key not in BY_KEY and key not in BALANCE:
        near = difflib.get_close_matches(key, [*BY_KEY, *BALANCE], n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "macrocheck record show lists what was measured."
        msg = f"'{written}' is not a quantity that is measured; {hint}"
        raise InputError(msg)
    name_and_unit(key)
    if key not in measured:
        msg = f"{key} was not measured on any section of this record; macrocheck record show lists what was."
        raise InputError(msg)
    return key


USUAL: tuple[str, ...] = (
    "leg_butting", "leg_nonbutting", "size", "actual_throat", "depth_of_fusion_butting",
    "depth_of_fusion_nonbutting", "root_penetration", "bead_width", "reinforcement_height", "depth_of_fusion",
)  # fmt: skip
"""What is compared where nothing is named: of these, those that were measured."""


def usual_quantities(conn: Connection) -> tuple[str, ...]:
    """Return what is compared where nothing is named; InputError on a record without measurements."""
    measured = set(measured_names(conn))
    found = tuple(key for key in USUAL if key in measured)
    if not found:
        msg = "This record holds no measured sections yet; put some on it with macrocheck run measure or attach."
        raise InputError(msg)
    return found


def batches(items: Sequence[int]) -> Iterator[Sequence[int]]:
    """Cut a list into pieces that fit into one query."""
    for start in range(0, len(items), _BATCH):
        yield items[start : start + _BATCH]
