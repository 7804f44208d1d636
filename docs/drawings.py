"""The drawings of docs/definitions.md: `python docs/drawings.py docs/pictures` draws them anew.

Every section is one of macrocheck.render's with known truth; lines are drawn from that truth: a drawing cannot
show another length than the definition gives.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.render.joint_frame import depth_along, own_frame, weld_root
from macrocheck.render.section import DepthShape, Section, SectionSpec, WeldSpec, build_section
from macrocheck.render.truth import Value, seam_span, section_truth

SCALE = 28.0  # drawing units a millimetre
INK, PLATE, OTHER, METAL, PAPER = "#1b1b1b", "#d9dde0", "#c7cdd1", "#8d99a2", "#ffffff"
FONT = "font-family='DejaVu Sans, Verdana, sans-serif'"
Point = Sequence[float] | FloatArray
Points = Sequence[Point] | FloatArray


@dataclass
class Panel:
    """One picture of a section; mm with y up, `left`, `bottom` in its lower left corner."""

    title: str
    left: float
    bottom: float
    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    def at(self, point: Point) -> FloatArray:
        """Return where a point in mm lies on the panel."""
        return np.array([(point[0] - self.left) * SCALE, (self.bottom + self.height - point[1]) * SCALE])

    def area(self, points: Points, fill: str, *, edge: float = 1.2) -> None:
        """Fill a polygon."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (self.at(p) for p in points))
        self.parts.append(f"<polygon points='{path}' fill='{fill}' stroke='{INK}' stroke-width='{edge}'/>")

    def line(self, points: Points, *, wide: float = 1.4, dash: str = "", arrows: str = "") -> None:
        """Draw a line; `arrows`: which ends have one, of "start" and "end"."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (self.at(p) for p in points))
        marks = "".join(f" marker-{end}='url(#arrow)'" for end in arrows.split())
        dashes = f" stroke-dasharray='{dash}'" if dash else ""
        self.parts.append(
            f"<polyline points='{path}' fill='none' stroke='{INK}' stroke-width='{wide}'{dashes}{marks}/>"
        )

    def dot(self, point: Point) -> None:
        """Draw a dot."""
        x, y = self.at(point)
        self.parts.append(
            f"<circle cx='{x:.1f}' cy='{y:.1f}' r='4.5' fill='{PAPER}' stroke='{INK}' stroke-width='2'/>"
        )

    def text(self, point: Point, words: str, anchor: str = "start") -> None:
        """Write words; lines are parted by |."""
        x, y = self.at(point)
        for i, line in enumerate(words.split("|")):
            self.parts.append(
                f"<text x='{x:.1f}' y='{y + 17 * i:.1f}' text-anchor='{anchor}' {FONT} font-size='14' fill='{INK}' "
                f"stroke='{PAPER}' stroke-width='4' stroke-linejoin='round' paint-order='stroke'>"
                f"{escape(line)}</text>"
            )

    def span(self, a: Point, b: Point, off: Sequence[float] = (0, 0)) -> FloatArray:
        """Draw a dimension line from a to b, shifted by `off`, with thin lines to what it measures; its middle."""
        p, q, o = np.asarray(a, float), np.asarray(b, float), np.asarray(off, float)
        if np.hypot(*o) > 0:
            for end in (p, q):
                self.line([end, end + 1.08 * o], wide=0.8)
        self.line([p + o, q + o], arrows="start end")
        return np.asarray((p + q) / 2 + o)

    def leader(self, point: Point, to: Sequence[float], words: str, anchor: str = "start") -> None:
        """Write words at `to` with a thin line to what they are about."""
        self.line([point, to], wide=0.8)
        shift = 0.12 if anchor == "start" else -0.12
        self.text([to[0] + shift, to[1] - 0.12], words, anchor)

    def members(self, section: Section) -> None:
        """Draw the section: both members, their seam, the weld metal, the original surfaces through it."""
        self.area(section.nonbutting, PLATE)
        if section.butting is not None:
            self.area(section.butting, OTHER)
        for weld in section.welds:
            self.area(weld.polygon, METAL, edge=2.2)

    def svg(self, x: float, y: float) -> str:
        """Return the panel's part of a drawing, its corner at (x, y)."""
        w, h = self.width * SCALE, self.height * SCALE
        head = (
            f"<text x='0' y='-10' {FONT} font-size='15' font-weight='bold' fill='{INK}'>{escape(self.title)}</text>"
        )
        clip = f"c{int(x)}-{int(y)}"
        return (
            f"<g transform='translate({x:.0f},{y:.0f})'>{head}<clipPath id='{clip}'>"
            f"<rect width='{w:.0f}' height='{h:.0f}'/></clipPath><g clip-path='url(#{clip})'>\n"
            + "\n".join(self.parts)
            + "\n</g></g>"
        )


