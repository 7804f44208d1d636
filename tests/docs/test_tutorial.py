"""The tutorial's commands run in its order, print what the page shows, and measure what was drawn."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from macrocheck.render.tutorial import TRUTH
from tests.docs.tutorial import PAGE, Step, pick, run, steps, unlike


@dataclass(frozen=True)
class Tour:
    """The folder in which the commands ran, and every step with what it printed."""

    folder: Path
    steps: tuple[tuple[Step, str], ...]


@pytest.fixture(scope="module")
def tour(tmp_path_factory: pytest.TempPathFactory) -> Tour:
    folder, done = tmp_path_factory.mktemp("tutorial"), []
    for step in steps(PAGE.read_text(encoding="utf-8")):
        printed, folder = run(step, folder)
        done.append((step, printed))
    return Tour(folder, tuple(done))


def rows(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        yield from csv.DictReader(line for line in file if not line.startswith("#"))


def test_every_block_of_the_page_is_run() -> None:
    page = PAGE.read_text(encoding="utf-8")
    found = list(steps(page))
    assert len(found) == page.count("```sh\n") >= 15
    assert sum(bool(step.rule) for step in found) == page.count("```text\n") == page.count("<!-- shown")


def test_prints_what_the_page_shows(tour: Tour) -> None:
    wrong = []
    for step, printed in tour.steps:
        if step.rule:
            wrong += [
                f"{step.commands[-1]}\n{line}"
                for line in unlike(step.shown, pick(printed, step.rule), loosely=step.loosely)
            ]
    assert not wrong, "\n".join([*wrong, "python -m tests.docs.tutorial puts what is printed now into the page"])


def test_measures_what_was_drawn(tour: Tour) -> None:
    truth = {row["section"]: row for row in rows(tour.folder / "truth.csv")}
    measured = {row["section"]: row for row in rows(tour.folder / "welds.csv")}
    assert measured.keys() == truth.keys()
    assert len(truth) == 48
    drawn = truth["K04-A"]
    leg, shortfall = (float(drawn[f"{key} (mm)"]) for key in ("leg_butting", "root_shortfall"))
    assert f"a leg of {leg:.2f} mm and a shortfall of {shortfall:.2f} mm" in PAGE.read_text(encoding="utf-8")
    for key in TRUTH:
        inside = 0
        for section, row in measured.items():
            off = abs(float(row[f"{key} (mm)"]) - float(truth[section][f"{key} (mm)"]))
            inside += off <= float(row[f"U95 of {key} (mm)"])
        assert inside >= 0.9 * len(truth), f"{key}: {inside} of {len(truth)}"


def test_wrote_what_the_page_says(tour: Tour) -> None:
    for name in (
        "look/K04-A.overlay.png",
        "roots.svg",
        "amps.svg",
        "sections.png",
        "report.html",
        "two-coupons.pdf",
    ):
        assert (tour.folder / name).stat().st_size > 5000, name


def test_a_difference_is_seen() -> None:
    shown = "Leg  4.139 ± 0.028  mm  accept\n"
    assert not unlike(shown, "Leg  4.15 ± 0.03   mm  accept\n")
    assert unlike(shown, "Leg  4.139 ± 0.028  mm  reject\n")
    assert unlike(shown, "Leg  5.139 ± 0.028  mm  accept\n")
    assert not unlike(shown, "Leg  5.139 ± 0.028  mm  accept\n", loosely=True)
    assert unlike(shown, "Leg  4.139 ± 0.028  mm  reject\n", loosely=True)
    assert unlike(shown, shown + shown)
