"""The shipped samples: there, small enough, whole, and what their own script draws."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from macrocheck.quantities import BY_KEY
from macrocheck.render.samples import LARGEST_FILE, SAMPLES, render_sample, sample_truth

FOLDER = Path(__file__).parents[2] / "sample_images"


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.stem)
def test_sample_is_shipped_whole(sample) -> None:  # type: ignore[no-untyped-def]  # parametrized value
    picture = FOLDER / f"{sample.stem}.jpg"
    assert picture.stat().st_size <= LARGEST_FILE
    truth = json.loads((FOLDER / f"{sample.stem}.truth.json").read_text(encoding="utf-8"))
    image = cv2.imread(str(picture))
    assert image is not None
    assert image.shape[:2] == (truth["height"], truth["width"])
    assert truth["rendered"] is True
    assert truth["mark"].startswith(("bar:", "ruler:"))
    assert sample.coupon in (FOLDER / "README.md").read_text(encoding="utf-8")
    for weld in truth["welds"]:
        outline = np.asarray(weld["weld_outline_px"])
        assert outline.min() > 0
        assert (outline.max(axis=0) < [truth["width"] - 1, truth["height"] - 1]).all()
        assert set(weld["quantities"]) == {q.key for q in BY_KEY.values() if q.fillet}


def test_samples_show_what_they_say() -> None:
    def first(stem: str) -> dict[str, float]:
        text = (FOLDER / f"{stem}.truth.json").read_text(encoding="utf-8")
        found: dict[str, float] = json.loads(text)["welds"][0]["quantities"]
        return found

    sound = first("T6-03-sound")
    assert sound["root_penetration"] > 0.5
    assert sound["unfused_butting"] < 0.2
    assert first("T6-07-cold-lap-butting")["unfused_butting"] > 1.5
    cold = first("T8-02-no-root-penetration")
    assert cold["root_penetration"] == 0
    assert cold["root_shortfall"] > 0.5
    fast = first("T6-11-convex-fast")
    assert fast["convexity"] > 0.5
    assert fast["undercut_butting"] == pytest.approx(0.3, abs=0.01)
    assert first("L6-05-lap-grain")["leg_nonbutting"] is None
    both = json.loads((FOLDER / "T8-09-both-sides.truth.json").read_text(encoding="utf-8"))
    assert len(both["welds"]) == 2


def test_the_script_draws_the_shipped_sample() -> None:
    sample = SAMPLES[0]
    photo = render_sample(sample)
    fresh, shipped = (
        json.loads(sample_truth(sample, photo)),
        json.loads((FOLDER / f"{sample.stem}.truth.json").read_text(encoding="utf-8")),
    )
    assert fresh == shipped
    stored = cv2.imread(str(FOLDER / f"{sample.stem}.jpg"))
    assert stored is not None
    difference = stored[..., ::-1].astype(float) - photo.rgb
    assert float(np.sqrt((difference**2).mean())) < 4.0