def drawing(panels: Sequence[Panel], says: str) -> str:
    """Lay panels side by side on a light sheet, light on a dark page too; `says` is for who cannot see it."""
    margin, between = 16.0, 22.0
    height = max(p.height for p in panels) * SCALE + 2 * margin + 24
    x, parts = margin, []
    for panel in panels:
        parts.append(panel.svg(x, margin + 24))
        x += panel.width * SCALE + between
    width = x - between + margin
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:.0f} {height:.0f}' width='{width:.0f}' "
        f"height='{height:.0f}' role='img'>\n<title>{escape(says)}</title>\n"
        "<defs><marker id='arrow' viewBox='0 0 10 10' refX='10' refY='5' markerWidth='9' markerHeight='9' "
        f"markerUnits='userSpaceOnUse' orient='auto-start-reverse'><path d='M0,1 L10,5 L0,9 z' fill='{INK}'/>"
        "</marker></defs>\n"
        f"<rect width='100%' height='100%' rx='8' fill='{PAPER}'/>\n" + "\n".join(parts) + "\n</svg>\n"
    )


def _tee(weld: WeldSpec, thickness: float = 6.0, seed: int = 4) -> Section:
    return build_section(SectionSpec("tee", 90.0, thickness, 6.0, (weld,), reach=26, overhang=12, seed=seed))


def _depth(depth: float, *, unfused_root: float = 0.0, unfused_toe: float = 0.0) -> DepthShape:
    return DepthShape(depth, peak=0.5, fullness=0.7, wobble=0.0, unfused_root=unfused_root, unfused_toe=unfused_toe)


def _number(value: Value) -> float:
    if not isinstance(value, float):
        msg = f"a drawing needs one number, not {value!r}"
        raise TypeError(msg)
    return value


def legs() -> str:
    """Legs, size, theoretical throat; actual throat, convexity, face width."""
    section = _tee(WeldSpec(5.2, 6.2, _depth(1.0), _depth(1.3), convexity=0.09, root_penetration=0.7, ripple=0.0))
    truth, weld = section_truth(section)[0], section.welds[0]
    toe_b, toe_n = weld.face[0], weld.face[-1]
    a = Panel("legs, size, theoretical throat", -4.4, -3.4, 14.8, 11.6)
    a.members(section)
    size = _number(truth["size"])
    a.area([(0, 0), (size, 0), (0, size)], "none", edge=0.1)
    a.line([(0, size), (size, 0)], dash="7 4", wide=2)
    a.line([(-4.2, 0), (9.5, 0)], dash="2 4", wide=1)
    a.line([(0, -1), (0, 9)], dash="2 4", wide=1)
    m = a.span((0, 0), toe_n, (0, -2.0))
    a.text([m[0], m[1] - 0.55], "leg_nonbutting", "middle")
    m = a.span((0, 0), toe_b, (-2.2, 0))
    a.text([m[0], m[1] + 2.95], "leg_butting", "middle")
    a.line([(0, 0), (size / 2, size / 2)], arrows="start end", wide=1.8)
    a.leader((size * 0.4, size * 0.4), (2.9, 6.6), "theoretical_throat:|root to the dashed line")
    a.leader((size * 0.82, size * 0.18), (5.2, 3.6), "size: legs of the|triangle under|the dashed line")
    for p in (toe_b, toe_n, (0, 0)):
        a.dot(p)
    a.leader((0, 0), (-1.2, -0.9), "joint root", "end")
    a.leader(toe_b, (1.0, 7.2), "toe")

    own = own_frame(weld)
    root, _, _ = weld_root(own, 0.0)
    near = own.face[int(np.argmin(np.hypot(*(own.face - root).T)))]
    chord = toe_n - toe_b
    bulge = (weld.face - toe_b) @ np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    top = weld.face[int(np.argmax(bulge))]
    foot = toe_b + chord * float((top - toe_b) @ chord) / float(chord @ chord)
    b = Panel("actual throat, convexity, face width", -4.4, -3.4, 14.8, 11.6)
    b.members(section)
    b.line([toe_b, toe_n], dash="7 4", wide=2)
    b.line([root, near], arrows="start end", wide=1.8)
    b.leader((root + near) / 2, (-1.6, 3.4), "actual_|throat", "end")
    b.line([foot, top], arrows="start end", wide=2.2)
    b.leader((foot + top) / 2, (3.4, 6.9), "convexity: farthest|from the line|toe to toe")
    away = np.array([chord[1], -chord[0]]) / np.hypot(*chord) * -1.5
    m = b.span(toe_b, toe_n, away)
    b.text([m[0] + 0.6, m[1] - 0.9], "face_width")
    for p in (toe_b, toe_n):
        b.dot(p)
    b.dot(root)
    b.leader(root, (-1.6, -1.2), "weld root", "end")
    return drawing(
        [a, b], "Two sections of a tee fillet with legs, size triangle, throats, convexity and face width"
    )


