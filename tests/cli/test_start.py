"""Start-up: help and version load no image library; the public names are there all the same."""

import os
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import click
import pytest

import macrocheck
from macrocheck.cli import program
from tests.cli.conftest import Run
from tests.cli.coupon import MARK, write_outline, write_photo

HEAVY = ["numpy", "cv2", "scipy", "skimage", "shapely", "pint", "PIL", "rich", "jsonschema"]
COMMANDS = program.list_commands(click.Context(program))


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], ["limits", "show", "--help"], *([name, "--help"] for name in COMMANDS)],
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


def test_a_reader_that_goes_away_is_no_verdict(tmp_path: Path) -> None:
    """Status 1 is "a limit rejected"; a closed pipe must not end with it."""
    coupon = [str(write_photo(tmp_path / "tee.png")), "--mark", MARK]
    outline = str(write_outline(tmp_path / "tee.geojson"))
    command = [sys.executable, "-m", "macrocheck", "measure", *coupon, "--outline", outline]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""
    assert running.returncode == 2


@pytest.mark.skipif(os.name != "posix", reason="streams as a POSIX shell closes them")
def test_closed_streams(tmp_path: Path) -> None:
    coupon = (
        f"{write_photo(tmp_path / 'tee.png')} --mark {MARK} --outline {write_outline(tmp_path / 'tee.geojson')}"
    )
    for arguments, closed, status in ((coupon, ">&- 2>err", 0), (coupon, "<&- >&- 2>&-", 0), ("x", ">&- 2>&-", 2)):
        line = f"{sys.executable} -m macrocheck measure {arguments} --mark {MARK} {closed}"
        done = subprocess.run(["bash", "-c", line], check=False, cwd=tmp_path, timeout=60)
        assert done.returncode == status, line
    assert (tmp_path / "err").read_text(encoding="utf-8") == ""


def test_stopped_while_it_is_still_being_imported() -> None:
    code = """
import sys
class Stop:
    def find_spec(self, name, *_):
        if name == "click":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Stop())
from macrocheck.__main__ import main
main()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 130
    assert done.stderr == "macrocheck: stopped; nothing half-written was left behind.\n"


def test_the_installed_command_is_that_one() -> None:
    scripts = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))
    assert scripts["project"]["scripts"]["macrocheck"] == "macrocheck.__main__:main"
