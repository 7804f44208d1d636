"""What a training can leave out: one ingredient is gone from the pictures, all else stays as it was."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("torch", reason="the extra macrocheck[train] is not installed")

import torch
from torch import Tensor

from macrocheck.train.ingredients import INGREDIENTS, Ingredient, Without, left_out
from macrocheck.train.layouts import LOOSE, batches
from macrocheck.train.model import SectionNet
from macrocheck.train.painting import paint

SIZE = 64
COUNT = 24


@pytest.fixture(scope="module")
def laid_out() -> dict[str, Tensor]:
    batch = next(batches(np.random.default_rng(7), SIZE, COUNT))
    return {name: torch.from_numpy(values) for name, values in batch.items()}


def painted(laid_out: dict[str, Tensor], *names: Ingredient) -> tuple[Tensor, dict[str, Tensor]]:
    """Mean over the channels of the pictures (b, h, w), their targets; always of the same random state."""
    without: Without = frozenset(names)
    torch.manual_seed(5)
    picture, targets = paint(laid_out, without)
    return picture.mean(dim=1), targets


def places(laid_out: dict[str, Tensor]) -> Tensor:
    """The region of each pixel as laid out, (b, h, w)."""
    return laid_out["regions"][:, ::2, ::2]


@pytest.mark.parametrize("name", [name for name in INGREDIENTS if name != "lines"])
def test_pictures_change_and_the_truth_does_not(laid_out: dict[str, Tensor], name: Ingredient) -> None:
    (before, truth), (after, targets) = painted(laid_out), painted(laid_out, name)
    assert float((before - after).abs().mean()) > 0.5
    for kind in ("regions", "lines", "points", "matters"):
        assert torch.equal(truth[kind], targets[kind]), kind


def test_learning_no_lines_leaves_the_pictures_alone(laid_out: dict[str, Tensor]) -> None:
    assert torch.equal(painted(laid_out)[0], painted(laid_out, "lines")[0])


def test_without_grain_the_tone_tells_the_weld(laid_out: dict[str, Tensor]) -> None:
    before, targets = painted(laid_out, "camera", "filters", "zones")
    after, _ = painted(laid_out, "camera", "filters", "zones", "grain")
    contrasts = []
    for old, new, regions, lines in zip(before, after, targets["regions"], targets["lines"], strict=True):
        weld, plates = regions == 1, (regions >= 2) & (lines[1] < 0.01)
        assert torch.equal(old[plates], new[plates])
        if int(weld.sum()) > 30 and float((old - new)[weld].abs().mean()) > 1:
            contrasts.append([float((tones[weld].median() - tones[plates].median()).abs()) for tones in (old, new)])
    # Half the pictures (macrocheck.train.painting) were told by grain; the others stay as they are.
    assert 6 <= len(contrasts) <= 18
    assert np.median(contrasts, axis=0)[1] > 2 * np.median(contrasts, axis=0)[0]


def test_without_zones_plates_are_alike_near_and_far_from_the_weld(laid_out: dict[str, Tensor]) -> None:
    def step(*names: Ingredient) -> float:
        """Mean difference in tone between a plate's zone and the rest of it."""
        picture, targets = painted(laid_out, "camera", "filters", "clutter", *names)
        values = []
        for tones, regions, lines in zip(picture, targets["regions"], targets["lines"], strict=True):
            for plate in (2, 3):
                zone, rest = (tones[(regions == plate) & (lines[0] > 0.5) & (lines[1] < 0.1)],
                              tones[(regions == plate) & (lines[0] < 0.5)])  # fmt: skip
                if len(zone) > 20 and len(rest) > 20:
                    values.append(float((zone.median() - rest.median()).abs()))
        assert len(values) > 15
        return float(np.mean(values))

    assert step("zones") < 0.6 * step()


def test_without_clutter_nothing_lies_about_and_nothing_is_written(laid_out: dict[str, Tensor]) -> None:
    bare, _ = painted(laid_out, "camera", "filters", "clutter")
    full, targets = painted(laid_out, "camera", "filters")
    loose, written = places(laid_out) == LOOSE, laid_out["clutter"] > 0
    for place in (loose & (targets["regions"] == 0), written):
        assert int(place.sum()) > 100
        assert float((bare - full).abs()[place].mean()) > 10


def test_without_camera_there_is_no_colour(laid_out: dict[str, Tensor]) -> None:
    torch.manual_seed(5)
    picture, _ = paint(laid_out, frozenset[Ingredient](["camera", "filters"]))
    assert float((picture[:, 0] - picture[:, 2]).abs().max()) < 1e-3


def test_names_are_known() -> None:
    assert left_out(["zones", "grain"]) == {"grain", "zones"}
    assert left_out([]) == frozenset()
    with pytest.raises(ValueError, match=r"No ingredient of the training: salt\. Use one of grain, zones"):
        left_out(["grain", "salt"])


def test_side_by_side_goes_on_where_it_stopped(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "macrocheck.train.ablation", "--out", str(tmp_path), "--pictures", "8"]
    command += ["--networks", "whole", "lines", "--size", "32", "--batch", "2", "--no-compile"]
    for minutes in ("0.001", "60"):
        done = subprocess.run(
            [*command, "--minutes", minutes], capture_output=True, text=True, check=False, timeout=300
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.count("held back:") == 2
    whole, lines = (torch.load(tmp_path / name / "facts.pt") for name in ("whole", "lines"))
    assert whole["steps"] == lines["steps"] == 4
    assert whole["pictures"] == lines["pictures"] == 8
    assert whole["calls"] == 2
    # What reads lines and points from the picture was not learned: it is as the seed made it, but for decay.
    torch.manual_seed(1)
    begun = SectionNet().state_dict()["head.bias"]
    for name, learns in (("whole", True), ("lines", False)):
        moved = (torch.load(tmp_path / name / "weights.pt")["head.bias"] - begun).abs()
        assert float(moved[:4].min()) > 1e-5
        assert bool((moved[4:] > 1e-5).all()) is learns
