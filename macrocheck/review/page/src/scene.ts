// What lies on the photo: curves to draw, places to grab, and what a drag would make of them until the server says.

import { distance, minus, nearest, plus, stations, type Curve, type Point } from "./curves.ts";
import type { Edit, Feature, Part, PhotoState, PointName, WeldState } from "./protocol.ts";

export const PART_NAMES: Record<Part, string> = {
  face: "weld face",
  fusion: "fusion boundary",
  surface_butting: "surface of the butting member",
  surface_nonbutting: "surface of the nonbutting member",
  surface_top: "top surface of the upper plate",
  void: "void",
  haz_butting: "outer edge of the heat-affected zone, butting member",
  haz_nonbutting: "outer edge of the heat-affected zone, nonbutting member",
  groove_butting: "groove beyond the toe, butting member",
  groove_nonbutting: "groove beyond the toe, nonbutting member",
  indication: "indication",
  seam_end: "far end of the unfused land",
};

const POINT_NAMES: Record<PointName, string> = {
  joint_root: "joint root",
  toe_butting: "toe on the butting member",
  toe_nonbutting: "toe on the nonbutting member",
  seam_end: "far end of the unfused land",
};

const HINT_NAMES = {
  through: "the boundary passes here",
  avoid: "the boundary is not here",
  root: "joint root, pinned",
  toe: "toe, pinned",
  edge: "the plate's edge was here",
  butting: "the butting member is here",
};

/** Something to grab: where it is, what it is called, what dragging or removing it asks of the server. */
export type Handle = {
  key: string;
  kind: "point" | "vertex" | "surface" | "scale" | "hint" | "void" | "indication" | "seam";
  at: Point;
  label: string;
  hand: boolean;
  move: ((to: Point, how: { free: boolean; reach: number }) => Edit) | null;
  remove: Edit | null;
  /** Curves as they would be, by feature id; for showing while dragging. */
  preview: (to: Point, how: { free: boolean; reach: number }) => Map<string, Point[]>;
};

const nothing = (): Map<string, Point[]> => new Map();

export function handlesOf(state: PhotoState): Handle[] {
  const out: Handle[] = [];
  for (const weld of state.welds) out.push(...pointHandles(weld));
  for (const weld of state.welds) out.push(...vertexHandles(weld).sort((a, b) => rank(a) - rank(b)));
  state.scale?.marks.forEach((mark, m) => {
    mark.ends?.forEach((at, i) => {
      const other = mark.ends?.[1 - i];
      if (!other) return;
      out.push({
        key: `scale/${m}/${i}`,
        kind: "scale",
        at,
        label: `end ${i + 1} of the mark (${mark.length ?? mark.text})`,
        hand: state.scale?.by_hand ?? false,
        move: mark.length
          ? (to) => ({ kind: "set_scale", ends: i === 0 ? [to, other] : [other, to], length: mark.length ?? "" })
          : null,
        remove: null,
        preview: (to) => new Map([[`scale/${m}`, i === 0 ? [to, other] : [other, to]]]),
      });
    });
  });
  for (const hint of state.hints) {
    out.push({
      key: `hint/${hint.index}`,
      kind: "hint",
      at: hint.at,
      label: HINT_NAMES[hint.hint],
      hand: true,
      move: null,
      remove: { kind: "remove_hint", index: hint.index },
      preview: nothing,
    });
  }
  return out;
}

const rank = (handle: Handle): number => (handle.kind === "surface" ? 0 : handle.kind === "seam" ? 1 : 2);

function pointHandles(weld: WeldState): Handle[] {
  const names: [PointName, Point | null][] = [
    ["toe_butting", weld.toe_butting],
    ["toe_nonbutting", weld.toe_nonbutting],
    ["joint_root", weld.joint_root],
  ];
  return names.flatMap(([name, at]) => (at ? [pointHandle(weld, name, at)] : []));
}

function pointHandle(weld: WeldState, name: PointName, at: Point): Handle {
  const left = weld.joint === "bead" && name !== "joint_root";
  const label = left ? (name === "toe_butting" ? "first toe" : "second toe") : POINT_NAMES[name];
  return {
    key: `${weld.index}/${name}`,
    kind: name === "seam_end" ? "seam" : "point",
    at,
    label,
    hand: false,
    move: (to, { free }) => ({ kind: "move_point", weld: weld.index, point: name, to, ...(free ? { free } : {}) }),
    remove: name === "seam_end" ? { kind: "remove", feature: `${weld.index}/seam_end` } : null,
    preview: (to, how) => previewPoint(weld, name, at, to, how),
  };
}

const feature = (weld: WeldState, part: Part): Feature | undefined => weld.features.find((f) => f.part === part);

