"""Sections drawn elsewhere: a third family of rendered pictures, with shapes, paint and marks of its own.

It shares no code with the other two families but the package's own measuring, which turns its exact outlines into
the true quantities. It shows where the program does not carry over to pictures it has not seen the like of.
"""

from tests.elsewhere.picture import Picture, PictureWeld, render_elsewhere

__all__ = ["Picture", "PictureWeld", "render_elsewhere"]
