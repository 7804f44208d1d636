"""Random section geometry laid out in pixels, on the CPU; the GPU paints it (`painting.py`). Needs no torch."""

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, FloatArray
from macrocheck.render.raster import (
    BUTTING,
    NONBUTTING,
    WELD,
    make_view,
    pass_map,
    region_map,
    seam_map,
    weld_coordinates,
)
from macrocheck.render.sampling import sample_spec
from macrocheck.render.section import DepthShape, Section, SectionJoint, SectionSpec, build_section

GAP, LOOSE, VOID = 4, 5, 6
"""Further values of the region map beside those of the renderer: open gap, loose metal, void in the weld."""

JOINTS: tuple[SectionJoint, ...] = ("tee", "tee", "tee", "lap", "lap", "lap", "corner", "bead", "bead")
WILD = (0.3, 1.0, 1.3, 2.2)
"""How often a section has faults, as a share of the renderer's own chances: narrow ones need many examples."""


def _centre_and_span(section: Section) -> tuple[FloatArray, float]:
    points = np.vstack([w.polygon for w in section.welds])
    if len(section.welds) == 2 and np.random.default_rng(section.spec.seed).random() < 0.6:
        points = section.welds[int(section.spec.seed) % 2].polygon
    low, high = points.min(axis=0), points.max(axis=0)
    return (low + high) / 2, float((high - low).max())


def _bead(spec: SectionSpec, rng: np.random.Generator) -> SectionSpec:
    weld = spec.welds[0]
    shape = replace(weld.nonbutting, depth=weld.leg_nonbutting * rng.uniform(0.05, 1.1), unfused_root=0.0)
    return replace(spec, welds=(replace(weld, convexity=rng.uniform(0.04, 0.3), nonbutting=shape),))


def _with_rims(spec: SectionSpec, rng: np.random.Generator) -> SectionSpec:
    """The section with thin rims of melted metal beside deep fingers, as much current gives."""

    def rimmed(shape: DepthShape, leg: float) -> DepthShape:
        finger = leg * rng.uniform(0.05, 0.4) if rng.random() < 0.5 else shape.finger
        return replace(shape, fullness=float(rng.uniform(1.3, 5.0)), finger=finger)

    return replace(
        spec,
        welds=tuple(
            replace(
                weld,
                butting=rimmed(weld.butting, weld.leg_butting),
                nonbutting=rimmed(weld.nonbutting, weld.leg_nonbutting),
            )
            for weld in spec.welds
        ),
    )


def _rolled_over(spec: SectionSpec, rng: np.random.Generator) -> SectionSpec:
    """The section with weld metal that only lies on a member at its toe and rolls over there, as cold welds do."""

    def cold(shape: DepthShape, leg: float) -> DepthShape:
        lying = leg * float(np.exp(rng.uniform(np.log(0.04), np.log(0.6))))
        return replace(shape, unfused_toe=lying, unfused_root=0.0, unfused_middle=None)

    welds = []
    for weld in spec.welds:
        which = int(rng.integers(3))
        changed = replace(weld, convexity=max(weld.convexity, float(rng.uniform(0.05, 0.28))), bridge=None)
        if which != 0 and weld.top_melt == 0:
            shape, angle = cold(weld.butting, weld.leg_butting), float(rng.uniform(30, 88))
            changed = replace(changed, butting=shape, toe_angle_butting=angle, undercut_butting=None)
        if which != 1:
            shape, angle = cold(weld.nonbutting, weld.leg_nonbutting), float(rng.uniform(30, 88))
            changed = replace(changed, nonbutting=shape, toe_angle_nonbutting=angle, undercut_nonbutting=None)
        welds.append(changed)
    return replace(spec, welds=tuple(welds))


