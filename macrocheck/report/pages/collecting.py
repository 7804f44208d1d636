"""Long work that makes millions of objects and drops none until it is done."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Keep the collector of circular garbage from looking through all that is still in use, over and over.

    Laying out a PDF takes 30 % less time so, for 5 % more memory (measured on 30 coupons).
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
