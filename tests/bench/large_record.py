"""A large record: how long the first row of any list and export takes, and whether `verify` is linear.

    python -m tests.bench.large_record --sections 2500 [--keep FILE] [--address URL]

A record is filled with sections whose results are all different: one measured section, every number of it
changed by a little. A section has about 40 quantities, so 2 500 sections are 100 000 quantities. The chain and all
documents are whole, so that `verify` has everything to do. Every list and table is timed to its first row; where
nothing fits, to the answer that nothing does. `--copies 40` makes 100 000 sections of them, 4 100 000 quantities,
for lists and tables only. `--address`: an empty database that may be filled, instead of a file.
"""

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from copy import deepcopy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import func, insert, literal, select, update

from macrocheck.pipeline import measure_photo
from macrocheck.record import schema
from macrocheck.record.documents import canonical, digest, pack
from macrocheck.record.engine import reading, writing
from macrocheck.record.entries import Entry, PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.export import export_csv, export_json
from macrocheck.record.query import list_sections, measured_names, parse_filter, setting_names
from macrocheck.record.rows import TABLES, rows_of
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import Setting, kind_named
from macrocheck.record.store import Record, open_record, revision_hash, subject_text
from macrocheck.record.verify import verify
from macrocheck.record.wide import wide_table
from tests.cli.coupon import MARK, outline, write_photo

FILTERS: tuple[tuple[str, ...], ...] = (
    (),
    ("amps>=170",),
    ("amps>=1000",),
    ("amps=199", "wire_feed_speed>8"),
    ("amps<210", "volts>22", "leg_butting>4.9mm", "grade=reject"),
    ("operator=Kim",),
    ("operator=Nobody",),
    ("operator~im", "note~spatter 77"),
    ("note~nothing like it",),
    ("heat_input<0.3",),
    ("leg_butting<4.9mm",),
    ("leg_butting<1mm",),
    ("size>4.5mm", "leg_butting<5.1mm", "effective_throat>3mm"),
    ("fill_area_ratio>1.2",),
    ("implied_travel_speed<1",),
    ("grade=accept",),
    ("grade!=reject",),
    ("flag=glare",),
    ("joint=lap",),
    ("mark~px",),
    ("mark=bar:10mm",),
    ("run=trial 3",),
    ("coupon=L000017",),
    ("coupon~99",),
    ("section=none",),
    ("failure~memory",),
    ("limits~5817",),
    ("own column=7",),
)
"""What is listed: every kind of condition, with many, few and no section that fits."""


