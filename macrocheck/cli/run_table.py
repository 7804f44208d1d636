"""The table at the end of a run."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from macrocheck.cli.outcome import BAD_INPUT, DONE, REJECTED, UNDECIDED
from macrocheck.paths import shown
from macrocheck.record import schema
from macrocheck.record.engine import reading
from macrocheck.record.facts import verdicts_of
from macrocheck.record.query import Filter, list_sections
from macrocheck.record.wide import decided_by

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from macrocheck.record.store import Record

_STATUS = {"reject": REJECTED, "undecided": UNDECIDED, "accept": DONE, "no limits": DONE, "not measured": BAD_INPUT}


def table_lines(
    record: "Record", run: str, coupons: Sequence[str], failures: Mapping[str, str]
) -> tuple[list[str], list[int]]:
    """Return a line a section of the run's coupons, a count of the grades, and the exit status of each line.

    `coupons`: the ids in the order of the sheet, which the lines follow.
    """
    from sqlalchemy import select

    place = {coupon: i for i, coupon in enumerate(coupons)}
    rows = []
    f = schema.flag
    with reading(record.engine, record.name) as conn:
        for row in list_sections(conn, [Filter("run", "=", run)]):
            if row.coupon not in place or row.coupon in failures or row.section_seq is None:
                continue
            verdicts = verdicts_of(conn, row.section_seq)
            flags = conn.execute(select(f.c.code).where(f.c.seq == row.section_seq).order_by(f.c.place)).scalars()
            grade = "not measured" if row.failure else row.grade or "no limits"
            remark = row.failure or decided_by(verdicts, row.grade)
            if grade == "no limits" and not _any_number(conn, row.section_seq):
                grade, remark = "undecided", "nothing could be measured"
            rows.append((row.coupon, row.section or "", grade, remark, ", ".join(dict.fromkeys(flags))))
    rows += [(coupon, "-", "not measured", text, "") for coupon, text in failures.items()]
    rows.sort(key=lambda row: place.get(row[0], len(place)))
    rows.insert(0, ("coupon", "section", "grade", "decided by", "flags"))
    widths = [max(len(shown(row[i])) for row in rows) for i in range(3)]
    lines = []
    for line in rows:
        cells = [shown(c) for c in line]
        head = "  ".join(f"{c:<{w}}" for c, w in zip(cells[:3], widths, strict=True))
        tail = "  ".join(([cells[3]] if cells[3] else []) + ([f"[{cells[4]}]"] if cells[4] else []))
        lines.append(f"{head}  {tail}".rstrip())
    counts = Counter(row[2] for row in rows[1:])
    order = [name for name in ("accept", "undecided", "reject", "no limits", "not measured") if counts[name]]
    lines += ["", ", ".join(f"{counts[name]} {name}" for name in order) or "no section"]
    return lines, [_STATUS[row[2]] for row in rows[1:]]


def _any_number(conn: "Connection", seq: int) -> bool:
    from sqlalchemy import select

    m = schema.measurement
    found = conn.execute(select(m.c.seq).where(m.c.seq == seq, m.c.value.is_not(None)).limit(1))
    return found.scalar() is not None