function previewPoint(
  weld: WeldState,
  name: PointName,
  at: Point,
  to: Point,
  how: { free: boolean; reach: number },
): Map<string, Point[]> {
  const out = new Map<string, Point[]>();
  if (name === "seam_end") {
    const seam = feature(weld, "seam_end");
    if (seam) out.set(seam.id, [to]);
    return out;
  }
  if (name === "joint_root") {
    const by = minus(to, at);
    for (const part of ["surface_butting", "surface_nonbutting"] as const) {
      const line = feature(weld, part);
      if (line)
        out.set(
          line.id,
          line.points.map((p) => plus(p, by)),
        );
    }
    return out;
  }
  const surface = feature(
    weld,
    weld.joint === "bead" || name === "toe_nonbutting" ? "surface_nonbutting" : "surface_butting",
  );
  const end = how.free || !surface ? to : along(surface.points, to);
  for (const part of ["face", "fusion"] as const) {
    const curve = feature(weld, part);
    if (!curve) continue;
    const first = distance(curve.points[0] as Point, at) < distance(curve.points[curve.points.length - 1] as Point, at);
    out.set(curve.id, first ? endMoved(curve.points, end) : endMoved([...curve.points].reverse(), end).reverse());
  }
  return out;
}

/** The foot of a point on the line through a curve's first and last point. */
function along(line: Curve, p: Point): Point {
  const [a, b] = [line[0] as Point, line[line.length - 1] as Point];
  const d = minus(b, a);
  const squared = d[0] * d[0] + d[1] * d[1] || 1;
  const t = ((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / squared;
  return [a[0] + t * d[0], a[1] + t * d[1]];
}

function vertexHandles(weld: WeldState): Handle[] {
  const out: Handle[] = [];
  for (const f of weld.features) {
    if (f.shape === "point") {
      if (f.part === "seam_end" && f.points[0]) out.push(pointHandle(weld, "seam_end", f.points[0]));
      continue;
    }
    const last = f.points.length - 1;
    const toes = f.part === "face" || f.part === "fusion";
    const shown = f.part.startsWith("surface") ? [0, last] : f.handles;
    for (const index of new Set(shown)) {
      // the toes have handles of their own, and grooves begin at them
      if ((toes && (index === 0 || index === last)) || (f.part.startsWith("groove") && index === 0)) continue;
      if (f.points[index]) out.push(vertexHandle(f, index));
    }
  }
  return out;
}

export function vertexHandle(f: Feature, index: number): Handle {
  const surface = f.part.startsWith("surface");
  const ring = f.shape === "ring";
  const kind = surface ? "surface" : f.part === "void" || f.part === "indication" ? f.part : "vertex";
  const whole =
    f.part !== "face" && f.part !== "fusion" && f.part !== "surface_butting" && f.part !== "surface_nonbutting";
  return {
    key: `${f.id}#${index}`,
    kind,
    at: f.points[index] as Point,
    label: surface ? `end of the ${PART_NAMES[f.part]}` : PART_NAMES[f.part],
    hand: f.hand.includes(index),
    move: (to, { reach }) => ({
      kind: "move_vertex",
      feature: f.id,
      index,
      to,
      ...(surface ? {} : { reach_px: reach }),
    }),
    remove: whole
      ? { kind: "remove", feature: f.id }
      : surface
        ? null
        : { kind: "remove_vertex", feature: f.id, index },
    preview: (to, { reach }) => {
      const points = surface
        ? f.points.map((p, i) => (i === index ? to : p))
        : pulled(f.points, index, to, reach, ring);
      return new Map([[f.id, points]]);
    },
  };
}

/** A curve with one vertex moved and its neighbours within `reach` along it following, less and less. */
export function pulled(points: Curve, index: number, to: Point, reach: number, ring: boolean): Point[] {
  const along = stations(points);
  const here = along[index] ?? 0;
  const around =
    (along[along.length - 1] ?? 0) + (ring ? distance(points[0] as Point, points[points.length - 1] as Point) : 0);
  const by = minus(to, points[index] as Point);
  return points.map((p, i) => {
    let off = Math.abs((along[i] as number) - here);
    if (ring) off = Math.min(off, around - off);
    if (i === index) return to;
    if (off >= reach) return p;
    const share = 0.5 * (1 + Math.cos((Math.PI * off) / reach));
    return [p[0] + share * by[0], p[1] + share * by[1]];
  });
}

/** A curve with its start moved: cut where it passes the new start and led into it, or straight on to it. */
export function endMoved(points: Curve, to: Point): Point[] {
  const along = stations(points);
  const within = 0.6 * (along[along.length - 1] ?? 0);
  let foot = 0;
  for (let i = 1; i < points.length && (along[i] as number) <= within; i++) {
    if (distance(points[i] as Point, to) < distance(points[foot] as Point, to)) foot = i;
  }
  if (foot === 0) {
    const by = minus(to, points[0] as Point);
    const out = minus(points[0] as Point, points[Math.min(6, points.length - 1)] as Point);
    if (by[0] * out[0] + by[1] * out[1] > 0.5 * Math.hypot(...by) * Math.hypot(...out)) return [to, ...points];
  }
  const rest = points.slice(foot);
  const reach = Math.max(3 * distance(rest[0] as Point, to), 4);
  return rest.length > 2
    ? [...pulled(rest.slice(0, -1), 0, to, reach, false), rest[rest.length - 1] as Point]
    : [to, ...rest.slice(-1)];
}

const FIRST = ["point", "scale", "seam", "surface", "hint", "vertex", "void", "indication"];

/** What is within `tolerance` px of a place: a handle, or the spot of a curve that would be grabbed. */
export function under(state: PhotoState, handles: readonly Handle[], at: Point, tolerance: number): Handle | null {
  let best: Handle | null = null;
  let least = Infinity;
  for (const handle of handles) {
    const off = distance(handle.at, at);
    if (off > tolerance) continue;
    // of two within reach the more telling one is meant, unless the other is much nearer
    const weight = off + (FIRST.indexOf(handle.kind) * tolerance) / 6;
    if (weight < least) [best, least] = [handle, weight];
  }
  if (best) return best;
  let spot: { feature: Feature; index: number; point: Point } | null = null;
  least = tolerance;
  for (const weld of state.welds) {
    for (const f of weld.features) {
      if (f.shape === "point" || f.part.startsWith("surface")) continue;
      const curve = f.shape === "ring" ? [...f.points, f.points[0] as Point] : f.points;
      const near = nearest(curve, at);
      if (near.distance < least) {
        least = near.distance;
        spot = { feature: f, index: near.index, point: near.point };
      }
    }
  }
  return spot ? spotHandle(spot.feature, spot.index, spot.point, tolerance) : null;
}

/** A spot of a curve between its handles: the nearest vertex, or a new one where vertices are far apart. */
function spotHandle(f: Feature, index: number, point: Point, tolerance: number): Handle | null {
  const vertex = Math.round(index) % f.points.length;
  const last = f.points.length - 1;
  const toe = (f.part === "face" || f.part === "fusion") && (vertex === 0 || vertex === last);
  if (!toe && distance(f.points[vertex] as Point, point) <= tolerance) return vertexHandle(f, vertex);
  const before = Math.floor(index);
  if (toe && distance(f.points[vertex] as Point, point) <= tolerance) return null;
  const grown: Feature = { ...f, points: [...f.points.slice(0, before + 1), point, ...f.points.slice(before + 1)] };
  const handle = vertexHandle(grown, before + 1);
  return {
    ...handle,
    key: `${f.id}+${index.toFixed(2)}`,
    move: (to) => ({ kind: "add_vertex", feature: f.id, index: before, at: to }),
    remove: handle.remove?.kind === "remove" ? handle.remove : null,
  };
}

/** The face or fusion boundary that a stroke beginning at `at` is meant for. */
export function nearestCurve(state: PhotoState, at: Point): Feature | null {
  let best: Feature | null = null;
  let least = Infinity;
  for (const weld of state.welds) {
    for (const f of weld.features) {
      if (f.part !== "face" && f.part !== "fusion") continue;
      const off = nearest(f.points, at).distance;
      if (off < least) [best, least] = [f, off];
    }
  }
  return best;
}

export function nearestWeld(state: PhotoState, at: Point): number {
  let best = 0;
  let least = Infinity;
  for (const weld of state.welds) {
    for (const f of weld.features) {
      if (f.part !== "face" && f.part !== "fusion") continue;
      const off = nearest(f.points, at).distance;
      if (off < least) [best, least] = [weld.index, off];
    }
  }
  return best;
}

/** Left, top, right, bottom (px) of the welds with room round them; null where there are none. */
export function weldBox(state: PhotoState): [number, number, number, number] | null {
  const points = state.welds.flatMap((w) =>
    w.features.filter((f) => f.part === "face" || f.part === "fusion").flatMap((f) => f.points),
  );
  if (points.length === 0) return null;
  const xs = points.map((p) => p[0]);
  const ys = points.map((p) => p[1]);
  const [x0, y0, x1, y1] = [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
  const room = 0.22 * Math.max(x1 - x0, y1 - y0);
  return [x0 - room, y0 - room, x1 + room, y1 + room];
}

/** What is worth drawing: a groove that is no deeper than its own uncertainty only hides the surface it lies on. */
export function worthDrawing(state: PhotoState): PhotoState {
  const faint = (weld: WeldState, f: Feature): boolean => {
    if (!f.part.startsWith("groove_") || f.by_hand) return false;
    const depth = weld.quantities.find((q) => q.key === f.part.replace("groove_", "undercut_"));
    return typeof depth?.value === "number" && depth.value <= (depth.U95 ?? 0);
  };
  const welds = state.welds.map((w) => ({ ...w, features: w.features.filter((f) => !faint(w, f)) }));
  return { ...state, welds };
}

/** Where a member's surface is extended to: from its drawn stretch to the joint root. */
export function extension(weld: WeldState, line: Curve): Curve | null {
  const root = weld.joint_root;
  if (!root) return null;
  const near = line.reduce((a, b) => (distance(a, root) < distance(b, root) ? a : b));
  return distance(near, root) < 1 ? null : [near, root];
}
