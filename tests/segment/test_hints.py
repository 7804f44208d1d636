"""Hints as people write them."""

import pytest

from macrocheck.errors import InputError
from macrocheck.segment.hints import Hints, parse_hint, parse_hints


def test_hints_are_read() -> None:
    assert parse_hint("root=12,34.5") == ("root", (12.0, 34.5))
    hints = parse_hints(["toe=1,2", "toe= 3 , 4", "Through=5,6", "avoid=7,8", "edge=9,10"])
    assert hints == Hints(toes=((1, 2), (3, 4)), through=((5, 6),), avoid=((7, 8),), edge=((9, 10),))
    assert hints
    assert not Hints()


@pytest.mark.parametrize(
    "text", ["root", "root=", "root=1", "root=1,2,3", "corner=1,2", "toe=a,b", "toe=nan,1", "=1,2"]
)
def test_bad_hints_are_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(InputError, match="hint"):
        parse_hint(text)
