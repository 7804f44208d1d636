// The list of doubts: each with its number on the photo; pressing one zooms to its place.

import { button, h, put } from "./dom.ts";
import type { FlagState, PhotoState } from "./protocol.ts";

export class Doubts {
  /** What asks for a look. */
  readonly element = h("section", { class: "doubts", attrs: { "aria-label": "Doubts" } });
  /** What is also to be known. */
  readonly rest = h("details", { class: "doubts" });
  private last = "";
  private at = -1;

  constructor(
    private readonly go: (box: readonly [number, number, number, number]) => void,
    private readonly ask: () => void,
    private readonly confirm: (weld: number) => void,
  ) {}

  show(state: PhotoState | null): void {
    const key = JSON.stringify([state?.id, state?.flags, state?.notes, state?.welds.map((w) => w.confirmable)]);
    if (key === this.last) return;
    this.last = key;
    this.at = -1;
    const asks = asking(state);
    const several = asks.filter((flag) => flag.box).length > 1;
    this.element.hidden = asks.length === 0;
    put(
      this.element,
      h(
        "div",
        { class: "row apart" },
        h("h3", null, asks.length === 1 ? "1 doubt, look at its place" : `${asks.length} doubts, look at their places`),
        several && button("Next doubt", this.ask, { class: "quiet" }),
      ),
      h("ol", null, ...asks.map((flag, i) => h("li", null, this.entry(flag, String(i + 1))))),
      ...(state?.welds ?? [])
        .filter((weld) => weld.confirmable)
        .map(({ index }) =>
          button(
            (state?.welds.length ?? 0) > 1
              ? `Outline of weld ${index + 1} is right as it is`
              : "Outline is right as it is",
            () => this.confirm(index),
            { class: "quiet" },
          ),
        ),
    );
    const others = (state?.flags ?? []).filter((f) => !f.asks);
    const notes = state?.notes ?? [];
    this.rest.hidden = others.length + notes.length === 0;
    put(
      this.rest,
      h("summary", null, `Also to know (${others.length + notes.length})`),
      h(
        "ul",
        null,
        ...others.map((flag) => h("li", null, this.entry(flag, ""))),
        ...notes.map((n) => h("li", null, h("p", null, n))),
      ),
    );
  }

  private entry(flag: FlagState, number: string): HTMLElement {
    const inside = [number ? h("span", { class: "badge" }, number) : null, h("span", null, flag.text)];
    const { box } = flag;
    if (!box) return h("p", { class: "doubt" }, ...inside);
    return h("button", { class: "doubt", attrs: { type: "button" }, on: { click: () => this.go(box) } }, ...inside);
  }

  /** Go to the next doubt that has a place; returns its text. */
  next(state: PhotoState | null): string | null {
    const placed = asking(state).filter((f) => f.box);
    if (placed.length === 0) return null;
    this.at = (this.at + 1) % placed.length;
    const flag = placed[this.at] as FlagState;
    if (flag.box) this.go(flag.box);
    return flag.text;
  }
}

export const asking = (state: PhotoState | null): FlagState[] => (state?.flags ?? []).filter((f) => f.asks);
