"""Looks: what the network and the fit said of one photo, kept so that searching it again costs no second look."""

import threading
from collections.abc import Callable, Hashable
from typing import TypeVar

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.outline import Joint, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.boundary import first_path, place_boundary
from macrocheck.segment.hints import Hints
from macrocheck.segment.layout import lay_out
from macrocheck.segment.locate import SHARES, Spot, coarse_maps, look_closer
from macrocheck.segment.maps import RegionMaps

_K = TypeVar("_K", bound=Hashable)
_V = TypeVar("_V")

_MOST_FITS = 64
"""Fits kept, an outline each; older ones are made anew."""


class Looks:
    """The network's maps of one photo and the fits made of them, for `find_outline` to use again.

    A search with other hints then needs the fit alone and gives the same outline as one without this.
    """

    def __init__(self, photo: Photo) -> None:
        """Begin with nothing seen of `photo`."""
        self._photo = photo
        self._coarse: dict[int, RegionMaps] = {}
        self._closer: dict[tuple[Spot, tuple[float, ...]], tuple[RegionMaps, Spot]] = {}
        self._fits: dict[tuple[RegionMaps, Joint, Hints | None, float | None], WeldOutline | None] = {}
        self._lock = threading.Lock()

    def coarse(self, long_side: int) -> RegionMaps:
        """Return `coarse_maps` of the photo."""
        return self._kept(self._coarse, long_side, lambda: coarse_maps(self._photo, long_side=long_side))

    def closer(self, spot: Spot, shares: tuple[float, ...] = SHARES) -> tuple[RegionMaps, Spot]:
        """Return `look_closer` at `spot`."""
        return self._kept(self._closer, (spot, shares), lambda: look_closer(self._photo, spot, shares))

    def fitted(
        self,
        key: tuple[RegionMaps, Joint, Hints | None, float | None],
        fit: Callable[[], WeldOutline | None],
    ) -> WeldOutline | None:
        """Return what `fit` gives for `key` (maps, joint, hints, mm per px), or gave before."""
        weld = self._kept(self._fits, key, fit)
        while len(self._fits) > _MOST_FITS:
            self._fits.pop(next(iter(self._fits)), None)
        return weld

    def bare_boundary(self, weld: WeldOutline) -> FloatArray | None:
        """Return where the fusion boundary of a weld fitted here lies before unfused stretches go to a surface.

        (n, 2) px from the nonbutting to the butting toe; None where this weld was not fitted here.
        """
        fits = [(key, fit) for key, fit in list(self._fits.items()) if fit is not None]
        found = [key for key, fit in fits if np.array_equal(fit.fusion, weld.fusion)]
        if not found:
            return None
        maps, joint, hints, _ = found[0]
        size = (self._photo.width, self._photo.height)
        layout = lay_out(maps, joint=joint, photo_size=size, photo=self._photo)
        return place_boundary(self._photo, maps, layout, first_path(maps, layout, hints), hints).points

    def _kept(self, store: dict[_K, _V], key: _K, make: Callable[[], _V]) -> _V:
        with self._lock:
            if key in store:
                return store[key]
        made = make()
        with self._lock:
            return store.setdefault(key, made)
