"""A run of many 12 Mpx photographs: wall and CPU time, memory over time, and the second run that has nothing to do.

    python -m tests.bench.batch --coupons 200 --jobs 2 [--folder DIR] [--json FILE]

A few photographs of 12 Mpx are rendered and written as JPEG; every coupon gets a copy with a comment of its own in
it, so that no two files are the same and every one is read, kept and hashed for itself. Then, in this order:

* one photograph alone in a process that has measured before, in one thread, as a worker does it: the median of
  several, the mean over the scenes. This is "one photo's CPU time";
* `macrocheck run measure` of all, with the memory of the parent and of every worker looked at twice a second;
* the same command again.

The ratio is wall / (coupons x one photo's CPU time / jobs); its goal is 1.15. Figures are of value only where
nothing else runs on the machine; the load before and after is printed with them.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

LookName = Literal["fair", "grain", "hard"]

SIZE = (4000, 3000)
SCENES: tuple[tuple[int, LookName], ...] = ((12, "fair"), (7, "grain"), (21, "fair"), (34, "grain"))
"""Seeds and looks of the photographs that are copied."""
QUALITY = 93
NOISE = 4.0
"""Standard deviation of the grain, grey levels."""
LOOK_EVERY_S = 0.5
GOAL_RATIO, GOAL_SECOND_S = 1.15, 2.0
LIMITS = ("--limits", "iso5817-fillet-c", "--given", "t=8mm", "--given", "a=4mm")


def draw_scenes(folder: Path) -> list[dict[str, str]]:
    """Render the photographs into a folder; returns file, mark and joint of each."""
    import cv2
    import numpy as np

    from macrocheck.render.photo import render_photo

    made = []
    for seed, look in SCENES:
        picture = render_photo(seed, look, joints=("tee",), size=SIZE, mark="bar")
        # Grain as from a phone's sensor, or the file would decode quicker than a real one of this size.
        noise = np.random.default_rng(seed).normal(0, NOISE, picture.rgb.shape[:2]).astype(np.float32)
        grainy = np.clip(picture.rgb[..., ::-1] + noise[..., None], 0, 255).astype(np.uint8)
        data = cv2.imencode(".jpg", grainy, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1]
        file = folder / f"scene-{seed}-{look}.jpg"
        file.write_bytes(data.tobytes())
        made.append({"file": file.name, "mark": picture.mark, "joint": picture.joint})
    return made


def with_comment(jpeg: bytes, text: str) -> bytes:
    """Return a JPEG with a comment segment (ITU-T T.81, B.2.4.5) after its start: the same picture, other bytes."""
    content = text.encode("ascii")
    return jpeg[:2] + b"\xff\xfe" + (len(content) + 2).to_bytes(2, "big") + content + jpeg[2:]


def write_sheet(folder: Path, scenes: Sequence[dict[str, str]], coupons: int) -> Path:
    """Write a photograph and a row for every coupon; return the sheet."""
    whole = [(folder / s["file"]).read_bytes() for s in scenes]
    rows = ["coupon,photo,mark,joint,process,wire size,wfs,volts,amps,travel"]
    for i in range(coupons):
        scene = scenes[i % len(scenes)]
        (folder / f"b{i:03d}.jpg").write_bytes(with_comment(whole[i % len(scenes)], f"coupon {i}"))
        rows.append(
            f"B{i:03d},b{i:03d}.jpg,{scene['mark']},{scene['joint']},GMAW,.035 in,"
            f"{280 + i % 40} in/min,22-23,{150 + i % 50},15 in/min"
        )
    sheet = folder / "batch.csv"
    sheet.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return sheet


def one_photo(folder: Path, scenes: Sequence[dict[str, str]], repeats: int) -> dict[str, float]:
    """Time one photograph in this process, one thread, as a worker does it; the mean over the scenes of medians."""
    import cv2

    from macrocheck.record.photos import file_digest
    from macrocheck.run.work import SectionJob, measure_section

    cv2.setNumThreads(1)
    walls, cpus = [], []
    for scene in scenes:
        path = folder / scene["file"]
        marks = (scene["mark"],)
        job = SectionJob("A", "a", str(path), file_digest(path), marks, scene["joint"], (), None)
        wall, cpu = [], []
        for _ in range(repeats + 1):
            begun, used = time.perf_counter(), time.process_time()
            outcome = measure_section(job)
            wall.append(time.perf_counter() - begun)
            cpu.append(time.process_time() - used)
            if outcome.failure is not None:
                sys.exit(f"{path.name}: {outcome.failure}")
        walls.append(statistics.median(wall[1:]))  # the first one imports
        cpus.append(statistics.median(cpu[1:]))
    return {"wall_s": statistics.fmean(walls), "cpu_s": statistics.fmean(cpus)}


class Memory(threading.Thread):
    """Looks at the resident memory of a process and its children until it ends (Linux only; elsewhere nothing)."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.pid, self.begun = pid, time.perf_counter()
        self.ended = threading.Event()
        self.looks: list[tuple[float, float, list[float]]] = []

    def run(self) -> None:
        while not self.ended.wait(LOOK_EVERY_S):
            parent = _resident_mb(self.pid)
            if parent is None:
                continue
            workers = [m for pid in _children(self.pid) if (m := _resident_mb(pid)) is not None]
            self.looks.append((time.perf_counter() - self.begun, parent, sorted(workers, reverse=True)))


