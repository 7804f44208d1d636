"""Figures of a large run: `python -m tests.report.pages.large FOLDER --coupons 200 [--pdf]`.

Three sample photographs, enlarged to 12 Mpx and measured, stand on a record under many names, every number of them
slightly different, with photographs of their own; then the report is made and its time and size are printed.
"""

import argparse
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import cv2

from macrocheck.outline_file import outline_bytes
from macrocheck.pipeline import measure_photo
from macrocheck.record.rebuild import scale_detail
from macrocheck.record.store import open_record
from tests.report.pages.bench import Tee, put, settings

SAMPLES = (("T6-03-sound", "bar:5mm"), ("T6-11-convex-fast", "bar:5mm"), ("T8-02-no-root-penetration", "bar:5mm"))
SIZE = (4000, 3000)


def measured(folder: Path, name: str, mark: str) -> Tee:
    """Return an enlarged sample, measured and graded."""
    picture = cv2.imread(str(Path("sample_images") / f"{name}.jpg"))
    if picture is None:
        sys.exit(f"sample_images/{name}.jpg is missing; run this from the project's folder.")
    path = folder / f"{name}.jpg"
    cv2.imwrite(str(path), cv2.resize(picture, SIZE, interpolation=cv2.INTER_CUBIC), [cv2.IMWRITE_JPEG_QUALITY, 92])
    result = measure_photo(path, mark=mark, limits="iso5817-fillet-b", given={"t": 6.0, "a": 4.0})
    return Tee(path.read_bytes(), dict(result.to_json()), outline_bytes(result.outline), scale_detail(result.scale))


def varied(tee: Tee, factor: float) -> Tee:
    """Return the same with every measured number times `factor`, so that no coupon shares words or pictures."""
    document = deepcopy(tee.document)
    for weld in document["welds"]:
        for one in (*weld["quantities"].values(), *weld["verdicts"]):
            if isinstance(one["value"], float):
                one["value"] *= factor
    return replace(tee, document=document)


def fill(folder: Path, coupons: int) -> Path:
    """Return a record of that many coupons, a section each, two wires and two gases."""
    tees = [measured(folder, *sample) for sample in SAMPLES]
    path = folder / "large.db"
    record = open_record(path, make=True)
    for i in range(coupons):
        noted = settings(
            process="GMAW",
            wire_diameter=("0.9 mm", "1.2 mm")[i % 2],
            gas=("CO2 100", "Ar 82 CO2 18")[i // 2 % 2],
            volts="22-23",
            amps=str(160 + 10 * (i % 7)),
            travel_speed="400 mm/min",
            date=f"2026-03-{1 + i // 8:02d}",
        )
        tee = varied(tees[i % len(tees)], 1 + 0.0007 * i)
        put(record, tee, f"C{i:03d}", folder, noted=noted, grow=0.02 * (i * 37 % 11))
    record.close()
    return path


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--coupons", type=int, default=200)
    parser.add_argument("--pdf", action="store_true")
    wanted = parser.parse_args(arguments)
    wanted.folder.mkdir(parents=True)
    record = fill(wanted.folder, wanted.coupons)
    for ending in ("html", "pdf") if wanted.pdf else ("html",):
        target = wanted.folder / f"large.{ending}"
        began = time.perf_counter()
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [sys.executable, "-m", "macrocheck", "report", str(record), "--by", "wire_diameter,gas"]
        subprocess.run([*command, "--to", str(target)], check=True, stdout=subprocess.DEVNULL)
        waited = time.perf_counter() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        size = target.stat().st_size / 1e6
        most = after.ru_maxrss / 1e6
        print(f"{ending}: {waited:.1f} s, {spent:.1f} s of processor, {size:.1f} MB, at most {most:.2f} GB")


if __name__ == "__main__":
    main()