def _worn_edges(out: ByteArray, rng: np.random.Generator) -> None:
    """Round the metal's outer corners away from the weld, as shears and flame cutting leave them (in place)."""
    size = out.shape[0]
    radius = int(np.exp(rng.uniform(np.log(3), np.log(0.06 * size))))
    metal = np.isin(out, (WELD, BUTTING, NONBUTTING, VOID)).astype(np.uint8)
    # A quarter of the size: rounding need not be exact, and large kernels are slow.
    small = cv2.resize(metal, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_NEAREST)
    r = max(1, radius // 4)
    padded = cv2.copyMakeBorder(small, r, r, r, r, cv2.BORDER_REPLICATE)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)[r:-r, r:-r]
    weld = cv2.resize(np.isin(out, (WELD, VOID)).astype(np.uint8), None, fx=0.25, fy=0.25)
    near = cv2.dilate(weld, np.ones((2 * r + 1, 2 * r + 1), np.uint8))
    lost = (small > 0) & (opened == 0) & (near == 0)
    out[(cv2.resize(lost.astype(np.uint8), out.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0) & (metal > 0)] = 0


def _clutter(rng: np.random.Generator, size: int) -> ByteArray:
    """Things drawn over the picture: 0 nothing, else grey 1..255; text, bars, ticks, indents, arrows, writing."""
    out = np.zeros((size, size), np.uint8)
    for _ in range(int(rng.integers(1, 4))):
        tone = int(rng.choice([rng.integers(1, 40), rng.integers(200, 256), rng.integers(1, 256)]))
        x, y = (int(v) for v in rng.integers(0, size, 2))
        kind = int(rng.integers(0, 6))
        wide = int(rng.integers(1, 4))
        if kind == 0:
            text = "".join(rng.choice(list("ABCTX0123456789.-mm "), int(rng.integers(2, 9))))
            cv2.putText(
                out, text, (x, y), int(rng.integers(0, 5)), float(rng.uniform(0.4, 1.4)), tone, wide, cv2.LINE_AA
            )
        elif kind == 1:
            length = int(rng.uniform(0.1, 0.4) * size)
            cv2.line(out, (x, y), (x + length, y), tone, wide + 1)
            if rng.random() < 0.6:
                for end in (x, x + length):
                    cv2.line(out, (end, y - 5), (end, y + 5), tone, wide)
        elif kind == 2:
            a = rng.uniform(0, np.pi)
            pitch, count = rng.uniform(4, 14), int(rng.integers(8, 50))
            d = np.array([np.cos(a), np.sin(a)])
            n = np.array([-d[1], d[0]])
            if rng.random() < 0.6:
                strip = np.array(
                    [[x, y], [x, y] + d * pitch * count, [x, y] + d * pitch * count + n * 40, [x, y] + n * 40]
                )
                cv2.fillPoly(out, [strip.astype(np.int32)], int(rng.integers(1, 256)))
            for i in range(count):
                p = np.array([x, y]) + d * pitch * i
                q = p + n * (16 if i % 10 == 0 else 12 if i % 5 == 0 else 8)
                cv2.line(out, p.astype(int).tolist(), q.astype(int).tolist(), tone, 1, cv2.LINE_AA)
        elif kind == 3:
            a, step = rng.uniform(0, np.pi), rng.uniform(8, 25)
            for i in range(int(rng.integers(3, 14))):
                c = (x + i * step * np.cos(a), y + i * step * np.sin(a))
                r = float(rng.uniform(1.2, 3.5))
                square = np.array([[c[0] - r, c[1]], [c[0], c[1] - r], [c[0] + r, c[1]], [c[0], c[1] + r]])
                cv2.fillPoly(out, [np.round(square * 16).astype(np.int32)], max(1, tone // 2), cv2.LINE_AA, 4)
        elif kind == 4:
            e = rng.integers(0, size, 2)
            cv2.arrowedLine(out, (x, y), (int(e[0]), int(e[1])), tone, wide, cv2.LINE_AA, 0, 0.1)
        else:
            steps = rng.normal(0, size * 0.05, (int(rng.integers(4, 12)), 2))
            pts = np.cumsum(steps, axis=0) + np.array([x, y])
            cv2.polylines(
                out, [pts.astype(np.int32)], isClosed=False, color=tone, thickness=wide, lineType=cv2.LINE_AA
            )
    return out


def _extra_regions(out: ByteArray, section: Section, to_px: AnyArray, rng: np.random.Generator) -> None:
    """Mark the open gap and voids, and lay loose metal on the background (all in place, map at 2x)."""

    def fixed(points: FloatArray) -> AnyArray:
        """Map mm to sixteenths of a pixel, as OpenCV fills polygons with `shift` 4."""
        px = points @ to_px[:, :2].T + to_px[:, 2]
        return np.asarray(np.round(px * 16).clip(-400000, 400000).astype(np.int32))

    spec = section.spec
    if spec.gap > 0:
        a = np.deg2rad(spec.psi)
        left = -0.75 * spec.reach if spec.joint == "lap" else -spec.thickness_butting / np.sin(a)
        quad = np.array([[0.0, 0.0], [spec.gap / np.tan(a), spec.gap], [left, spec.gap], [left, 0.0]])
        mask = np.zeros(out.shape, np.uint8)
        cv2.fillPoly(mask, [fixed(quad)], 1, cv2.LINE_8, 4)
        out[(mask > 0) & (out == 0)] = GAP
    for weld in section.welds:
        for void in weld.voids:
            cv2.fillPoly(out, [fixed(void)], VOID, cv2.LINE_8, 4)
    if rng.random() < 0.4:
        _worn_edges(out, rng)
    for _ in range(int(rng.choice([0, 1, 2], p=[0.72, 0.2, 0.08]))):
        mask = np.zeros(out.shape, np.uint8)
        cv2.fillPoly(mask, [_loose_shape(out.shape[0], rng)], 1)
        out[(mask > 0) & (out == 0)] = LOOSE


def _loose_shape(size: int, rng: np.random.Generator) -> AnyArray:
    """Outline of a loose piece, px: a coin, a jaw with teeth, a nugget like a bead, or a splinter."""
    c, r = rng.uniform(-0.1, 1.1, 2) * size, rng.uniform(0.06, 0.45) * size
    kind = int(rng.integers(4))
    if kind == 0:
        angles = np.linspace(0, 2 * np.pi, 90, endpoint=False)
        shape = np.column_stack([np.cos(angles), rng.uniform(0.8, 1.0) * np.sin(angles)])
    elif kind == 1:
        teeth = int(rng.integers(4, 30))
        edge = np.column_stack(
            [np.linspace(-1.5, 1.5, 2 * teeth), 0.6 + rng.uniform(0, 0.1) * (np.arange(2 * teeth) % 2)]
        )
        shape = np.vstack([edge, [[1.5, -0.6], [-1.5, -0.6]]])
    elif kind == 2:
        angles = np.linspace(0, np.pi, 40)
        shape = np.column_stack([np.cos(angles), rng.uniform(0.2, 1.0) * np.sin(angles)])
    else:
        angles = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 7))))
        shape = np.column_stack([np.cos(angles), np.sin(angles)])
    a = rng.uniform(0, 2 * np.pi)
    turned = shape @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    return np.asarray((c + r * turned).astype(np.int32))


