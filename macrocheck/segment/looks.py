"""Looks: what the network and the fit said of one photo, kept so that searching it again costs no second look."""

import threading
from collections.abc import Callable, Hashable
from dataclasses import replace
from typing import TypeVar

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.errors import NotFoundError
from macrocheck.outline import Joint, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.boundary import first_path, place_boundary
from macrocheck.segment.far_face import FarFaces, far_faces
from macrocheck.segment.fit import fit_weld
from macrocheck.segment.flattened import Frame, flattened, flattened_whole
from macrocheck.segment.hints import SAME, Hints
from macrocheck.segment.layout import lay_out
from macrocheck.segment.locate import COARSE, SHARES, Spot, close_maps, coarse_maps, look_closer
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.settled import settled

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
        self._far: dict[int, FarFaces] = {}
        self._closer: dict[tuple[Spot, tuple[float, ...]], tuple[RegionMaps, Spot]] = {}
        self._framed: dict[tuple[Spot, tuple[float, ...]], RegionMaps] = {}
        self._flat: dict[tuple[RegionMaps | None, Frame | float, float, tuple[float, ...]], RegionMaps] = {}
        self._fits: dict[tuple[RegionMaps, Joint, Hints | None, float | None], WeldOutline | None] = {}
        self._lock = threading.Lock()

    def coarse(self, long_side: int) -> RegionMaps:
        """Return `coarse_maps` of the photo."""
        return self._kept(self._coarse, long_side, lambda: coarse_maps(self._photo, long_side=long_side))

    def far_faces(self) -> FarFaces:
        """Return `far_face.far_faces` of the photo."""
        return self._kept(self._far, COARSE, lambda: far_faces(self.coarse(COARSE)))

    def closer(self, spot: Spot, shares: tuple[float, ...] = SHARES) -> tuple[RegionMaps, Spot]:
        """Return `look_closer` at `spot`."""
        return self._kept(self._closer, (spot, shares), lambda: look_closer(self._photo, spot, shares))

    def framed(self, spot: Spot, shares: tuple[float, ...] = SHARES) -> RegionMaps:
        """Return `close_maps` of `spot`, framed as it is given."""
        return self._kept(self._framed, (spot, shares), lambda: close_maps(self._photo, spot, shares))

    def flattened(self, under: RegionMaps, frame: Frame, share: float, stretches: tuple[float, ...]) -> RegionMaps:
        """Return `flattened.flattened` of a bead."""
        return self._kept(
            self._flat,
            (under, frame, share, stretches),
            lambda: flattened(self._photo, under, frame, share=share, stretches=stretches),
        )

    def flattened_whole(self, angle: float) -> RegionMaps:
        """Return `flattened.flattened_whole` of the photo."""
        return self._kept(self._flat, (None, angle, 0.0, ()), lambda: flattened_whole(self._photo, angle))

    def fit(
        self, maps: RegionMaps, *, joint: Joint, hints: Hints | None, mm_per_px: float | None
    ) -> WeldOutline | None:
        """Return `fit.fit_weld` of the weld in `maps`; None where there is none to fit."""

        def anew() -> WeldOutline | None:
            try:
                return fit_weld(
                    self._photo, maps, joint=joint, mm_per_px=mm_per_px, hints=hints, far=self.far_faces()
                )
            except NotFoundError:
                return None

        weld = self._kept(self._fits, (maps, joint, hints, mm_per_px), anew)
        while len(self._fits) > _MOST_FITS:
            self._fits.pop(next(iter(self._fits)), None)
        return weld

    def refitted(self, weld: WeldOutline, hints: Hints | None) -> WeldOutline | None:
        """Return a weld fitted here, fitted anew on its maps with other hints; None where it was not, or cannot.

        That is what the whole search gives as long as it ends at the same maps, for the price of one fit.
        """
        key = self._key_of(weld)
        if key is None:
            return None
        maps, joint, before, mm_per_px = key
        if before is not None and before.butting and not (hints is not None and hints.butting):
            # Which member is which stays as the search (or a person) settled it.
            hints = replace(hints or Hints(), butting=before.butting)
        return self.fit(maps, joint=joint, hints=hints or None, mm_per_px=mm_per_px)

    def maps_of(self, weld: WeldOutline) -> RegionMaps | None:
        """Return the maps that a weld was fitted on here; None where it was not."""
        key = self._key_of(weld)
        return None if key is None else key[0]

    def _key_of(self, weld: WeldOutline) -> tuple[RegionMaps, Joint, Hints | None, float | None] | None:
        fits = [(key, fit) for key, fit in list(self._fits.items()) if fit is not None]
        return next((key for key, fit in fits if np.array_equal(fit.fusion, weld.fusion)), None)

    def bare_boundary(self, weld: WeldOutline) -> FloatArray | None:
        """Return where the fusion boundary of a weld fitted here lies before unfused stretches go to a surface.

        (n, 2) px from the nonbutting to the butting toe; None where this weld was not fitted here.
        """
        key = self._key_of(weld)
        if key is None:
            return None
        maps, joint, hints, _ = key
        size = (self._photo.width, self._photo.height)
        hints = None if hints is None else hints.tidied(SAME * maps.scale)
        layout = lay_out(maps, joint=joint, photo_size=size, photo=self._photo, hints=hints)
        maps, layout = settled(maps, layout, hints)
        return place_boundary(self._photo, maps, layout, first_path(maps, layout, hints), hints).points

    def _kept(self, store: dict[_K, _V], key: _K, make: Callable[[], _V]) -> _V:
        with self._lock:
            if key in store:
                return store[key]
        made = make()
        with self._lock:
            return store.setdefault(key, made)
