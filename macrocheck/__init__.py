"""Measures and grades photographed cut-and-etch sections of fillet welds."""

__version__ = "0.1.0"
