// The loupe: the surroundings of the pointer, enlarged, with what is drawn there.

import { h } from "./dom.ts";
import type { Picture } from "./picture.ts";
import type { Curve, Point } from "./curves.ts";

export type LoupeLine = { curve: Curve; colour: string; dash?: number[]; width?: number };

const SIDE = 156;

export class Loupe {
  readonly element: HTMLElement;
  private readonly canvas: HTMLCanvasElement;
  private readonly drawn: HTMLCanvasElement;
  private repaint: (() => void) | null = null;

  constructor() {
    const ratio = Math.min(3, window.devicePixelRatio || 1);
    const make = (): HTMLCanvasElement =>
      h("canvas", {
        attrs: { width: Math.round(SIDE * ratio), height: Math.round(SIDE * ratio), "aria-hidden": "true" },
      });
    this.canvas = make();
    this.canvas.classList.add("photo-pixels");
    this.drawn = make();
    this.element = h(
      "div",
      { class: "loupe", attrs: { hidden: true, "aria-hidden": "true" } },
      this.canvas,
      this.drawn,
    );
  }

  hide(): void {
    this.element.hidden = true;
    this.repaint = null;
  }

  /** Show what lies round `at` (px), `zoom` screen px to one photo px, away from the screen place `from`. */
  show(picture: Picture, at: Point, zoom: number, lines: readonly LoupeLine[], from: Point, room: DOMRect): void {
    this.element.hidden = false;
    this.repaint = () => this.show(picture, at, zoom, lines, from, room);
    const scale = (this.canvas.width / SIDE) * zoom;
    const side = this.canvas.width;
    const reach = side / scale;
    const [left, top] = [at[0] + 0.5 - reach / 2, at[1] + 0.5 - reach / 2];
    const pen = this.canvas.getContext("2d");
    if (pen) {
      pen.fillStyle = "#1d2127";
      pen.fillRect(0, 0, side, side);
      pen.imageSmoothingEnabled = zoom < 4;
      picture.paint(pen, [left, top, reach, reach], () => this.repaint?.());
    }
    this.draw(lines, (p) => [(p[0] + 0.5 - left) * scale, (p[1] + 0.5 - top) * scale], side);
    this.place(from, room);
  }

  private draw(lines: readonly LoupeLine[], to: (p: Point) => Point, side: number): void {
    const pen = this.drawn.getContext("2d");
    if (!pen) return;
    const unit = side / SIDE;
    pen.clearRect(0, 0, side, side);
    for (const { curve, colour, dash, width } of lines) {
      const path = new Path2D();
      curve.forEach((p, i) => {
        const [x, y] = to(p);
        if (i) path.lineTo(x, y);
        else path.moveTo(x, y);
      });
      pen.setLineDash((dash ?? []).map((d) => d * unit));
      pen.globalAlpha = 0.85;
      pen.strokeStyle = colour;
      pen.lineWidth = (width ?? 1.5) * unit;
      pen.stroke(path);
    }
    pen.globalAlpha = 1;
    pen.setLineDash([]);
    const middle = side / 2;
    for (const [colour, width] of [
      ["#161b22", 4],
      ["#ffffff", 1.6],
    ] as const) {
      pen.strokeStyle = colour;
      pen.lineWidth = width * unit;
      pen.beginPath();
      for (const [dx, dy] of [
        [1, 0],
        [-1, 0],
        [0, 1],
        [0, -1],
      ] as const) {
        pen.moveTo(middle + dx * 6 * unit, middle + dy * 6 * unit);
        pen.lineTo(middle + dx * 22 * unit, middle + dy * 22 * unit);
      }
      pen.stroke();
    }
  }

  /** Beside the pointer, on whichever side has room: never under the finger. */
  private place(from: Point, room: DOMRect): void {
    const gap = 56;
    const x = from[0] + gap + SIDE < room.width - 60 ? from[0] + gap : from[0] - gap - SIDE;
    const y = Math.max(4, from[1] - gap / 2 - SIDE);
    this.element.style.transform = `translate(${Math.round(x)}px, ${Math.round(y)}px)`;
  }
}
