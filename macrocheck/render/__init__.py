"""Sections with known truth: geometry first, then a picture of it, deterministic by seed.

`section.py` builds the geometry in millimetres, `truth.py` computes every quantity from it, `raster.py` lays it
out in pixels, `paint.py` gives it the look of an etched, photographed section.
"""