def varied(result: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    """Return a result whose quantities differ a little."""
    made = deepcopy(result)
    for weld in made["welds"]:
        for q in weld["quantities"].values():
            if isinstance(q["value"], float):
                q["value"] *= 1 + 0.05 * (2 * chance.random() - 1)
    return made


def entries(sections: int, chance: random.Random) -> Iterator[list[Entry]]:
    """Yield the coupon and the section of each."""
    with tempfile.TemporaryDirectory() as folder:
        photo = write_photo(Path(folder) / "tee.png")
        given = {"t": 6.0, "a": 3.0}
        measured = measure_photo(photo, mark=MARK, outline=outline(), limits="iso5817-fillet-b", given=given)
    result: dict[str, Any] = json.loads(json.dumps(measured.to_json()))
    fixed = {"process": "GMAW", "wire diameter": "0.9 mm", "volts": "22-23", "gas": "Ar 90 CO2 10"}
    for i in range(sections):
        noted = {
            **fixed,
            "wfs": f"{280 + i % 60} in/min",
            "amps": str(150 + i % 50),
            "travel speed": f"{350 + i % 80} mm/min",
            "operator": ("Kim", "Lee", "Ada")[i % 3],
            "note": f"spatter {i}",
            "own column": str(i % 11),
        }
        settings = [read_setting(kind_named(name), text) for name, text in noted.items()]
        settings = [s if s.name != "own column" else Setting(s.name, s.text, float(s.text)) for s in settings]
        coupon, name = f"L{i:06d}", f"p{i:06d}"
        one = section_entry(
            coupon,
            name,
            photo=PhotoKept(f"{chance.getrandbits(256):064x}", f"{name}.jpg"),
            inputs=SectionInputs((MARK,)),
            result=varied(result, chance),
            settings=settings,
        )
        yield [coupon_entry(coupon, settings, run=f"trial {i % 20}"), one]


def fill(record: Record, sections: int, seed: int) -> None:
    """Fill an empty record: what `append` writes, hundreds of revisions a transaction, without looking back."""
    with reading(record.engine, record.name) as conn:
        seq, last = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
    batch: dict[str, list[dict[str, Any]]] = {}
    at = datetime.now(UTC).isoformat(timespec="microseconds")

    def put(table: str, row: dict[str, Any]) -> None:
        batch.setdefault(table, []).append(row)

    def write() -> None:
        with writing(record.engine, record.name) as conn:
            for name in ("document", "revision", "current", *TABLES):
                if batch.get(name):
                    conn.execute(insert(schema.metadata.tables[name]), batch[name])
            conn.execute(update(schema.head).values(seq=seq, hash=last))
        batch.clear()

    for i, pair in enumerate(entries(sections, random.Random(seed)), start=1):
        for entry in pair:
            seq += 1
            body = canonical(entry.body)
            result = None
            for content in (body, *(d.content for d in entry.documents)):
                document = {"sha256": digest(content), "media_type": "application/json", "size": len(content)}
                put("document", {**document, "packed": pack(content)})
            if entry.documents:
                result = json.loads(entry.documents[0].content)
            subject = subject_text(entry.subject)
            row = {"seq": seq, "kind": entry.kind, "subject": subject, "number": 1, "reason": None, "at": at}
            row |= {"who": "bench", "version": "0", "body": digest(body), "previous": last}
            last = row["hash"] = revision_hash(row)
            put("revision", row)
            put("current", {"kind": entry.kind, "subject": subject, "first_seq": seq, "seq": seq, "number": 1})
            for name, rows in rows_of(entry.body, result).items():
                for one in rows:
                    put(name, {"seq": seq, **one})
        if i % 250 == 0:
            write()
    write()


def multiply(record: Record, copies: int) -> None:
    """Copy every row that is searched, under other coupons' names; documents and chain stay as they are."""
    with writing(record.engine, record.name) as conn:
        span = conn.execute(select(schema.head.c.seq)).scalar_one()
        for k in range(1, copies):
            for table in (schema.revision, schema.current, *schema.DERIVED):
                columns: dict[str, Any] = {}
                for column in table.c:
                    columns[column.name] = column + k * span if column.name.endswith("seq") else column
                if "subject" in table.c:
                    columns["subject"] = literal(f'["{k}').concat(func.substr(table.c.subject, 3))
                elif "coupon" in table.c:
                    columns["coupon"] = literal(f"{k}").concat(table.c.coupon)
                query = select(*columns.values()).where(table.c.seq <= span)
                conn.execute(insert(table).from_select(list(columns), query))
            conn.execute(update(schema.head).values(seq=span * (k + 1)))


class _First(Exception):  # noqa: N818 (it is no error)
    pass


class _Screen:
    """Takes what the JSON export writes until there is a first section."""

    def write(self, text: str) -> int:
        if text.startswith("\n{"):
            raise _First
        return len(text)


def timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    with suppress(_First):
        work()
    return time.perf_counter() - begun


def first_rows(record: Record) -> Iterator[tuple[str, float, float, float]]:
    """Yield condition and seconds to the first row: of the list, the table, the JSON export."""
    for conditions in FILTERS:
        filters = [parse_filter(c) for c in conditions]

        def listed(filters: Any = filters) -> None:
            with reading(record.engine, record.name) as conn:
                next(iter(list_sections(conn, filters)), None)

        def tabled(filters: Any = filters) -> None:
            with reading(record.engine, record.name) as conn:
                next(wide_table(conn, filters).rows, None)

        def as_json(filters: Any = filters) -> None:
            export_json(record, _Screen(), filters)  # type: ignore[arg-type]

        yield " ".join(conditions) or "(all)", timed(listed), timed(tabled), timed(as_json)


def figures(record: Record, *, whole: bool) -> None:
    """Print them."""
    with reading(record.engine, record.name) as conn:
        quantities = conn.execute(select(func.count()).select_from(schema.measurement)).scalar()
        sections = conn.execute(select(func.count()).select_from(schema.section)).scalar()
    print(f"{sections} sections, {quantities} quantities")
    worst = [0.0, 0.0, 0.0]
    print(f"{'first row, s':60}{'list':>8}{'table':>8}{'JSON':>8}")
    for name, *times in first_rows(record):
        print(f"{name:60}" + "".join(f"{t:8.3f}" for t in times))
        worst = [max(a, b) for a, b in zip(worst, times, strict=True)]
    print(f"{'most':60}" + "".join(f"{t:8.3f}" for t in worst))

    def names() -> None:
        with reading(record.engine, record.name) as conn:
            setting_names(conn)
            measured_names(conn)

    print(f"{'names of all settings and quantities':60}{timed(names):8.3f}")
    if whole:
        with tempfile.TemporaryDirectory() as folder:
            print(f"{'whole CSV':60}{timed(lambda: export_csv(record, Path(folder) / 'x.csv')):8.3f}")


def checked(record: Record) -> None:
    """Print how long `verify` takes."""
    begun, used = time.perf_counter(), time.process_time()
    found = verify(record)
    if not found.clean:
        sys.exit(f"the record is not clean: {found.faults[:3]}")
    wall, cpu = time.perf_counter() - begun, time.process_time() - used
    print(f"verify of {found.revisions} revisions: {wall:.2f} s wall, {cpu:.2f} s CPU, "
          f"{1e3 * cpu / found.revisions:.3f} ms CPU each")  # fmt: skip


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sections", type=int, default=2500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file of the record; used as it is where it is there already")
    parser.add_argument("--address", help="a database instead of a file")
    parser.add_argument("--copies", type=int, default=1, help="copy the rows, so often in all; nothing is verified")
    parser.add_argument("--no-verify", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = asked.address or asked.keep or Path(folder) / "large.db"
        there = asked.keep is not None and asked.keep.exists()
        record = open_record(place, make=True)
        if not there:
            print(f"filled in {timed(lambda: fill(record, asked.sections, asked.seed)):.1f} s")
            if asked.copies > 1:
                print(f"copied in {timed(lambda: multiply(record, asked.copies)):.1f} s")
        figures(record, whole=asked.sections * asked.copies <= 10_000)
        if not asked.no_verify and asked.copies == 1:
            checked(record)
            for share in (2, 4):
                part = open_record(Path(folder) / f"part{share}.db", make=True)
                fill(part, asked.sections // share, asked.seed)
                checked(part)
                part.close()
        record.close()


if __name__ == "__main__":
    main()
