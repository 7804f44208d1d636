"""The speed benchmark's own parts: what it reads off a process, and its table."""

import pytest

from tests.bench.speed import run_process, several, table


def test_a_process_is_timed_and_weighed() -> None:
    figures = several(["--version"], 2)
    assert 0 < figures["least_wall_s"] <= figures["wall_s"] < 30
    assert 0 < figures["cpu_s"] < 30
    assert figures["peak_mb"] > 5


def test_a_failing_command_is_not_timed() -> None:
    with pytest.raises(RuntimeError, match="ended with 2"):
        run_process(["measure", "nowhere.jpg", "--mark", "bar:10mm"])


def test_table() -> None:
    figures = {
        "photo": {"size": (4000, 3000), "bytes": 3_200_000},
        "cores": 2,
        "load": (0.5, 0.4, 0.3),
        "processes": {"--help": {"wall_s": 0.05, "least_wall_s": 0.04, "cpu_s": 0.05, "peak_mb": 15.0}},
        "stages": {"measure": 0.0701},
        "beside": {"decode the JPEG": 0.054},
    }
    text = table(figures)
    assert "4000 x 3000 px, 3.2 MB JPEG; 2 cores, load 0.5" in text
    assert [line.split()[-4:] for line in text.splitlines() if line.startswith("--help")] == [
        ["0.05", "0.04", "0.05", "15"]
    ]
    assert "0.070" in text
