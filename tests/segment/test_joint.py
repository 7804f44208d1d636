"""Tee or lap, from plates drawn by hand and from rendered sections."""

from typing import TYPE_CHECKING

import numpy as np
import pytest

from macrocheck.outline import Joint
from macrocheck.segment.joint import tell_joint, unlike
from macrocheck.segment.locate import coarse_maps, look_closer, spots
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps
from tests.bench.cases import load_case

if TYPE_CHECKING:
    from macrocheck.arrays import Float32Array

SIZE = 320
PHOTO = (SIZE, SIZE)


def drawn(height: int, width: int, *, overlap: int = 0) -> RegionMaps:
    """A plate under y = 220, another of `width` by `height` px on it that ends at x = 160, a weld at its foot."""
    y, x = np.mgrid[:SIZE, :SIZE]
    regions: Float32Array = np.zeros((4, SIZE, SIZE), np.float32)
    lower = y >= 220
    upper = (y < 220) & (y >= 220 - height) & (x < 160) & (x >= 160 - width)
    weld = (y < 220) & (x >= 160) & ((x - 160) + (220 - y) < min(height - overlap, 70))
    regions[NONBUTTING], regions[BUTTING], regions[WELD] = lower, upper, weld
    regions[BACKGROUND] = 1 - regions[1:].sum(axis=0)
    none = np.zeros((SIZE, SIZE), np.float32)
    seam = ((np.abs(y - 220) < 2) & (x < 160) & (x >= 160 - width)).astype(np.float32)
    identity = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    return RegionMaps(regions, none, none, seam, none, np.zeros((3, SIZE, SIZE), np.float32), identity)


@pytest.mark.parametrize(
    ("height", "width", "joint"), [(400, 60, "tee"), (140, 60, "tee"), (60, 400, "lap"), (70, 130, "lap")]
)
def test_plates_by_their_bare_edges(height: int, width: int, joint: str) -> None:
    maps = drawn(height, width)
    assert tell_joint(maps, maps, PHOTO) == (joint, None)


@pytest.mark.parametrize("stated", ["tee", "lap"])
def test_a_stated_joint_that_the_picture_speaks_against_is_flagged(stated: Joint) -> None:
    maps = drawn(60, 400)
    flag = unlike(stated, tell_joint(maps, maps, PHOTO))
    assert (flag is None) == (stated == "lap")
    if flag is not None:
        assert flag.code == "joint_unsure"
        assert "lap" in flag.text
        assert "tee" in flag.text


def test_rendered_sections_are_told_or_said_to_be_unsure() -> None:
    wrong, unsure, count = 0, 0, 0
    for seed in range(320, 338):
        case = load_case("own", "fair", seed)
        photo = case.photo()
        coarse = coarse_maps(photo)
        close, _ = look_closer(photo, spots(coarse)[0])
        kind, doubt = tell_joint(close, coarse, (photo.width, photo.height))
        count += 1
        unsure += doubt is not None
        wrong += doubt is None and kind != case.joint
    assert wrong <= 1
    assert unsure <= count // 3
