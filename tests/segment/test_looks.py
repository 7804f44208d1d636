"""Looks: searching a photo again gives the same outline as searching it anew, without asking the network again."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from macrocheck.arrays import ByteArray, Float32Array
from macrocheck.outline import Outline, WeldOutline
from macrocheck.outline_file import outline_to_geojson
from macrocheck.photo import Photo
from macrocheck.reading import read_photo
from macrocheck.segment import Hints, Looks, find_outline, locate, network
from macrocheck.segment import looks as looks_module
from macrocheck.segment.fit import fit_weld
from macrocheck.segment.maps import RegionMaps

PHOTO = Path(__file__).parents[2] / "sample_images" / "T8-09-both-sides.jpg"


@pytest.fixture(scope="module")
def photo() -> Photo:
    return read_photo(PHOTO)


@pytest.fixture(scope="module")
def seen(photo: Photo) -> tuple[Looks, Outline]:
    looks = Looks(photo)
    return looks, find_outline(photo, joint="tee", looks=looks)


def test_a_hint_asks_the_fit_alone_and_gives_what_a_fresh_search_gives(
    photo: Photo, seen: tuple[Looks, Outline], monkeypatch: pytest.MonkeyPatch
) -> None:
    looks, first = seen
    x, y = first.welds[0].fusion[len(first.welds[0].fusion) // 3]
    hints = Hints(through=((float(x) + 6.0, float(y) + 4.0),))
    fresh = find_outline(photo, joint="tee", hints=hints)
    asked = 0
    run = network.run

    def counted(pixels: ByteArray) -> Float32Array:
        nonlocal asked
        asked += 1
        return run(pixels)

    monkeypatch.setattr(locate, "run", counted)
    again = find_outline(photo, joint="tee", hints=hints, looks=looks)
    assert asked == 0
    assert outline_to_geojson(again) == outline_to_geojson(fresh)
    assert outline_to_geojson(again)["features"] != outline_to_geojson(first)["features"]


def test_the_bare_boundary_is_the_fitted_one_where_nothing_is_unfused(seen: tuple[Looks, Outline]) -> None:
    looks, found = seen
    for weld in found.welds:
        bare = looks.bare_boundary(weld)
        assert bare is not None
        gap = np.array([np.hypot(*(bare - p).T).min() for p in weld.fusion])
        assert np.median(gap) < 1.5
    drawn = replace(found.welds[0], fusion=found.welds[0].fusion + 0.5)
    assert looks.bare_boundary(drawn) is None


def test_a_weld_fitted_anew_is_what_the_whole_search_gives(photo: Photo, seen: tuple[Looks, Outline]) -> None:
    looks, first = seen
    x, y = first.welds[0].fusion[len(first.welds[0].fusion) // 4]
    hints = Hints(through=((float(x) - 4.0, float(y) + 5.0),))
    again = looks.refitted(first.welds[0], hints)
    fresh = find_outline(photo, joint="tee", hints=hints).welds[0]
    assert again is not None
    assert np.array_equal(again.fusion, fresh.fusion)
    assert np.array_equal(again.u_fusion, fresh.u_fusion)
    assert looks.refitted(again, None) is not None
    drawn = replace(first.welds[0], fusion=first.welds[0].fusion + 0.5)
    assert looks.refitted(drawn, hints) is None


def _swapped(weld: WeldOutline, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the members of one weld taken for one another unless the fit is told."""
    real = fit_weld

    def mistaken(photo: Photo, maps: RegionMaps, *, hints: Hints | None = None, **more: Any) -> WeldOutline:
        here = maps.map_points(np.asarray([weld.polygon.mean(axis=0)]))[0]
        inside = bool((here > 0.3 * maps.shape[0]).all() and (here < 0.7 * maps.shape[0]).all())
        if inside and (hints is None or not hints.butting):
            hints = replace(hints or Hints(), butting=(weld.toe_nonbutting,))
        return real(photo, maps, hints=hints, **more)

    monkeypatch.setattr(looks_module, "fit_weld", mistaken)


def test_members_of_a_second_weld_taken_for_one_another_are_turned_round(
    photo: Photo, seen: tuple[Looks, Outline], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, right = seen
    _swapped(right.welds[1], monkeypatch)
    looks = Looks(photo)
    found = find_outline(photo, joint="tee", looks=looks)
    assert len(found.welds) == 2
    for got, wanted in zip(found.welds, right.welds, strict=True):
        assert got.toe_butting == pytest.approx(wanted.toe_butting, abs=2.0)
    again = looks.refitted(found.welds[1], Hints(through=(right.welds[1].toe_butting,)))
    assert again is not None
    assert again.toe_butting == pytest.approx(right.welds[1].toe_butting, abs=2.0)


def test_a_first_weld_that_is_turned_round_keeps_its_own_hints(
    photo: Photo, seen: tuple[Looks, Outline], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, right = seen
    first = right.welds[0]
    _swapped(first, monkeypatch)
    inward = first.polygon.mean(axis=0) - first.fusion[len(first.fusion) // 4]
    point = first.fusion[len(first.fusion) // 4] + 6.0 * inward / np.hypot(*inward)
    found = find_outline(photo, joint="tee", hints=Hints(through=((float(point[0]), float(point[1])),)))
    assert len(found.welds) == 2
    assert found.welds[0].toe_butting == pytest.approx(first.toe_butting, abs=2.0)
    assert np.hypot(*(found.welds[0].fusion - point).T).min() < 2.5
    assert np.hypot(*(first.fusion - point).T).min() > 4.0
