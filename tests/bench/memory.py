"""Memory of one process that measures photo after photo.

    python -m tests.bench.memory [--count 1000] [--every 50]

Small pictures are rendered and written as PNG; a fresh process then measures them over and over, each read from its
file as the command does, and says every `--every` photos how much memory it holds and the most it ever held.
"""

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

PICTURES = 24
SIZE = (800, 600)
FIRST = 43000
"""First seed of the pictures."""


def draw(folder: Path) -> None:
    """Render the pictures into `folder`, of every look in turn, with what is to be stated for each."""
    import cv2

    from macrocheck.render.photo import LookName, render_photo

    looks: tuple[LookName, ...] = ("fair", "grain", "hard")
    facts = []
    for k in range(PICTURES):
        picture = render_photo(FIRST + k, looks[k % 3], joints=("tee", "lap"), size=SIZE)
        path = folder / f"{k:03}.png"
        data = cv2.imencode(".png", picture.rgb[..., ::-1])[1]
        path.write_bytes(data.tobytes())
        facts.append([path.name, picture.mark, picture.joint])
    (folder / "facts.json").write_text(json.dumps(facts), encoding="utf-8")


def resident_mb() -> float:
    """Memory that this process holds now, MB (Linux)."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1024.0**2


def peak_mb() -> float:
    """The most memory that this process ever held, MB (Linux).

    From the process's own status: what `getrusage` says would include the one that started it.
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024.0


def measure_many(folder: Path, count: int, every: int) -> list[dict[str, float]]:
    """Measure the pictures in turn, `count` in all; returns photos done, MB held and the peak, every so often."""
    import macrocheck as mc
    from macrocheck.errors import MacrocheckError

    facts = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
    seen, results = [], 0
    for k in range(count):
        name, mark, joint = facts[k % len(facts)]
        # a picture in which nothing is found takes its memory all the same
        with contextlib.suppress(MacrocheckError):
            results += bool(mc.measure_photo(folder / name, mark=mark, joint=joint).to_json())
        if (k + 1) % every == 0:
            seen.append({"photos": k + 1, "results": results, "held_mb": resident_mb(), "peak_mb": peak_mb()})
    return seen


def growth(seen: Sequence[Mapping[str, float]], after: int = 200) -> float | None:
    """Return by how many MB the held memory grows over 1,000 photos: a straight line from `after` photos on."""
    import numpy as np

    late = [s for s in seen if s["photos"] >= after]
    if len(late) < 3:
        return None
    photos, held = (np.array([s[key] for s in late]) for key in ("photos", "held_mb"))
    return float(np.polyfit(photos, held, 1)[0] * 1000)


def memory_rows(count: int, every: int) -> list[dict[str, Any]]:
    """Draw the pictures and measure them in a fresh process."""
    with tempfile.TemporaryDirectory() as name:
        draw(Path(name))
        command = [sys.executable, "-m", "tests.bench.memory", "--task", name]
        command += ["--count", str(count), "--every", str(every)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    rows: list[dict[str, Any]] = json.loads(done.stdout)
    return rows


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    parser = argparse.ArgumentParser(description="Memory of one process over many photos.")
    parser.add_argument("--count", type=int, default=1000, help="number of photos")
    parser.add_argument("--every", type=int, default=50)
    parser.add_argument("--task", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.task is not None:
        sys.stdout.write(json.dumps(measure_many(asked.task, asked.count, asked.every)))
        return 0
    seen = memory_rows(asked.count, asked.every)
    for row in seen:
        sys.stdout.write(f"{row['photos']:6.0f} photos  {row['held_mb']:7.1f} MB  peak {row['peak_mb']:7.1f} MB\n")
    slope = growth(seen)
    sys.stdout.write(
        "too few photos for a slope\n" if slope is None else f"growth over 1,000 photos {slope:+.1f} MB\n"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
