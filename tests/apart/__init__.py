"""A second family of rendered sections, written apart from the package's own renderer.

It serves to report accuracy only: nothing is trained or tuned on it.
"""

from tests.apart.picture import ApartPicture, ApartWeld, render_apart

__all__ = ["ApartPicture", "ApartWeld", "render_apart"]
