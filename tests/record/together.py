"""Two writers and a reader on one record at once: nothing lost, nobody locked out.

    python -m tests.record.together --seconds 60 [--address URL]

Each writer puts coupons with a measured section on the record as fast as it goes; the reader opens the record anew,
lists it and looks that nothing which it saw before is gone. Ends with counts and the longest wait of each.
"""

import argparse
import json
import multiprocessing
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from macrocheck.pipeline import measure_photo
from macrocheck.record.engine import reading
from macrocheck.record.query import list_sections
from macrocheck.record.store import append, open_record
from macrocheck.record.verify import verify
from tests.cli.coupon import MARK, outline, write_photo
from tests.record.fill import entries


def write(where: str, name: str, result: dict[str, Any], until: float, report: Any) -> None:
    """Append until the time is over; report how many coupons and the longest wait, s."""
    record = open_record(where, make=True)
    count, longest = 0, 0.0
    while time.time() < until:
        begun = time.perf_counter()
        append(record, entries(f"{name}{count}", result, amps=str(100 + count % 100)))
        longest = max(longest, time.perf_counter() - begun)
        count += 1
    record.close()
    report.put((name, count, longest))


def read(where: str, until: float, report: Any) -> None:
    """Open and list until the time is over; report how often and the longest time it took, s."""
    count, longest, before = 0, 0.0, 0
    while time.time() < until:
        begun = time.perf_counter()
        record = open_record(where)
        with reading(record.engine, record.name) as conn:
            now = sum(1 for _ in list_sections(conn))
        record.close()
        longest = max(longest, time.perf_counter() - begun)
        if now < before:
            report.put(("lost", before - now, 0.0))
            return
        count, before = count + 1, now
    report.put(("reader", count, longest))


def main() -> None:
    """Run it and print what came of it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--address", help="an empty database instead of a file")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        where = asked.address or str(Path(folder) / "bench.db")
        measured = measure_photo(write_photo(Path(folder) / "tee.png"), mark=MARK, outline=outline())
        result: dict[str, Any] = json.loads(json.dumps(measured.to_json()))
        begun = open_record(where, make=True)
        if verify(begun).revisions:
            sys.exit("the database holds a record already; name an empty one")
        begun.close()
        context = multiprocessing.get_context("spawn")
        report, until = context.Queue(), time.time() + asked.seconds
        started = [context.Process(target=write, args=(where, name, result, until, report)) for name in ("a", "b")]
        started.append(context.Process(target=read, args=(where, until, report)))
        for process in started:
            process.start()
        told = {name: (count, longest) for name, count, longest in (report.get() for _ in started)}
        for process in started:
            process.join()
        record = open_record(where)
        found = verify(record)
        with reading(record.engine, record.name) as conn:
            there = sum(1 for _ in list_sections(conn))
        record.close()
    written = sum(told[name][0] for name in ("a", "b"))
    for name, (count, longest) in sorted(told.items()):
        print(f"{name}: {count} times, longest {longest:.2f} s")
    print(f"{written} coupons written, {there} there, {found.revisions} revisions, faults: {len(found.faults)}")
    if "lost" in told or there != written or not found.clean:
        sys.exit("something was lost")


if __name__ == "__main__":
    main()