def _children(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    except OSError:
        return []
    return [int(p) for p in text.split()]


def _resident_mb(pid: int) -> float | None:
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    except (OSError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def run_batch(sheet: Path, jobs: int) -> dict[str, Any]:
    """Run `macrocheck run measure` once: wall and CPU time, and memory over time."""
    command = [sys.executable, "-m", "macrocheck", "run", "measure", str(sheet), *LIMITS, "--jobs", str(jobs)]
    begun = time.perf_counter()
    with subprocess.Popen(
        [*command, "--record", str(sheet.with_suffix(".db"))],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as child:
        memory = Memory(child.pid)
        memory.start()
        assert child.stdout is not None
        out = child.stdout.read()
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - begun
    memory.ended.set()
    memory.join()
    count = next((line for line in out.splitlines() if line.startswith("Coupons:")), "no count")
    # wait4 of the parent counts the workers that it has waited for
    return {
        "wall_s": wall,
        "cpu_s": used.ru_utime + used.ru_stime,
        "count": count,
        "status": child.returncode,
        "memory": memory.looks,
    }


def figures_of(folder: Path, coupons: int, jobs: int, repeats: int) -> dict[str, Any]:
    """Do all of it in `folder`; returns the figures."""
    load = os.getloadavg()

    def child(task: str) -> Any:
        command = [sys.executable, "-m", "tests.bench.batch", "--task", task, "--folder", str(folder)]
        done = subprocess.run([*command, "--repeats", str(repeats)], stdout=subprocess.PIPE, text=True, check=True)
        return json.loads(done.stdout)

    scenes = child("draw")
    (folder / "scenes.json").write_text(json.dumps(scenes), encoding="utf-8")
    sheet = write_sheet(folder, scenes, coupons)
    alone = child("alone")
    first = run_batch(sheet, jobs)
    second = run_batch(sheet, jobs)
    return {
        "coupons": coupons,
        "jobs": jobs,
        "cores": os.cpu_count(),
        "load_before": load,
        "load_after": os.getloadavg(),
        "bytes": sum(p.stat().st_size for p in folder.glob("b*.jpg")),
        "alone": alone,
        "first": first,
        "second": {k: v for k, v in second.items() if k != "memory"},
        "ratio": first["wall_s"] / (coupons * alone["cpu_s"] / jobs),
    }


def table(f: dict[str, Any]) -> str:
    """Return the figures as text."""
    first, second, alone, n = f["first"], f["second"], f["alone"], f["coupons"]
    lines = [
        f"{n} coupons of {SIZE[0]} x {SIZE[1]} px, {f['bytes'] / 1e6:.0f} MB of JPEG; {f['jobs']} processes on "
        f"{f['cores']} cores; load {f['load_before'][0]:.1f} before, {f['load_after'][0]:.1f} after",
        "",
        f"one photograph, one thread, in a process that runs: {alone['wall_s']:.2f} s wall, "
        f"{alone['cpu_s']:.2f} s CPU",
        f"the run: {first['wall_s']:.1f} s wall, {first['cpu_s']:.1f} s CPU in all; a photograph "
        f"{first['wall_s'] / n:.2f} s wall, {first['cpu_s'] / n:.2f} s CPU ({first['count']})",
        f"ratio: {f['ratio']:.3f} of coupons x one photograph's CPU time / processes (goal {GOAL_RATIO})",
        f"second run: {second['wall_s']:.2f} s wall, {second['cpu_s']:.2f} s CPU (goal {GOAL_SECOND_S}; "
        f"{second['count']})",
    ]
    looks = first["memory"]
    if looks:
        lines += ["", f"{'resident MB':24}{'at':>8}{'parent':>8}  workers"]
        tenths = sorted({round(i * (len(looks) - 1) / 10) for i in range(11)})
        for at, parent, workers in (looks[i] for i in tenths):
            lines.append(f"{'':24}{at:7.1f}s{parent:8.0f}  {' '.join(f'{w:.0f}' for w in workers)}")
        every = [w for _, _, workers in looks for w in workers]
        lines.append(f"{'most':24}{'':8}{max(p for _, p, _ in looks):8.0f}  {max(every, default=0.0):.0f}")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    parser = argparse.ArgumentParser(description="A run of many 12 Mpx photographs.")
    parser.add_argument("--coupons", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="work here and leave all of it (default: a temporary folder)")
    parser.add_argument("--json", type=Path, help="write the figures here")
    parser.add_argument("--task", choices=("draw", "alone"), help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.task is not None:
        if asked.task == "draw":
            answer: Any = draw_scenes(asked.folder)
        else:
            scenes = json.loads((asked.folder / "scenes.json").read_text(encoding="utf-8"))
            answer = one_photo(asked.folder, scenes, asked.repeats)
        sys.stdout.write(json.dumps(answer))
        return 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        figures = figures_of(folder, asked.coupons, asked.jobs, asked.repeats)
    sys.stdout.write(table(figures) + "\n")
    if asked.json:
        asked.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
