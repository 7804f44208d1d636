// Small signs: a shape of its own for each meaning, with its word for those who do not see it.

import { h, svg } from "./dom.ts";
import type { Word } from "./protocol.ts";

export const WORDS: Record<Word, string> = { accept: "accept", undecided: "undecided", reject: "reject" };

/** Tick in a disc, bar in a diamond, cross in a square. */
export function verdictSign(word: Word, size = 18): HTMLElement {
  const box = svg("svg", { viewBox: "0 0 20 20", width: size, height: size, "aria-hidden": "true" });
  const stroke = {
    fill: "none",
    stroke: "#fff",
    "stroke-width": 2.4,
    "stroke-linecap": "round",
    "stroke-linejoin": "round",
  };
  if (word === "accept") {
    box.append(
      svg("circle", { cx: 10, cy: 10, r: 9, class: "fill-accept" }),
      svg("path", { d: "M5.5 10.5l3 3 6-7", ...stroke }),
    );
  } else if (word === "reject") {
    box.append(
      svg("rect", { x: 1, y: 1, width: 18, height: 18, rx: 2, class: "fill-reject" }),
      svg("path", { d: "M6 6l8 8M14 6l-8 8", ...stroke }),
    );
  } else {
    box.append(
      svg("path", { d: "M10 0.5L19.5 10 10 19.5 0.5 10z", class: "fill-undecided" }),
      svg("path", { d: "M6 10h8", ...stroke, stroke: "#161b22" }),
    );
  }
  return h("span", { class: `sign ${word}` }, box as unknown as Node, h("span", { class: "unseen" }, WORDS[word]));
}

export function pathSign(d: string, size = 20): SVGSVGElement {
  return svg(
    "svg",
    { viewBox: "0 0 20 20", width: size, height: size, "aria-hidden": "true", class: "tool-sign" },
    svg("path", {
      d,
      fill: "none",
      stroke: "currentColor",
      "stroke-width": 1.6,
      "stroke-linecap": "round",
      "stroke-linejoin": "round",
    }),
  );
}
