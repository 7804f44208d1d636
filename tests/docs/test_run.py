"""The tutorial's run: what it promises of wires, gases, settings and sections, and the same every time."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from macrocheck.render import tutorial


def test_two_wires_two_gases_three_settings_each_twice() -> None:
    run = list(tutorial.coupons())
    assert len(run) == len({c.name for c in run}) == 24
    assert set(Counter((c.wire, c.gas, c.step) for c in run).values()) == {2}
    assert len({c.wire for c in run}) == len({c.gas for c in run}) == 2
    assert all(c.sections[0] != c.sections[1] for c in run)


def test_depth_follows_the_made_up_rule() -> None:
    """Over all sections the constant of the rule comes out, within what its scatter (7 and 3 %) allows."""
    constants = [
        weld.nonbutting.depth
        / (c.amps**4 / (c.speed / 60 * tutorial.VOLTS[c.step] ** 2)) ** (1 / 3)
        / (1.2 if c.gas == "CO2" else 1.0)
        for c in tutorial.coupons()
        for weld in c.sections
    ]
    assert np.mean(constants) == pytest.approx(0.0225, rel=0.06)
    assert np.std(constants) / np.mean(constants) < 0.12


def test_the_same_every_time() -> None:
    first, again = next(tutorial.coupons()), next(tutorial.coupons())
    assert first == again
    one, other = tutorial.draw_section(first, 0), tutorial.draw_section(again, 0)
    assert np.array_equal(one.rgb, other.rgb)
    assert one.mark == "bar:10mm"
    assert not np.array_equal(one.rgb, tutorial.draw_section(first, 0, 1).rgb)


def test_other_photographs_show_the_same_section() -> None:
    coupon = next(c for c in tutorial.coupons() if c.name in tutorial.AGAIN)
    one, other = (tutorial.draw_section(coupon, 0, view).welds[0].quantities for view in (0, 2))
    assert {k: v for k, v in one.items() if k != "unfused_land"} == {
        k: v for k, v in other.items() if k != "unfused_land"
    }


def test_the_limits_are_limits(tmp_path: Path) -> None:
    from macrocheck.grade import load_limits

    path = tmp_path / "limits.toml"
    path.write_text(tutorial.LIMITS, encoding="utf-8")
    assert len(load_limits(path).limits) == 4
