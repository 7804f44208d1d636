"""`run measure --cluster` against a real scheduler with two workers, one of which is killed in the middle."""

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from macrocheck.record.engine import reading
from macrocheck.record.query import list_sections
from macrocheck.record.store import open_record
from macrocheck.record.verify import verify
from macrocheck.run.cluster import measure_on_cluster
from macrocheck.run.work import SectionJob
from tests.cli.conftest import Run
from tests.run.quick import write_sheet

pytest.importorskip("distributed")

CLUSTER = """
import os, time
from distributed import Client, LocalCluster
from macrocheck.run import cluster as on_cluster
measure = on_cluster.measure_sections
def hang_on_slow():
    on_cluster.measure_sections = lambda jobs: time.sleep(600 * (jobs[0].coupon == "slow")) or measure(jobs)
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        with Client(cluster) as client:
            pids = client.run(os.getpid)
            client.run(hang_on_slow)
        print(cluster.scheduler_address, *pids.values(), flush=True)
        input()
"""


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[int]]]:
    """Address of a scheduler, and the process ids of its two workers."""
    script = tmp_path / "cluster.py"
    script.write_text(CLUSTER, encoding="utf-8")
    command = [sys.executable, str(script)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as running:
        assert running.stdout is not None
        address, *pids = running.stdout.readline().split()
        yield address, [int(p) for p in pids]
        running.communicate("\n", timeout=30)


def test_a_worker_is_killed_in_the_middle(cluster: tuple[str, list[int]], tmp_path: Path) -> None:
    address, pids = cluster
    assert len(pids) == 2
    sheet, record = write_sheet(tmp_path, 16), tmp_path / "bench.db"
    command = [sys.executable, "-m", "macrocheck", "run", "measure", str(sheet), "--record", str(record)]
    with subprocess.Popen(
        [*command, "--cluster", address], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        photos = tmp_path / "bench.db.photos"
        deadline = time.monotonic() + 60
        while (not photos.exists() or len(list(photos.iterdir())) < 2) and time.monotonic() < deadline:
            assert running.poll() is None, running.communicate()
            time.sleep(0.01)
        assert len(list(photos.iterdir())) < 16
        os.kill(pids[0], signal.SIGKILL)
        out, err = running.communicate(timeout=120)
    assert running.returncode == 0, err
    assert "16 recorded now, 0 unchanged, 0 not measured" in out
    opened = open_record(record)
    assert verify(opened).faults == ()
    with reading(opened.engine, opened.name) as conn:
        kept = Counter(row.coupon for row in list_sections(conn))
    opened.close()
    assert len(kept) == 16
    assert set(kept.values()) == {1}


def test_a_coupon_that_hangs_is_given_up(cluster: tuple[str, list[int]]) -> None:
    names = ["slow", *(f"C{i}" for i in range(8))]
    jobs = [(SectionJob(n, "a", "none.jpg", "0" * 64, (), "auto", (), None),) for n in names]
    # Long enough for a fresh worker to import what it measures with.
    found = dict(measure_on_cluster(jobs, cluster[0], 6.0))
    said = {n: found[i][0].failure or "" for i, n in enumerate(names)}
    assert said.pop("slow").startswith("It was given up after")
    assert all("none.jpg" in failure for failure in said.values()), said


def test_no_cluster(run: Run, sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.run.cluster.WAIT_S", 1)
    ran = run("run", "measure", sheet, "--record", tmp_path / "bench.db", "--cluster", "tcp://127.0.0.1:1")
    assert ran.status == 2
    assert "No Dask scheduler answers at tcp://127.0.0.1:1" in ran.err
    ran = run("run", "measure", sheet, "--record", tmp_path / "bench.db", "--cluster", "tcp://x:1", "--jobs", "2")
    assert ran.status == 2
    assert "--jobs is for this machine" in ran.err
