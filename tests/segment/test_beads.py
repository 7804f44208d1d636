"""Choosing between the fits of a bead: smooth before ragged, and never with air and plate the wrong way round."""

import numpy as np

from macrocheck.arrays import frozen
from macrocheck.flags import Flag
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.segment import find_outline
from macrocheck.segment.beads import _raggedness, _upside_down, _wider, faults
from macrocheck.segment.maps import RegionMaps
from tests.bench.cases import load_case
from tests.bench.compare import overlap_share, polygon_of

SIDE = 160


def bead(*codes: str, width: float = 60.0, up: float = -1.0) -> WeldOutline:
    """A bead on y = 80, `width` px wide; `up`: -1 with its face towards smaller y."""
    t = np.linspace(0, np.pi, 40)
    x = 80 - width / 2 * np.cos(t)
    face = np.column_stack([x, 80 + up * 8 * np.sin(t)])
    fusion = np.column_stack([x, 80 - up * 12 * np.sin(t)])[::-1]
    u = np.full(40, 0.3)
    flags = tuple(Flag(code, code) for code in codes)
    line = SurfaceLine((80, 80), (1.0, 0.0), 0.1, 0.001, 50.0)
    return WeldOutline("bead", None, line, frozen(face), frozen(fusion), u, u, 8.0, flags=flags)


def seen(air_above: float) -> RegionMaps:
    """Maps of the whole photo, a px each, with so probable an air above y = 80, and a plate under it."""
    regions = np.zeros((4, SIDE, SIDE), np.float32)
    regions[0, :80] = air_above
    regions[0, 80:] = 1 - air_above
    regions[3] = 1 - regions[0]
    none = np.zeros((SIDE, SIDE), np.float32)
    return RegionMaps(
        regions, none, none, none, none, np.zeros((3, SIDE, SIDE), np.float32), np.array([[1.0, 0, 0], [0, 1.0, 0]])
    )


def test_a_look_that_is_not_drawn_out_tells_which_side_the_air_is_on() -> None:
    assert not _upside_down([seen(1.0)], bead())
    assert _upside_down([seen(0.0)], bead())
    assert _upside_down([seen(1.0)], bead(up=1.0))
    assert not _upside_down([seen(0.5)], bead(up=1.0))  # it cannot tell


def test_a_closer_look_is_believed_where_the_first_one_has_the_air_in_the_plate() -> None:
    assert not _upside_down([seen(0.0), seen(1.0)], bead())
    assert not _upside_down([seen(1.0), seen(0.0)], bead())
    assert _upside_down([seen(0.0), seen(0.5)], bead())  # it cannot tell


def test_a_rule_beside_a_thin_plate_does_not_hide_its_bead() -> None:
    # the first look at the whole photo takes the gap between rule and plate for the plate
    case = load_case("otherwise", "bead", 33)
    (found,) = find_outline(case.photo(), joint="bead").welds
    assert overlap_share(polygon_of(case.welds[0].polygon_px), polygon_of(found.polygon)) > 0.97
    assert not found.withheld


def test_a_sound_fit_that_plain_looks_speak_against_is_shown_and_not_measured() -> None:
    # two beads run into one another; every look that is not drawn out has air and plate the wrong way round
    case = load_case("otherwise", "bead", 85)
    (found,) = find_outline(case.photo(), joint="bead").welds
    assert overlap_share(polygon_of(case.welds[0].polygon_px), polygon_of(found.polygon)) > 0.95
    assert "bead_width" in found.withheld
    assert any(f.code == "regions_unsure" for f in found.flags)


def test_a_lens_is_smooth_and_a_comb_is_not() -> None:
    lens = bead()
    assert _raggedness(lens) < 0.02
    comb = np.array(lens.fusion)
    comb[::4, 1] += 40
    ragged = WeldOutline("bead", None, None, lens.face, frozen(comb), lens.u_face, lens.u_fusion, 8.0)
    assert _raggedness(ragged) > 0.3


def test_a_wider_fit_may_have_one_small_fault_more_and_no_great_one() -> None:
    assert _wider(bead("toe_unsure", width=70.0), bead())
    assert not _wider(bead("toe_unsure", width=61.0), bead())
    assert not _wider(bead("regions_unsure", width=70.0), bead())
    assert faults(bead("toe_unsure", "toe_unsure")) == faults(bead("toe_unsure"))
