"""Both welds of a tee, where the first look at the whole photo shows only one."""

from typing import TYPE_CHECKING

import pytest

from macrocheck.photo import Photo
from macrocheck.render.photo import RenderedPhoto, render_photo
from macrocheck.segment import Looks, find_outline
from macrocheck.segment.locate import COARSE, spots

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