def depth() -> str:
    """Depth of fusion, root penetration; root shortfall."""
    section = _tee(WeldSpec(5.2, 6.0, _depth(1.2), _depth(1.7), root_penetration=1.2, ripple=0.0))
    truth, weld = section_truth(section)[0], section.welds[0]
    own = own_frame(weld)
    a = Panel("depth of fusion d(s), root penetration", -5.0, -4.2, 14.6, 11.6)
    a.members(section)
    a.line([(-4.2, 0), (9.5, 0)], dash="2 4", wide=1)
    a.line([(0, -1), (0, 9)], dash="2 4", wide=1)
    for butting in (True, False):
        leg = _number(truth["leg_butting" if butting else "leg_nonbutting"])
        s, d = depth_along(own, butting=butting, leg=leg, gap=0.0)
        for at in np.linspace(0.12, 0.88, 9) * leg:
            deep = float(np.interp(at, s, d))
            a.line([(0, at), (-deep, at)] if butting else [(at, 0), (at, -deep)], wide=0.7)
        i = int(np.argmax(d * (s > 1.0) if butting else d))
        most = float(d[i])
        tip = (-most, float(s[i])) if butting else (float(s[i]), -most)
        a.line([(0, tip[1]) if butting else (tip[0], 0), tip], arrows="start end", wide=2.4)
        if butting:
            a.line([tip, (-2.4, 5.4)], wide=0.8)
            a.text((-4.8, 6.3), "depth_of_fusion_|butting")
        else:
            a.leader(tip, (3.4, -2.6), "depth_of_fusion_|nonbutting")
    _, reach, _ = weld_root(own, 0.0)
    a.line([(0, 0), (-reach, 0)], wide=3, arrows="start end")
    a.line([(-reach / 2, 0), (-2.0, -2.4)], wide=0.8)
    a.text((-4.7, -3.0), "root_penetration")
    a.leader((1.2, -0.05), (3.6, 6.3), "each thin line: d(s)|at one distance s|from the joint root")
    a.dot((0, 0))

    short = _tee(
        WeldSpec(
            5.2, 6.0, _depth(0.9, unfused_root=1.4), _depth(1.1, unfused_root=1.7), bridge=(1.4, 1.7), ripple=0.0
        )
    )
    own = own_frame(short.welds[0])
    metal = short.welds[0].polygon
    nearest = metal[int(np.argmin(np.hypot(*metal.T)))]
    b = Panel("root shortfall", -4.4, -4.2, 13.4, 11.6)
    b.members(short)
    b.line([(-4.2, 0), (9.5, 0)], dash="2 4", wide=1)
    b.line([(0, -1), (0, 9)], dash="2 4", wide=1)
    b.line([(0, 0), nearest], wide=2.4, arrows="start end")
    b.dot((0, 0))
    b.leader((0, 0), (-1.2, -1.4), "joint root", "end")
    b.leader(nearest / 2, (1.2, -2.6), "root_shortfall: how far|weld metal stays away")
    return drawing(
        [a, b], "Depth of fusion along both members, root penetration, and a weld that falls short of the root"
    )


