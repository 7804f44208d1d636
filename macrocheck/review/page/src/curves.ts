// Geometry of curves in px of the upright photo: x right, y down.

export type Point = readonly [number, number];
export type Curve = readonly Point[];

export const distance = (a: Point, b: Point): number => Math.hypot(a[0] - b[0], a[1] - b[1]);

export const plus = (a: Point, b: Point): Point => [a[0] + b[0], a[1] + b[1]];

export const minus = (a: Point, b: Point): Point => [a[0] - b[0], a[1] - b[1]];

export type Near = { point: Point; index: number; distance: number };

/** The place on a curve nearest to a point; `index` is a vertex number with the share of its segment behind it. */
export function nearest(curve: Curve, to: Point): Near {
  let best: Near = { point: curve[0] ?? to, index: 0, distance: Infinity };
  for (let i = 0; i < curve.length; i++) {
    const a = curve[i] as Point;
    const b = curve[i + 1] ?? a;
    const d = minus(b, a);
    const squared = d[0] * d[0] + d[1] * d[1];
    const t = squared === 0 ? 0 : clamp(((to[0] - a[0]) * d[0] + (to[1] - a[1]) * d[1]) / squared, 0, 1);
    const point: Point = [a[0] + t * d[0], a[1] + t * d[1]];
    const off = distance(point, to);
    if (off < best.distance) best = { point, index: i + t, distance: off };
  }
  return best;
}

export const clamp = (v: number, low: number, high: number): number => Math.min(Math.max(v, low), high);

/** Length along the curve from its start to each vertex. */
export function stations(curve: Curve): number[] {
  const out: number[] = [];
  let s = 0;
  for (let i = 0; i < curve.length; i++) {
    if (i > 0) s += distance(curve[i - 1] as Point, curve[i] as Point);
    out.push(s);
  }
  return out;
}

export function pointAt(curve: Curve, s: number): Point {
  const along = stations(curve);
  for (let i = 1; i < curve.length; i++) {
    const [from, to] = [along[i - 1] as number, along[i] as number];
    if (s <= to) {
      const t = to === from ? 0 : (s - from) / (to - from);
      const [a, b] = [curve[i - 1] as Point, curve[i] as Point];
      return [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
    }
  }
  return curve[curve.length - 1] as Point;
}

/** The crossing of two lines, each through two points; null where they are parallel. */
export function crossing(a: Curve, b: Curve): Point | null {
  const [p, q] = [a[0] as Point, b[0] as Point];
  const [d, e] = [minus(a[1] as Point, p), minus(b[1] as Point, q)];
  const cross = d[0] * e[1] - d[1] * e[0];
  if (Math.abs(cross) < 1e-9) return null;
  const t = ((q[0] - p[0]) * e[1] - (q[1] - p[1]) * e[0]) / cross;
  return [p[0] + t * d[0], p[1] + t * d[1]];
}
