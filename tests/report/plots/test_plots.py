"""Plots: what they show, in colour, in grey, in inches, and of names that want to do harm."""

import xml.etree.ElementTree as ET
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from PIL import Image

from macrocheck.errors import InputError
from macrocheck.report.plots import style
from macrocheck.report.plots.control import control_chart
from macrocheck.report.plots.profile import median_profile, profile_plot
from macrocheck.report.plots.relation import relation_plot
from macrocheck.report.plots.section import section_plot, shared_metal
from macrocheck.report.plots.strip import spread_out, strip_plot
from tests.report.plots.values import comparison, coupon, relation, shape

HOSTILE = "<script>alert('$x^2$')</script> & \\frac"

GROUPS = (
    ("0.9 mm", tuple(coupon(f"B{i}", 0.3 + 0.05 * i, date=f"2026-03-{i + 1:02d}") for i in range(6))),
    ("1.2 mm", tuple(coupon(f"D{i}", 0.8 + 0.04 * i, date=f"2026-03-{i + 9:02d}") for i in range(7))),
)


def every() -> dict[str, Any]:
    shapes = [("0.9 mm", [shape("a", 5, 1), shape("b", 5.5, 1.2)]), ("1.2 mm", [shape("c", 6, 2)])]
    values = [c for _, cs in GROUPS for c in cs]
    return {
        "strip": strip_plot(comparison(*GROUPS), "root_penetration"),
        "profile": profile_plot(shapes, threshold_mm=0.1),
        "section": section_plot(shapes),
        "relation": relation_plot(relation()),
        "control": control_chart(values, "Root penetration", "mm", at_least=0.5),
    }


def words(figure: Any) -> str:
    """Return every text of a figure."""
    from matplotlib.text import Text

    figure.canvas.draw()
    return "\n".join(t.get_text() for t in figure.findobj(Text))


@pytest.fixture(scope="module")
def figures() -> dict[str, Any]:
    return every()


@pytest.mark.parametrize("kind", ["strip", "profile", "section", "relation", "control"])
def test_every_axis_has_its_unit_and_every_group_its_count(figures: dict[str, Any], kind: str) -> None:
    text = words(figures[kind])
    assert "n = " in text
    for ax in figures[kind].axes:
        for axis in (ax.xaxis, ax.yaxis):
            label, shown = axis.get_label().get_text(), any(t.label1.get_visible() for t in axis.get_major_ticks())
            if label and shown and "Date" not in label:
                assert label.endswith((", mm", ", A")), label


@pytest.mark.parametrize("kind", ["strip", "profile", "section", "relation", "control"])
def test_svg_is_well_formed_and_needs_nothing(figures: dict[str, Any], kind: str) -> None:
    content = style.to_svg(figures[kind])
    root = ET.fromstring(content)
    assert root.tag.endswith("svg")
    tags = {e.tag.rpartition("}")[2] for e in root.iter()}
    assert not tags & {"script", "foreignObject", "text"}  # letters are outlines: no font is looked for
    for element in root.iter():
        for name, value in element.attrib.items():
            if name.endswith("href"):
                assert value.startswith(("#", "data:image/png"))
    assert content == style.to_svg(figures[kind])  # nothing of the clock or of chance in it


def test_png_has_the_size_asked_for(figures: dict[str, Any]) -> None:
    with Image.open(BytesIO(style.to_png(figures["relation"], 100))) as image:
        assert image.size == (670, 360)


def test_what_a_strip_says(figures: dict[str, Any]) -> None:
    text = words(figures["strip"])
    assert "n = 6 coupons, 12 sections" in text
    assert "n = 7 coupons, 14 sections" in text
    assert "limit: at least 0.500 mm" in text
    assert "95% confidence, 90% of such coupons" in text


def test_a_strip_shows_every_coupon(figures: dict[str, Any]) -> None:
    ax = figures["strip"].axes[0]
    drawn = [line for line in ax.get_lines() if line.get_marker() in {"o", "s"} and len(line.get_xdata()) > 2]
    assert [sorted(np.round(line.get_xdata(), 6)) for line in drawn] == [
        sorted(np.round([c.value for c in cs], 6)) for _, cs in GROUPS
    ]


def test_inches() -> None:
    figure = strip_plot(comparison(*GROUPS), "root_penetration", "in")
    assert "Root penetration, in" in words(figure)
    assert "limit: at least 0.0197 in" in words(figure)
    lines = [line for line in figure.axes[0].get_lines() if line.get_marker() == "o"]
    assert float(np.max(lines[0].get_xdata())) == pytest.approx(0.55 / 25.4)


def test_groups_differ_in_grey_too() -> None:
    """Marker and dashes alone tell groups apart: no two looks share either."""
    assert len({look.marker for look in style.LOOKS}) == len(style.LOOKS)
    assert len({look.dashes for look in style.LOOKS}) == len(style.LOOKS)