def unfused() -> str:
    """Unfused stretches of the legs, unfused land."""
    section = _tee(
        WeldSpec(
            5.6, 6.0, _depth(1.0, unfused_toe=2.2), _depth(1.3), root_penetration=0.9, convexity=0.07, ripple=0.0
        )
    )
    truth, weld = section_truth(section)[0], section.welds[0]
    spans = truth["unfused_spans_butting"]
    seam = seam_span(section)
    if not isinstance(spans, tuple) or seam is None:
        msg = "the drawing needs an unfused span and a land"
        raise ValueError(msg)
    low, high = [s for s in spans if isinstance(s, tuple)][-1]
    a = Panel("unfused length of a leg, unfused land", -8.2, -3.6, 20.6, 11.6)
    a.members(section)
    a.line([(0, low), (0, high)], wide=5)
    m = a.span((0, low), (0, high), (-1.6, 0))
    a.text([m[0] - 0.2, m[1]], "unfused_butting:|d(s) under 0.1 mm", "end")
    leg = _number(truth["leg_butting"])
    m = a.span((0, 0), (0, low), (-1.6, 0))
    a.text([m[0] - 0.2, m[1]], "fused", "end")
    a.line(list(seam), wide=5)
    m = a.span(*seam, (0, -2.0))
    a.text([m[0], m[1] - 0.6], "unfused_land", "middle")
    a.leader((0, leg), (1.0, 7.0), "toe: weld metal lies on the|member here, but is not fused to it")
    a.leader(weld.face[-1] - [0.1, 0], (6.6, 1.6), "a short stretch is|normal at a sound toe")
    return drawing(
        [a], "A weld that lies unfused on the butting member near its toe, and the unfused land behind the root"
    )


def toes() -> str:
    """Toe angle, undercut, overlap."""
    flat = _tee(WeldSpec(5.2, 5.6, _depth(1.0), _depth(1.2), convexity=0.06, root_penetration=0.5, ripple=0.0))
    truth, weld = section_truth(flat)[0], flat.welds[0]
    toe = weld.face[-1]
    angle = np.deg2rad(_number(truth["toe_angle_nonbutting"]))
    a = Panel("toe angle, through the air", 2.2, -2.8, 9.2, 7.4)
    a.members(flat)
    a.line([toe, toe + np.array([2.6, 0])], wide=2)
    a.line([toe, toe + 2.6 * np.array([np.cos(angle), np.sin(angle)])], wide=2, dash="7 4")
    turn = np.linspace(0, angle, 40)
    a.line(toe + 1.5 * np.column_stack([np.cos(turn), np.sin(turn)]), arrows="end")
    a.text(toe + np.array([0.9, 2.6]), f"toe_angle_|nonbutting,|here {np.rad2deg(angle):.0f}°")
    a.dot(toe)

    cut = _tee(
        WeldSpec(
            5.2, 5.6, _depth(1.0), _depth(1.2), undercut_nonbutting=(0.7, 1.9), root_penetration=0.5, ripple=0.0
        )
    )
    b = Panel("undercut", 2.2, -2.8, 9.6, 7.4)
    b.members(cut)
    toe = cut.welds[0].face[-1]
    b.line([(1.4, 0), (9.6, 0)], dash="2 4", wide=1.4)
    groove = cut.nonbutting[(cut.nonbutting[:, 0] > toe[0]) & (cut.nonbutting[:, 1] > -2)]
    low = groove[int(np.argmin(groove[:, 1]))]
    b.line([(low[0], 0), low], arrows="start end", wide=2.2)
    b.leader((low[0], low[1] / 2), (5.6, 1.9), "undercut_nonbutting")
    b.text((3.9, -1.9), "below the original surface")
    b.dot(toe)

    over = _tee(
        WeldSpec(
            5.2,
            6.4,
            _depth(1.0),
            _depth(1.2, unfused_toe=1.8),
            convexity=0.12,
            toe_angle_nonbutting=62.0,
            root_penetration=0.5,
            ripple=0.0,
        )
    )
    truth, weld = section_truth(over)[0], over.welds[0]
    c = Panel("overlap", 1.8, -2.8, 9.0, 7.4)
    c.members(over)
    toe = weld.face[-1]
    start = (toe[0] - _number(truth["overlap_nonbutting"]), 0.0)
    c.line([start, toe], wide=5)
    c.span(start, toe, (0, -1.2))
    c.text((toe[0], -2.0), "overlap_nonbutting", "middle")
    angle = np.deg2rad(_number(truth["toe_angle_nonbutting"]))
    turn = np.linspace(0, angle, 40)
    c.line([toe, toe + 1.6 * np.array([np.cos(angle), np.sin(angle)])], wide=1.4, dash="7 4")
    c.line(toe + 1.1 * np.column_stack([np.cos(turn), np.sin(turn)]), arrows="end")
    c.text(toe + np.array([0.2, 1.7]), "under 90°")
    c.dot(toe)
    return drawing([a, b, c], "A toe with its angle, one with an undercut, one that overlaps the plate")


