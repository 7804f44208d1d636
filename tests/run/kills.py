"""Kill a run with SIGKILL at random moments and see that nothing finished is lost.

    python -m tests.run.kills --coupons 60 --moments 50 --seed 1

Every moment begins a run of its own on the same record until it is complete, then a new record is begun. After each
kill: the record verifies, every section is there once, what was there before still is. Ends with a count.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from macrocheck.record.engine import reading
from macrocheck.record.query import list_sections
from macrocheck.record.store import open_record
from macrocheck.record.verify import verify
from tests.run.quick import write_sheet


def sections(place: Path) -> list[tuple[str, str | None]]:
    """Return (coupon, section) of a record that must verify."""
    if not place.exists():
        return []
    record = open_record(place, make=True)
    try:
        found = verify(record)
        if not found.clean:
            sys.exit(f"the record was harmed: {found.faults}")
        with reading(record.engine, record.name) as conn:
            return [(row.coupon, row.section) for row in list_sections(conn)]
    finally:
        record.close()


def main() -> None:
    """Run the moments and print what came of them."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--coupons", type=int, default=60)
    parser.add_argument("--moments", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=8.0, help="s before the kill, at most")
    wish = parser.parse_args()
    chance = random.Random(wish.seed)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        sheet = write_sheet(Path(folder), wish.coupons)
        number, before, complete, kills = 0, 0, 0, 0
        while kills < wish.moments:
            place = Path(folder) / f"r{number}.db"
            command = [sys.executable, "-m", "macrocheck", "run", "measure", str(sheet), "--record", str(place)]
            with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
                try:
                    running.wait(chance.uniform(0, wish.longest))
                except subprocess.TimeoutExpired:
                    running.kill()
                    kills += 1
            found = sections(place)
            if len(set(found)) != len(found) or len(found) < before:
                sys.exit(f"{len(found)} sections after {before}, {len(set(found))} different")
            before = len(found)
            if before == wish.coupons:
                number, before, complete = number + 1, 0, complete + 1
        place = Path(folder) / f"r{number}.db"
        command = [sys.executable, "-m", "macrocheck", "run", "measure", str(sheet), "--record", str(place)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if len(sections(place)) != wish.coupons:
            sys.exit("the last rerun did not complete")
    took = time.monotonic() - begun
    print(f"{kills} kills, {complete + 1} runs of {wish.coupons} complete, nothing lost, {took:.0f} s")


if __name__ == "__main__":
    main()
