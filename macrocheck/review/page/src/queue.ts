// The strip of photos over the page: where one is, what is left, what was decided.

import { button, h, put, svg } from "./dom.ts";
import type { Desk, Session } from "./desk.ts";
import type { QueueItem } from "./protocol.ts";

export class QueueStrip {
  readonly element: HTMLElement;
  private readonly list = h("ol", { class: "strip", attrs: { "aria-label": "Photos, doubtful ones first" } });
  private readonly progress = h("p", { class: "progress" });
  private readonly before: HTMLButtonElement;
  private readonly after: HTMLButtonElement;
  private last = "";
  private readonly tiles = new Map<string, { key: string; node: HTMLLIElement }>();

  constructor(
    private readonly session: Session,
    add: () => void,
    private readonly unit: () => void,
    help: () => void,
  ) {
    this.before = button("‹ Previous", () => this.go(-1));
    this.after = button("Next ›", () => this.go(1));
    this.unitButton = button("", () => this.unit(), { class: "unit" });
    this.element = h(
      "header",
      { class: "queue dark" },
      this.before,
      this.list,
      this.after,
      this.progress,
      h("span", { class: "row" }, button("Add photos", add, { class: "add" }), this.unitButton, button("Help", help)),
    );
  }

  private readonly unitButton: HTMLButtonElement;

  go(step: 1 | -1): void {
    const id = this.session.beside(step);
    if (id) void this.session.open(id);
  }

  show(desk: Desk): void {
    const { queue } = desk;
    const key = JSON.stringify([queue, desk.id, desk.unit]);
    if (key === this.last) return;
    this.last = key;
    const focused = (document.activeElement as HTMLElement | null)?.dataset["photo"];
    this.before.disabled = !this.session.beside(-1);
    this.after.disabled = !this.session.beside(1);
    this.unitButton.textContent = desk.unit === "mm" ? "mm" : "inch";
    this.unitButton.setAttribute(
      "aria-label",
      desk.unit === "mm" ? "Lengths in mm; change to inches" : "Lengths in inches; change to mm",
    );
    this.showTiles(queue.items, desk.id);
    const aside = queue.look_again ? `, ${queue.look_again} put aside` : "";
    const waiting = queue.waiting ? `, ${queue.waiting} being measured` : "";
    const bar = h(
      "span",
      { class: "track", attrs: { "aria-hidden": "true" } },
      h("span", { class: "accepted" }),
      h("span", { class: "aside" }),
    );
    const share = (n: number): string => `${queue.total ? (100 * n) / queue.total : 0}%`;
    (bar.firstElementChild as HTMLElement).style.width = share(queue.accepted);
    (bar.lastElementChild as HTMLElement).style.width = share(queue.look_again);
    put(this.progress, h("span", null, `${queue.accepted} of ${queue.total} accepted${aside}${waiting}`), bar);
    for (const tile of this.list.querySelectorAll<HTMLElement>("[data-photo]")) {
      if (tile.dataset["photo"] === focused) tile.focus();
      if (tile.getAttribute("aria-current")) tile.scrollIntoView({ block: "nearest", inline: "nearest" });
    }
  }

  /** A tile is made anew only where something about it changed: pictures do not flicker, and the focus stays. */
  private showTiles(items: readonly QueueItem[], open: string | null): void {
    const wanted = items.map((item) => {
      const key = JSON.stringify([item, item.id === open]);
      const had = this.tiles.get(item.id);
      const tile = had?.key === key ? had : { key, node: h("li", null, this.tile(item, item.id === open)) };
      this.tiles.set(item.id, tile);
      return tile.node;
    });
    const now = [...this.list.children];
    if (now.length !== wanted.length || wanted.some((node, i) => node !== now[i])) put(this.list, ...wanted);
  }

  private tile(item: QueueItem, open: boolean): HTMLElement {
    const [sign, words] = standing(item);
    const image =
      item.thumb && item.stage !== "failed"
        ? h("img", { attrs: { src: item.thumb, alt: "", width: 44, height: 33, loading: "lazy" } })
        : h("span", { class: "blank" });
    return h(
      "button",
      {
        class: "tile",
        attrs: {
          type: "button",
          title: `${item.name}: ${words}`,
          "aria-label": `${item.name}: ${words}`,
          "aria-current": open ? "true" : null,
          "data-photo": item.id,
        },
        on: { click: () => void this.session.open(item.id) },
      },
      image,
      h("span", { class: "tile-name" }, item.name),
      sign,
    );
  }
}

/** The sign and the words of where a photo stands: each with a shape of its own. */
function standing(item: QueueItem): [SVGSVGElement, string] {
  const box = (...parts: SVGElement[]): SVGSVGElement =>
    svg("svg", { viewBox: "0 0 14 14", width: 14, height: 14, "aria-hidden": "true", class: "standing" }, ...parts);
  const pen = { fill: "none", stroke: "currentColor", "stroke-width": 2, "stroke-linecap": "round" as const };
  if (item.stage === "failed")
    return [box(svg("path", { d: "M3 3l8 8M11 3l-8 8", ...pen })), `cannot be used: ${item.problem ?? ""}`];
  if (item.decision?.word === "accept") return [box(svg("path", { d: "M2 8l3.5 3.5L12 3", ...pen })), "accepted"];
  if (item.decision)
    return [
      box(svg("path", { d: "M11.5 7a4.5 4.5 0 1 1-1.6-3.4M10 1v3H7", ...pen })),
      `put aside: ${item.decision.reason}`,
    ];
  if (item.stage !== "ready")
    return [box(svg("circle", { cx: 7, cy: 7, r: 4.5, ...pen, "stroke-dasharray": "2 3" })), "being measured"];
  if (item.doubts > 0) {
    const words = item.doubts === 1 ? "1 doubt to look at" : `${item.doubts} doubts to look at`;
    return [
      box(svg("path", { d: "M3 13V1.5h8l-2 3 2 3H3", ...pen })),
      `${words}${item.held ? ", open in a window" : ""}`,
    ];
  }
  return [
    box(svg("circle", { cx: 7, cy: 7, r: 4.5, ...pen })),
    item.edited ? "corrected, to be decided" : "to be looked at",
  ];
}
