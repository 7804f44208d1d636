"""Hints as people write them."""

import numpy as np
import pytest

from macrocheck.errors import InputError
from macrocheck.segment.hinted_surfaces import through_hints
from macrocheck.segment.hints import Hints, parse_hint, parse_hints
from macrocheck.segment.lines import Line
from macrocheck.segment.surfaces import Surfaces


def test_hints_are_read() -> None:
    assert parse_hint("root=12,34.5") == ("root", (12.0, 34.5))
    hints = parse_hints(["toe=1,2", "toe= 3 , 4", "Through=5,6", "avoid=7,8", "edge=9,10", "butting=1,1"])
    assert hints == Hints(
        toes=((1, 2), (3, 4)), through=((5, 6),), avoid=((7, 8),), edge=((9, 10),), butting=((1, 1),)
    )
    assert hints
    assert not Hints()


@pytest.mark.parametrize(
    "text", ["root", "root=", "root=1", "root=1,2,3", "corner=1,2", "toe=a,b", "toe=nan,1", "=1,2"]
)
def test_bad_hints_are_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(InputError, match="hint"):
        parse_hint(text)


def test_a_hinted_root_and_toe_settle_a_surface_that_was_fitted_askew() -> None:
    askew = Line(np.array([300.0, 108.0]), np.array([np.cos(0.1), np.sin(0.1)]), 0.2, 1e-4, -40.0, 40.0)
    before = Surfaces(butting=None, nonbutting=askew, top=None)
    toe = np.array([220.0, 100.0])
    after = through_hints(before, (100.0, 100.0), (None, toe), 1.5, "tee")
    assert after.butting is None
    line = after.nonbutting
    assert line is not None
    assert np.abs(line.distance(np.array([[100.0, 100.0], [220.0, 100.0]]))).max() < 1e-9
    assert line.direction @ askew.direction > 0
    # Two clicks good to 0.8 map px each, 120 px apart: propagation of JCGM 100 for a difference over a length.
    assert line.u_angle == pytest.approx(np.sqrt(2) * 0.8 * 1.5 / 120)
    untouched = through_hints(before, (100.0, 100.0), (None, None), 1.5, "tee")
    assert untouched.nonbutting is askew


def test_a_later_point_puts_an_earlier_one_right() -> None:
    hints = Hints(
        root=((50.0, 50.0), (54.0, 50.0)),
        toes=((10.0, 10.0), (90.0, 10.0), (12.0, 11.0)),
        through=((30.0, 80.0), (36.0, 80.0), (37.0, 80.0)),
    )
    tidy = hints.tidied(12.0)
    assert tidy == Hints(
        root=((54.0, 50.0),), toes=((90.0, 10.0), (12.0, 11.0)), through=((30.0, 80.0), (37.0, 80.0))
    )
    assert hints.tidied(0.5) == hints
