"""Time and memory for one 12 Mpx photo, beside things anyone can time on the same machine.

    python -m tests.bench.speed [--repeats 5] [--json FILE]

The photo is rendered once, with grain on top, and written as a JPEG. Then: the whole command in fresh processes
(wall time, peak resident memory), the stages inside one fresh process, and beside them, in the same run, decoding
the same JPEG and five iterations of OpenCV's GrabCut on the same picture at 2 Mpx.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

SIZE = (4000, 3000)
SEED = 12
QUALITY = 93
NOISE = 4.0
"""Standard deviation of the grain, grey levels."""
GRABCUT_PX = 2_000_000
GRABCUT_ITERATIONS = 5


def draw_photo(path: Path) -> dict[str, Any]:
    """Render the photo and write it; returns its mark, its joint and the box of its weld (x0, y0, x1, y1), px."""
    import cv2
    import numpy as np

    from macrocheck.render.photo import render_photo

    picture = render_photo(SEED, "fair", joints=("tee",), size=SIZE, mark="bar")
    # Grain as from a phone's sensor, or the file would decode quicker than a real one of this size.
    noise = np.random.default_rng(SEED).normal(0, NOISE, picture.rgb.shape[:2]).astype(np.float32)
    grainy = np.clip(picture.rgb[..., ::-1] + noise[..., None], 0, 255).astype(np.uint8)
    data = cv2.imencode(".jpg", grainy, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1]
    path.write_bytes(data.tobytes())
    low, high = picture.welds[0].polygon_px.min(axis=0), picture.welds[0].polygon_px.max(axis=0)
    return {"mark": picture.mark, "joint": picture.joint, "box": [*low.tolist(), *high.tolist()]}


def run_process(arguments: list[str]) -> dict[str, float]:
    """Run `python -m macrocheck ARGUMENTS` afresh: wall seconds, CPU seconds, peak resident MB."""
    begun = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "macrocheck", *arguments], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    wall = time.perf_counter() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1, 3):
        msg = f"macrocheck {' '.join(arguments)} ended with {child.returncode}"
        raise RuntimeError(msg)
    per_mb = 1024.0**2 if sys.platform == "darwin" else 1024.0  # bytes there, kB on Linux
    return {"wall_s": wall, "cpu_s": used.ru_utime + used.ru_stime, "peak_mb": used.ru_maxrss / per_mb}


def several(arguments: list[str], repeats: int) -> dict[str, float]:
    """Return the medians over several fresh processes, and the shortest wall time."""
    runs = [run_process(arguments) for _ in range(repeats)]
    out = {key: statistics.median(r[key] for r in runs) for key in runs[0]}
    return {**out, "least_wall_s": min(r["wall_s"] for r in runs)}


def stage_times(path: Path, facts: dict[str, Any]) -> dict[str, float]:
    """Time every stage once, each with the imports it needs; meant for a process that has done nothing yet."""
    times: dict[str, float] = {}

    def timed(name: str, work: Callable[[], Any]) -> Any:
        begun = time.perf_counter()
        result = work()
        times[name] = time.perf_counter() - begun
        return result

    def libraries() -> None:
        import cv2
        import numpy as np

        cv2.cvtColor(np.zeros((2, 2, 3), np.uint8), cv2.COLOR_RGB2GRAY)

    timed("import NumPy and OpenCV", libraries)
    import macrocheck as mc

    photo = timed("read the photo", lambda: mc.read_photo(path))
    scale = timed("find the mark", lambda: mc.find_scale(photo, [mc.parse_mark(facts["mark"])]))
    outline = timed("find the outline", lambda: mc.find_outline(photo, joint=facts["joint"]))
    welds = timed("measure", lambda: mc.measure_outline(outline, scale))
    limits = timed("read the limits", lambda: mc.load_limits("iso5817-fillet-c"))
    given = {"t": 8.0, "a": 4.0}
    joints = [weld.joint for weld in outline.welds]
    verdicts = timed("grade", lambda: mc.grade_welds(welds, limits, joints=joints, given=given))

    from macrocheck.results import PhotoFacts

    result = mc.Result(
        photo=PhotoFacts(photo.path, photo.sha256, photo.width, photo.height, photo.notes),
        scale=scale,
        outline=outline,
        measurements=welds,
        verdicts=verdicts,
        version=mc.__version__,
    )
    overlay = timed("draw the overlay", lambda: mc.draw_overlay(photo, result))

    def encode() -> bytes:
        from macrocheck.report.encode import encode_png

        return encode_png(overlay)

    timed("write the overlay as PNG", encode)
    return times


def beside(path: Path, facts: dict[str, Any], repeats: int) -> dict[str, float]:
    """Time decoding the same JPEG, and GrabCut at 2 Mpx from a box around the true weld; medians, s."""
    import cv2
    import numpy as np

    data = np.frombuffer(path.read_bytes(), np.uint8)
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR)
    if decoded is None:
        msg = f"{path} cannot be decoded"
        raise RuntimeError(msg)
    shrink = (GRABCUT_PX / (decoded.shape[0] * decoded.shape[1])) ** 0.5
    small = cv2.resize(decoded, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    x0, y0, x1, y1 = (round(v * shrink) for v in facts["box"])
    margin = round(0.1 * max(x1 - x0, y1 - y0))
    box = (max(1, x0 - margin), max(1, y0 - margin), x1 - x0 + 2 * margin, y1 - y0 + 2 * margin)

    def grabcut() -> None:
        mask = np.zeros(small.shape[:2], np.uint8)
        models = np.zeros((1, 65)), np.zeros((1, 65))
        cv2.grabCut(small, mask, box, *models, GRABCUT_ITERATIONS, cv2.GC_INIT_WITH_RECT)

    return {
        "decode the JPEG": _median(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), repeats),
        f"GrabCut, {GRABCUT_ITERATIONS} iterations at {small.shape[1] * small.shape[0] / 1e6:.1f} Mpx": _median(
            grabcut, max(1, repeats // 2)
        ),
    }


def _median(work: Callable[[], Any], repeats: int) -> float:
    spent = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begun)
    return statistics.median(spent)


def measure_speed(folder: Path, repeats: int) -> dict[str, Any]:
    """Do all of it in `folder`; returns the figures."""
    path = folder / "photo.jpg"

    def child(task: str) -> dict[str, Any]:
        """Do a task in a process of its own: Linux counts this one's memory as that of what it starts."""
        command = [
            sys.executable,
            "-m",
            "tests.bench.speed",
            "--task",
            task,
            str(folder),
            "--repeats",
            str(repeats),
        ]
        answer: dict[str, Any] = json.loads(
            subprocess.run(command, capture_output=True, text=True, check=True).stdout
        )
        return answer

    facts = child("draw")
    (folder / "facts.json").write_text(json.dumps(facts), encoding="utf-8")
    measure = ["measure", str(path), "--mark", facts["mark"], "--joint", facts["joint"]]
    graded = ["--limits", "iso5817-fillet-c", "--given", "t=8mm", "--given", "a=4mm"]
    processes = {
        "--help": several(["--help"], repeats),
        "measure, as JSON": several([*measure, "--json", "-"], repeats),
        "measure, grade, write overlay and outline": several([*measure, *graded, "--out", str(folder)], repeats),
    }
    return {
        "photo": {"size": SIZE, "bytes": path.stat().st_size, **facts},
        "cores": os.cpu_count(),
        "load": os.getloadavg(),
        "processes": processes,
        "stages": child("stages"),
        "beside": child("beside"),
    }


