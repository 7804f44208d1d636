"""The page's server timed: from an edit sent to its new numbers received, and from the start to the first picture.

    python -m tests.bench.review_speed [--repeats 20] [--json FILE]

Starts `macrocheck review` on a 12 Mpx photo with limits, as a user does, and sends edits of every kind over the
loopback as the page does; a person's pause lies between them. Beside the wall time stands the processor time of the
server, which other programs on the machine do not change.
"""

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2
import numpy as np

from macrocheck.arrays import FloatArray
from tests.bench.speed import draw_photo

PAUSE_S = 0.15
WINDOW = "benchwindow"


@contextmanager
def served(photo: Path, mark: str, keep: Path) -> Iterator[tuple[httpx2.Client, dict[str, float], int]]:
    """Start the program; yields a client that has entered, the seconds of the start, the server's process id."""
    command = [sys.executable, "-m", "macrocheck", "review", str(photo), "--mark", mark, "--joint", "tee"]
    command += [
        "--limits",
        "iso5817-fillet-c",
        "--given",
        "t=8mm",
        "--given",
        "a=5mm",
        "--no-browser",
        "--keep",
        str(keep),
    ]
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        found = re.search(r"(http://\S+?)/\?key=\S+", line)
        assert found is not None, line
        with httpx2.Client(base_url=found[1], headers={"Origin": found[1]}, timeout=120) as http:
            http.get(found[0])
            times = {"address": time.perf_counter() - begun}
            item = http.get("/api/queue").json()["items"][0]
            view = http.get(f"/api/photos/{item['id']}/view").json()
            level = next(k for k, v in enumerate(view["levels"]) if max(v["width"], v["height"]) >= 1024)
            http.get(f"/api/photos/{item['id']}/tiles/{level}/0/0.jpg")
            times["picture"] = time.perf_counter() - begun
            http.get(f"/api/photos/{item['id']}")
            times["numbers"] = time.perf_counter() - begun
            yield http, times, process.pid
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


def _cpu_s(pid: int) -> float:
    """Processor time that a process has used, s; NaN where the system does not say."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return float("nan")
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _move(point: str, to: FloatArray) -> dict[str, Any]:
    return {"kind": "move_point", "weld": 0, "point": point, "to": to.tolist()}


def edits_of(state: dict[str, Any], rng: np.random.Generator) -> dict[str, dict[str, Any]]:
    """Return one edit of each kind for a state, at about the right places."""
    weld = state["welds"][0]
    parts = {f["part"]: f for f in weld["features"]}
    fusion, face = (np.asarray(parts[p]["points"]) for p in ("fusion", "face"))
    root = np.asarray(weld["joint_root"])
    toe = np.asarray(weld["toe_nonbutting"])
    handle = int(rng.choice(parts["fusion"]["handles"][2:-2]))
    clicked = fusion[rng.integers(len(fusion) // 6, len(fusion) // 3)] + rng.normal(0, 6, 2)
    a, b = sorted(rng.integers(len(face) // 5, 4 * len(face) // 5, 2).tolist())
    stroke = face[a : max(b, a + 30) : 10] + rng.normal(0, 2, face[a : max(b, a + 30) : 10].shape)
    share = rng.uniform(0.2, 0.5)
    return {
        "drag a toe": _move("toe_nonbutting", toe + rng.normal(0, 8, 2)),
        "drag the root": _move("joint_root", root + rng.normal(0, 4, 2)),
        "drag the boundary": {
            "kind": "move_vertex", "feature": "0/fusion", "index": handle,
            "to": (fusion[handle] + rng.normal(0, 8, 2)).tolist(),
        },
        "pass through": {"kind": "pass_through", "at": clicked.tolist()},
        "stroke": {"kind": "redraw", "feature": "0/face", "points": stroke.tolist()},
        "mark unfused": {
            "kind": "mark_span", "weld": 0, "state": "unfused", "member": "nonbutting",
            "start": (root + share * (toe - root)).tolist(), "end": (root + (share + 0.2) * (toe - root)).tolist(),
        },
        "mark fused": {
            "kind": "mark_span", "weld": 0, "state": "fused", "member": "nonbutting",
            "start": (root + share * (toe - root)).tolist(), "end": (root + (share + 0.1) * (toe - root)).tolist(),
        },
        "void": {
            "kind": "add_void", "weld": 0, "centre": (0.5 * (root + face.mean(axis=0))).tolist(),
            "radius_px": float(rng.uniform(8, 20)),
        },
        "limits": {"kind": "settings", "settings": {"given": {"t": f"{rng.uniform(6, 10):.1f}mm", "a": "5mm"}}},
        "undo": {"kind": "undo"},
    }  # fmt: skip


def timed(http: httpx2.Client, pid: int, repeats: int) -> dict[str, list[tuple[float, float]]]:
    """Send every kind of edit `repeats` times; (wall, CPU) ms of each."""
    item = http.get("/api/queue").json()["items"][0]
    path = f"/api/photos/{item['id']}"
    state = http.get(path).json()
    rng = np.random.default_rng(0)
    times: dict[str, list[tuple[float, float]]] = {}
    for n in range(repeats):
        for name, edit in edits_of(state, rng).items():
            time.sleep(PAUSE_S)
            cpu, wall = _cpu_s(pid), time.perf_counter()
            body = {"revision": state["revision"], "window": WINDOW, "edit": edit, "resolution": 2.0}
            answer = http.post(f"{path}/edits", json=body)
            took = 1000 * (time.perf_counter() - wall), 1000 * (_cpu_s(pid) - cpu)
            if answer.status_code != 200:
                sys.stderr.write(f"{name}: {answer.json()['text']}\n")
                continue
            state = answer.json()
            if n:  # the first of each kind also loads what it needs
                times.setdefault(name, []).append(took)
        while len(state["changes"]) > 4:
            body = {"revision": state["revision"], "window": WINDOW, "edit": {"kind": "undo"}}
            state = http.post(f"{path}/edits", json=body).json()
    return times


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; 0 when done."""
    parser = argparse.ArgumentParser(description="How soon the page's numbers follow an edit.")
    parser.add_argument("--repeats", type=int, default=20, help="edits of each kind")
    parser.add_argument("--json", type=Path, help="write every time here")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "photo.jpg"
        drawn = draw_photo(photo)
        with served(photo, drawn["mark"], Path(folder) / "keep") as (http, start, pid):
            times = timed(http, pid, asked.repeats)
    sys.stdout.write("from the start, s: " + ", ".join(f"{k} {v:.2f}" for k, v in start.items()) + "\n")
    sys.stdout.write(f"{'edit':20}{'n':>5}{'median':>9}{'p95':>9}{'CPU':>9}{'p95':>9}   ms\n")
    every = [t for rows in times.values() for t in rows]
    for name, rows in [*times.items(), ("all", every)]:
        wall, cpu = np.asarray(rows).T
        cells = [np.median(wall), np.percentile(wall, 95), np.median(cpu), np.percentile(cpu, 95)]
        sys.stdout.write(f"{name:20}{len(rows):>5}" + "".join(f"{c:>9.0f}" for c in cells) + "\n")
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    sys.stdout.write(f"load of the machine at the end: {load:.1f} on {os.cpu_count()} cores\n")
    if asked.json:
        asked.json.write_text(json.dumps({"start_s": start, "edits_ms": times}), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