def test_colours_keep_a_contrast_of_their_own_on_white() -> None:
    """WCAG 2.1, 1.4.11: graphics of at least 3:1 (read); the sky blue and orange fall short and have markers."""
    strong = [look for look in style.LOOKS if contrast(look.colour) >= 3.0]
    assert len(strong) >= 4
    assert contrast(style.LIMIT) >= 4.5


def contrast(colour: str) -> float:
    """Contrast with white by WCAG 2.1's relative luminance."""
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(1.05 / (linear @ (0.2126, 0.7152, 0.0722) + 0.05))


def test_hostile_names_are_only_drawn() -> None:
    group = (HOSTILE, tuple(coupon(f"{HOSTILE}{i}", 0.1 * i, date=f"2026-01-{i + 1:02d}") for i in range(5)))
    for figure in (
        strip_plot(comparison(group), "root_penetration"),
        control_chart([*group[1], coupon(HOSTILE, 9.0, date="2026-02-01")], "Root penetration", "mm"),
        section_plot([(HOSTILE, [shape(HOSTILE, 5, 1)])]),
        profile_plot([(HOSTILE, [shape(HOSTILE, 5, 1)])]),
    ):
        assert b"<script" not in style.to_svg(figure)
        assert style.to_png(figure, 60).startswith(b"\x89PNG")


def test_letters_that_the_font_lacks_are_no_fault() -> None:
    figure = strip_plot(comparison(("溶接 \u202e txt", GROUPS[0][1])), "root_penetration")
    assert style.to_svg(figure)
    assert "\u202e" not in words(figure)


def test_points_of_a_strip_do_not_hide_each_other() -> None:
    offsets = spread_out(np.zeros(30), 0.3)
    assert np.abs(offsets).max() <= 0.3
    assert np.diff(np.sort(offsets)).min() > 0.01


def test_median_of_profiles() -> None:
    """Three level profiles to 5, 5.5 and 6 mm: the median is that of two of them, and nothing beyond the second."""
    profiles = [shape("", leg, depth).profiles["butting"] for leg, depth in ((5, 1.0), (5.5, 2.0), (6, 3.0))]
    s, d = median_profile(profiles)
    assert d[np.searchsorted(s, 2.0)] == pytest.approx(2.0)
    assert d[np.searchsorted(s, 5.2)] == pytest.approx(2.0)
    assert s[-1] == pytest.approx(5.5, abs=0.1)
    assert d[-1] == 0


def test_shared_metal_covers_what_the_polygons_cover() -> None:
    """Areas by the shoelace formula: 5 x 5 / 2 + 5 x 1 mm2, and with a second one the half share of both."""
    polygons = [p for s in (shape("a", 5, 1), shape("b", 4, 1)) if (p := s.polygon) is not None]
    x, y, share = shared_metal(polygons, np.array([-1.0, -2.0]), np.array([6.0, 6.0]), 400)
    cell = float((x[1] - x[0]) * (y[1] - y[0]))
    assert float((share > 0).sum()) * cell == pytest.approx(17.5, rel=0.02)
    assert float((share == 1).sum()) * cell == pytest.approx(12.0, rel=0.02)


def test_relation_ends_where_the_data_end(figures: dict[str, Any]) -> None:
    for line in figures["relation"].axes[0].get_lines():
        if line.get_label() == "fitted line":
            assert (line.get_xdata()[0], line.get_xdata()[-1]) == (150, 230)
            break
    else:
        pytest.fail("no fitted line")


def test_relation_is_drawn_over_the_setting_asked_for() -> None:
    """A better form over other settings is named, not drawn."""
    from dataclasses import replace

    one = relation()
    arc = replace(one.fits[0], form="arc", x_name="(amps^4 / (speed x volts^2))^(1/3)", left_out_rms=0.01)
    straight = replace(one.fits[0], left_out_rms=0.02)
    figure = relation_plot(replace(one, fits=(arc, straight), best="arc"))
    text = words(figure)
    assert "Amps, A" in text
    assert "Left-out coupons are told better by: current, voltage and speed." in text
    assert "volts^2" in words(relation_plot(replace(one, fits=(arc, straight), best="arc"), "arc"))


def test_relation_that_was_not_fitted() -> None:
    with pytest.raises(InputError, match=r"no arc relation to draw \(arc: no volts noted"):
        relation_plot(relation(), "arc")


def test_nothing_to_draw_is_one_sentence() -> None:
    bead = shape("a", 5, 1)
    empty = type(bead)("a", "a", 1, "bead", None, None, {})
    with pytest.raises(InputError, match="joint root"):
        section_plot([("", [empty])])
    with pytest.raises(InputError, match="profile of fusion"):
        profile_plot([("", [empty])])
    with pytest.raises(InputError, match="No coupon of this comparison"):
        strip_plot(comparison(*GROUPS), "dilution")


def test_a_missing_library_names_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "matplotlib", None)
    with pytest.raises(InputError, match=r"pip install 'macrocheck\[report\]'"):
        strip_plot(comparison(*GROUPS), "root_penetration")