def table(figures: dict[str, Any]) -> str:
    """Return the figures as text."""
    width, height = figures["photo"]["size"]
    lines = [
        f"{width} x {height} px, {figures['photo']['bytes'] / 1e6:.1f} MB JPEG; {figures['cores']} cores, "
        f"load {figures['load'][0]:.1f}",
        "",
        f"{'whole process':44}{'wall s':>8}{'least':>8}{'CPU s':>8}{'peak MB':>9}",
    ]
    for name, f in figures["processes"].items():
        lines.append(f"{name:44}{f['wall_s']:8.2f}{f['least_wall_s']:8.2f}{f['cpu_s']:8.2f}{f['peak_mb']:9.0f}")
    lines += ["", f"{'stage, once, in a fresh process':44}{'s':>8}"]
    lines += [f"{name:44}{seconds:8.3f}" for name, seconds in figures["stages"].items()]
    lines += ["", f"{'beside it, in the same run':44}{'s':>8}"]
    lines += [f"{name:44}{seconds:8.3f}" for name, seconds in figures["beside"].items()]
    return "\n".join(lines)


def _task(name: str, folder: Path, repeats: int) -> dict[str, Any]:
    """Do one of the tasks that get a process of their own."""
    photo = folder / "photo.jpg"
    if name == "draw":
        return draw_photo(photo)
    facts = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
    return stage_times(photo, facts) if name == "stages" else beside(photo, facts, repeats)


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    parser = argparse.ArgumentParser(description="Time and memory for one 12 Mpx photo.")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--json", type=Path, help="write the figures here")
    parser.add_argument("--task", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.task is not None:
        sys.stdout.write(json.dumps(_task(asked.task[0], Path(asked.task[1]), asked.repeats)))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        figures = measure_speed(Path(folder), asked.repeats)
    sys.stdout.write(table(figures) + "\n")
    if asked.json:
        asked.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
