"""Both welds of a tee, where the first look at the whole photo shows only one."""

from typing import TYPE_CHECKING

import numpy as np
import pytest

from macrocheck.photo import Photo
from macrocheck.render.photo import RenderedPhoto, render_photo
from macrocheck.segment import Looks, find_outline
from macrocheck.segment.locate import COARSE, Spot, spots, traces_elsewhere
from tests.segment.fake_maps import maps_of

if TYPE_CHECKING:
    from macrocheck.render.section import SectionJoint

JOINTS: tuple["SectionJoint", ...] = ("tee", "tee", "lap", "corner")


@pytest.fixture(scope="module")
def picture() -> RenderedPhoto:
    return render_photo(18093, "hard", joints=JOINTS)


def test_a_second_weld_that_the_first_look_misses_is_found(picture: RenderedPhoto) -> None:
    photo = Photo(picture.rgb, "both.png", "0" * 64)
    looks = Looks(photo)
    assert len(picture.welds) == 2
    assert len(spots(looks.coarse(COARSE))) == 1
    found = find_outline(photo, joint="tee", looks=looks)
    assert len(found.welds) == 2
    for weld in picture.welds:
        middle = weld.polygon_px.mean(axis=0)
        off = min(float(abs(w.polygon.mean(axis=0) - middle).max()) for w in found.welds)
        assert off < 0.05 * picture.rgb.shape[1]


@pytest.mark.parametrize(("side", "sure", "traces"), [(8, 0.4, True), (8, 0.05, False), (3, 0.4, False)])
def test_traces_of_a_weld_are_seen_outside_a_spot_alone(side: int, sure: float, traces: bool) -> None:
    blank = np.zeros((120, 160), np.float32)
    weld = blank.copy()
    weld[40:70, 20:60] = 1.0
    spot = Spot((79.0, 109.0), 80.0, 20.0, (39.0, 79.0, 119.0, 139.0))
    weld[50 : 50 + side, 120 : 120 + side] = sure
    maps = maps_of(np.stack([1 - weld, weld, blank, blank]), scale=2.0)
    assert traces_elsewhere(maps, spot) is traces
