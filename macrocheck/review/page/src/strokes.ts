// How things on the photo look. Hues are those of the program's overlay, the colour-blind-safe set of M. Okabe and
// K. Ito, "Color Universal Design" (2002, revised 2008); each kind also has a dash or a shape of its own, and a dark rim.

import CircleStyle from "ol/style/Circle.js";
import Fill from "ol/style/Fill.js";
import RegularShape from "ol/style/RegularShape.js";
import Stroke from "ol/style/Stroke.js";
import Style from "ol/style/Style.js";
import Text from "ol/style/Text.js";
import type { Part } from "./protocol.ts";
import type { Handle } from "./scene.ts";

export const INK = "#161b22";
export const WHITE = "#ffffff";
export const ORANGE = "#e69f00";
export const SKY = "#56b4e9";
export const YELLOW = "#f0e442";
export const VERMILION = "#d55e00";
/** The accent, light enough for a dark photo. */
export const LIT = "#b9b4ff";
export const ACCENT = "#46409c";

export type Line = { colour: string; width: number; dash?: number[]; rim?: number; faint?: boolean };

export const LINES: Record<Part | "extension" | "found" | "span" | "scale" | "draft", Line> = {
  fusion: { colour: ORANGE, width: 2.4 },
  face: { colour: SKY, width: 2.4, dash: [14, 5] },
  surface_butting: { colour: WHITE, width: 1.8, dash: [8, 6] },
  surface_nonbutting: { colour: WHITE, width: 1.8, dash: [8, 6] },
  surface_top: { colour: WHITE, width: 1.2, dash: [8, 6] },
  void: { colour: SKY, width: 2, dash: [2, 4] },
  haz_butting: { colour: WHITE, width: 1.6, dash: [2, 6], rim: 0.8, faint: true },
  haz_nonbutting: { colour: WHITE, width: 1.6, dash: [2, 6], rim: 0.8, faint: true },
  groove_butting: { colour: SKY, width: 1.4, dash: [6, 3, 1.5, 3] },
  groove_nonbutting: { colour: SKY, width: 1.4, dash: [6, 3, 1.5, 3] },
  indication: { colour: VERMILION, width: 2.2, dash: [9, 3, 2, 3] },
  seam_end: { colour: WHITE, width: 1 },
  extension: { colour: WHITE, width: 1.4, dash: [3, 9], rim: 0.8, faint: true },
  found: { colour: WHITE, width: 1.6, dash: [1.5, 4], rim: 0.6, faint: true },
  span: { colour: VERMILION, width: 14, dash: [2.5, 3.5], rim: 0 },
  scale: { colour: YELLOW, width: 2 },
  draft: { colour: LIT, width: 2.5, dash: [6, 4] },
};

export function lineStyles(line: Line, z: number): Style[] {
  const rim = line.rim ?? 1.6;
  const cap = { lineCap: "butt" as const, lineJoin: "round" as const, ...(line.dash ? { lineDash: line.dash } : {}) };
  const own = new Style({ stroke: new Stroke({ color: line.colour, width: line.width, ...cap }), zIndex: z + 1 });
  if (!rim) return [own];
  // The rim goes round a dashed line as a whole: the gaps then show dark on light metal, and the line never drowns.
  const under = new Style({
    stroke: new Stroke({
      color: `rgba(22,27,34,${line.faint ? 0.3 : 0.75})`,
      width: line.width + 2 * rim,
      lineJoin: "round",
    }),
    zIndex: z,
  });
  return [under, own];
}

const rim = (width = 1.6): Stroke => new Stroke({ color: INK, width });

export function handleStyles(handle: Handle, live: boolean): Style[] {
  const fill = new Fill({ color: live ? LIT : handle.hand ? ACCENT : WHITE });
  const stroke = handle.hand && !live ? new Stroke({ color: WHITE, width: 1.6 }) : rim();
  const image = shapeOf(handle, fill, stroke);
  const styles = image.map(
    (one, i) =>
      new Style({ image: one, zIndex: (handle.kind === "vertex" ? 60 : handle.kind === "point" ? 68 : 64) + i }),
  );
  if (live) styles.unshift(new Style({ image: ring(), zIndex: 58 }));
  return styles;
}

function shapeOf(handle: Handle, fill: Fill, stroke: Stroke): (CircleStyle | RegularShape)[] {
  switch (handle.kind) {
    case "point":
      return handle.key.endsWith("joint_root")
        ? [new CircleStyle({ radius: 8, fill, stroke }), cross(7, rim(1.6), 0)]
        : [new RegularShape({ points: 4, radius: 9, fill, stroke })];
    case "seam":
    case "surface":
      return [new RegularShape({ points: 4, radius: 7, angle: Math.PI / 4, fill, stroke })];
    case "scale":
      return [new RegularShape({ points: 3, radius: 9, fill: new Fill({ color: YELLOW }), stroke })];
    case "hint":
      return handle.label === "the boundary is not here"
        ? [cross(9, rim(5), Math.PI / 4), cross(9, new Stroke({ color: LIT, width: 2.4 }), Math.PI / 4)]
        : [new CircleStyle({ radius: 7, fill: new Fill({ color: LIT }), stroke: rim() }), dot()];
    default:
      return handle.hand
        ? [new RegularShape({ points: 4, radius: 6, fill, stroke })]
        : [new CircleStyle({ radius: 3.5, fill, stroke: rim(1.3) })];
  }
}

const dot = (): CircleStyle => new CircleStyle({ radius: 2.4, fill: new Fill({ color: INK }) });

const ring = (): CircleStyle => new CircleStyle({ radius: 14, stroke: new Stroke({ color: LIT, width: 2.5 }) });

const cross = (radius: number, stroke: Stroke, angle: number): RegularShape =>
  new RegularShape({ points: 4, radius, radius2: 0, angle, stroke });

export function cursorStyles(): Style[] {
  return [
    new Style({ image: cross(22, rim(5), 0), zIndex: 80 }),
    new Style({ image: cross(22, new Stroke({ color: LIT, width: 2 }), 0), zIndex: 81 }),
  ];
}

export function badgeStyle(text: string): Style {
  return new Style({
    zIndex: 50,
    text: new Text({
      text,
      font: "600 12px system-ui, sans-serif",
      fill: new Fill({ color: WHITE }),
      backgroundFill: new Fill({ color: INK }),
      backgroundStroke: new Stroke({ color: WHITE, width: 1.5 }),
      padding: [2, 5, 1, 6],
    }),
  });
}
