"""Start-up: help and version load no image library; the public names are there all the same."""

import subprocess
import sys
from importlib import metadata

import pytest

import macrocheck
from tests.cli.conftest import Run

HEAVY = ["numpy", "cv2", "scipy", "skimage", "shapely", "pint", "PIL", "rich", "jsonschema"]


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], ["measure", "--help"], ["limits", "--help"], ["limits", "show", "--help"]],
)
def test_light_start(arguments: list[str]) -> None:
    code = f"""
import sys
from macrocheck.cli import main
try:
    main({arguments!r})
except SystemExit as end:
    assert end.code == 0, end.code
loaded = sorted(set({HEAVY!r}) & set(sys.modules))
assert not loaded, loaded
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout


def test_importing_the_package_is_light() -> None:
    code = f"import sys, macrocheck; assert not set({HEAVY!r}) & set(sys.modules); macrocheck.measure_photo"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_public_names_are_all_there() -> None:
    for name in macrocheck.__all__:
        assert getattr(macrocheck, name) is not None
    assert set(macrocheck.__all__) <= set(dir(macrocheck))
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = macrocheck.nothing


def test_version(run: Run) -> None:
    assert run("--version").out == f"macrocheck {macrocheck.__version__}\n"
    assert metadata.version("macrocheck") == macrocheck.__version__


def test_help_states_the_exit_statuses_and_the_caution(run: Run) -> None:
    said = run("--help").out
    assert "0 measured" in said
    assert "not a qualification" in " ".join(said.split())


@pytest.mark.parametrize(
    "arguments",
    [["grind"], ["measure"], ["measure", "a.jpg"], ["measure", "a.jpg", "--mark", "px:0.02mm", "--joint", "x"]],
)
def test_usage_faults_end_with_2(run: Run, arguments: list[str]) -> None:
    ran = run(*arguments)
    assert ran.status == 2
    assert ran.out == ""
    assert "Error: " in ran.err


def test_a_screen_without_the_characters() -> None:
    environment = {"PYTHONIOENCODING": "ascii", "PATH": ""}
    command = [sys.executable, "-m", "macrocheck", "limits", "show", "iso5817-fillet-b"]
    done = subprocess.run(command, capture_output=True, env=environment, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_reader_that_goes_away() -> None:
    command = [sys.executable, "-m", "macrocheck", "limits", "show", "iso5817-fillet-b"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""