def lap() -> str:
    """A lap: what is what, and where its numbers are taken."""
    section = build_section(
        SectionSpec(
            "lap",
            90.0,
            5.0,
            6.0,
            (WeldSpec(3.9, 5.4, _depth(0.8), _depth(1.4), root_penetration=0.8, convexity=0.04, ripple=0.0),),
            reach=12,
            overhang=8,
            seed=2,
        )
    )
    weld = section.welds[0]
    toe_b, toe_n = weld.face[0], weld.face[-1]
    a = Panel("lap joint", -8.9, -4.6, 20.6, 12.0)
    a.members(section)
    a.line([(-8, 0), (9.6, 0)], dash="2 4", wide=1)
    a.line([(0, -1), (0, 6.0)], dash="2 4", wide=1)
    m = a.span((0, 0), toe_n, (0, -2.4))
    a.text([m[0], m[1] - 0.6], "leg_nonbutting", "middle")
    m = a.span((0, 0), toe_b, (-2.4, 0))
    a.text([m[0] - 0.2, m[1]], "leg_butting", "end")
    a.text((-8.7, 4.2), "upper plate: butting member")
    a.text((-8.7, -3.9), "lower plate: nonbutting member")
    a.leader((0, 4.6), (1.6, 6.2), "what is left of the end face:|the butting surface")
    a.leader(weld.face[len(weld.face) // 2], (4.4, 3.4), "weld face")
    a.leader((-6, 0), (-8.2, 0.9), "faying surface")
    for p in (toe_b, toe_n, (0, 0)):
        a.dot(p)
    a.leader((0, 0), (-1.4, -1.8), "joint root", "end")
    return drawing([a], "A lap joint with its members, end face, joint root and legs")


def bead() -> str:
    """A bead on plate."""
    section = build_section(
        SectionSpec(
            "bead",
            180.0,
            6.0,
            6.0,
            (WeldSpec(4.2, 4.2, _depth(1.0), _depth(1.9), convexity=0.2, ripple=0.0),),
            overhang=4,
            seed=2,
        )
    )
    truth, weld = section_truth(section)[0], section.welds[0]
    left, right = weld.face[0], weld.face[-1]
    top = weld.face[int(np.argmax(weld.face[:, 1]))]
    low = weld.fusion[int(np.argmin(weld.fusion[:, 1]))]
    a = Panel("bead on plate", -8.2, -4.0, 20.0, 8.6)
    a.members(section)
    a.line([(-7.4, 0), (9, 0)], dash="2 4", wide=1.4)
    m = a.span(left, right, (0, 2.6))
    a.text([m[0], m[1] + 0.3], "bead_width", "middle")
    a.line([(top[0], 0), top], arrows="start end", wide=2.2)
    a.leader((top[0], top[1] / 2), (5.2, 1.4), "reinforcement_height")
    a.line([(low[0], 0), low], arrows="start end", wide=2.2)
    a.leader((low[0], low[1] * 0.75), (5.2, -1.4), "depth_of_fusion")
    angle = np.pi - np.deg2rad(_number(truth["toe_angle_left"]))
    turn = np.linspace(np.pi, angle, 40)
    a.line(left + 1.3 * np.column_stack([np.cos(turn), np.sin(turn)]), arrows="end")
    a.text(left + np.array([-3.9, 1.5]), "toe_angle_left")
    for p in (left, right):
        a.dot(p)
    return drawing([a], "A bead on plate with its width, reinforcement height and depth of fusion")


DRAWINGS = {"legs": legs, "depth": depth, "unfused": unfused, "toes": toes, "lap": lap, "bead": bead}


def main() -> None:
    """Draw all into the folder named on the command line."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in DRAWINGS.items():
        (folder / f"define-{name}.svg").write_text(draw(), encoding="utf-8")


if __name__ == "__main__":
    main()