def _share(rng: np.random.Generator) -> float:
    """Draw how much of the picture's side the weld takes: often as in the close look, now and then far off."""
    kind = rng.random()
    if kind < 0.4:
        return float(rng.uniform(0.36, 0.82))
    if kind < 0.84:
        return float(np.exp(rng.uniform(np.log(0.18), np.log(0.95))))
    return float(rng.uniform(0.07, 0.25))


def layout(rng: np.random.Generator, size: int) -> dict[str, AnyArray]:
    """Draw one section and lay it out at `size` px square: region map at 2x, coordinates, lines, points."""
    spec = sample_spec(rng, joints=JOINTS, wild=float(rng.choice(WILD)))
    if spec.joint == "bead":
        spec = _bead(spec, rng)
    if rng.random() < 0.2:
        spec = _with_rims(spec, rng)
    if spec.joint != "bead" and rng.random() < 0.1:
        spec = _rolled_over(spec, rng)
    section = build_section(spec)
    centre, span = _centre_and_span(section)
    share = _share(rng)
    turn = float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 8)) if rng.random() < 0.6 else rng.uniform(0, 360)
    spread = max(0.06, 0.5 - 0.55 * share) * span / share
    view = make_view(
        px_per_mm=share * size / span,
        width=size,
        height=size,
        centre_mm=(float(centre[0] + rng.uniform(-1, 1) * spread), float(centre[1] + rng.uniform(-1, 1) * spread)),
        rotation_deg=turn,
        mirror=bool(rng.random() < 0.5),
        shear=float(rng.normal(0, 0.03)),
    )
    regions = region_map(section, view, finer=2)
    _extra_regions(regions, section, view.finer(2).matrix, rng)
    coordinates = weld_coordinates(section, view)
    lines = seam_map(section, view).astype(np.uint8) + 2 * pass_map(section, view).astype(np.uint8)
    points = np.full((6, 2), -1e4, np.float32)
    for i, weld in enumerate(section.welds):
        root = weld.to_section(np.zeros((1, 2)))
        if spec.joint == "bead":
            points[2] = view.to_px(weld.face[:1])[0]
            points[5] = view.to_px(weld.face[-1:])[0]
        else:
            points[3 * i : 3 * i + 3] = view.to_px(np.vstack([root, weld.face[:1], weld.face[-1:]]))
    clutter = _clutter(rng, size) if rng.random() < 0.35 else np.zeros((size, size), np.uint8)
    scale = view.px_per_mm
    haz = np.array([spec.welds[0].haz_butting, spec.welds[0].haz_nonbutting], np.float32)
    direction = view.matrix[:, :2] @ np.array(
        [[1.0, np.cos(np.deg2rad(spec.psi))], [0.0, np.sin(np.deg2rad(spec.psi))]]
    )
    return {
        "regions": regions,
        "distance": np.minimum(coordinates.distance, 6e4).astype(np.float16),
        "along": (coordinates.along % 8192).astype(np.float32),
        "lines": lines,
        "clutter": clutter,
        "points": points,
        "haz": haz * scale,
        "directions": np.arctan2(direction[1], direction[0]).astype(np.float32),
        "span": np.float32(share * size),
    }


def teaches(item: dict[str, AnyArray]) -> bool:
    """Whether a layout shows enough: a picture with next to no weld or member teaches nothing."""
    seen = item["regions"]
    return bool((seen == WELD).mean() > 0.002 and np.isin(seen, (BUTTING, NONBUTTING)).mean() > 0.05)


def batches(rng: np.random.Generator, size: int, count: int) -> Iterator[dict[str, AnyArray]]:
    """Yield endless batches of `count` layouts, each a dict of arrays stacked along a new first axis."""
    while True:
        items: list[dict[str, AnyArray]] = []
        while len(items) < count:
            item = layout(rng, size)
            if teaches(item):
                items.append(item)
        yield {name: np.stack([item[name] for item in items]) for name in items[0]}
