"""Sections drawn otherwise: a fourth family of rendered pictures, with shapes, paint, scenes and marks of its own.

It shares no code with the other families but the package's own measuring, which turns its exact outlines into the
true quantities. It shows where the program does not carry over to whole scenes with a section somewhere in them.
"""

from tests.otherwise.picture import Picture, PictureWeld, render_otherwise

__all__ = ["Picture", "PictureWeld", "render_otherwise"]
