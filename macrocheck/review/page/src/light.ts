// Brightness, contrast and equalising for the eye only: one table of shades, laid over what is drawn as an SVG
// filter. The photo itself and the numbers never see it.

import { svg } from "./dom.ts";

export type Light = { brightness: number; contrast: number; equalise: boolean };

export const PLAIN: Light = { brightness: 0, contrast: 0, equalise: false };

const STEPS = 64;
const FILTER = "light-filter";
/** Share of the shades' counts above which equalising stops, so that a flat background does not turn to noise. */
const CLIP = 0.02;

export class LightFilter {
  private readonly channels = (["feFuncR", "feFuncG", "feFuncB"] as const).map((name) => svg(name, { type: "table" }));

  constructor(host: Element) {
    host.append(
      svg(
        "svg",
        { width: 0, height: 0, "aria-hidden": "true", class: "unseen" },
        svg(
          "filter",
          { id: FILTER, x: 0, y: 0, width: "100%", height: "100%", "color-interpolation-filters": "sRGB" },
          svg("feComponentTransfer", {}, ...this.channels),
        ),
      ),
    );
  }

  /** Set the table; returns whether anything is to be filtered at all. */
  set(light: Light, counts: Uint32Array | null): boolean {
    const table = shadesTable(light, counts);
    const text = table.map((v) => v.toFixed(4)).join(" ");
    for (const channel of this.channels) channel.setAttribute("tableValues", text);
    const on = light.brightness !== 0 || light.contrast !== 0 || light.equalise;
    document.documentElement.classList.toggle("lit", on);
    return on;
  }
}

export function shadesTable(light: Light, counts: Uint32Array | null): number[] {
  const even = light.equalise && counts ? equalised(counts) : null;
  const slope = light.contrast >= 0 ? 1 + light.contrast * 3 : 1 + light.contrast * 0.8;
  return Array.from({ length: STEPS + 1 }, (_, i) => {
    const shade = i / STEPS;
    const v = even ? (even[Math.round(shade * 255)] ?? shade) : shade;
    return Math.min(1, Math.max(0, (v - 0.5) * slope + 0.5 + light.brightness * 0.5));
  });
}

/** Histogram equalisation with the counts clipped, shade (0..255) to shade (0..1). */
function equalised(counts: Uint32Array): number[] {
  const total = counts.reduce((a, b) => a + b, 0) || 1;
  const most = total * CLIP;
  const clipped = Array.from(counts, (c) => Math.min(c, most));
  const spread = (total - clipped.reduce((a, b) => a + b, 0)) / 256;
  let sum = 0;
  return clipped.map((c) => (sum += c + spread) / total);
}
