"""Measuring: Outline and Scale become Measurements, every number with its uncertainty."""

from macrocheck.measure.stage import DEFAULT_DRAWS, measure, measure_weld

__all__ = ["DEFAULT_DRAWS", "measure", "measure_weld"]
