"""The array types that travel between the stages."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
"""Any float64 array; the docstring that uses it gives shape and unit."""
Float32Array = NDArray[np.float32]
ByteArray = NDArray[np.uint8]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
ComplexArray = NDArray[np.complex128]
AnyArray = NDArray[Any]

Point = tuple[float, float]
"""(x, y) in pixels of the upright photo (x right, y down, pixel centres at integers) unless said otherwise."""


def frozen(values: Any, *, columns: int | None = None) -> FloatArray:
    """Return a read-only float64 copy of `values`; with `columns`, shaped (n, columns)."""
    array = np.array(values, dtype=np.float64)
    if columns is not None:
        array = array.reshape(-1, columns)
    array.setflags(write=False)
    return array
