// The photo, tile by tile as the server cuts it: a frame never draws more than what the screen shows, whatever the
// size of the photo. The finest tiles also feed the loupe, the coarsest the counting of shades.

import TileLayer from "ol/layer/Tile.js";
import Projection from "ol/proj/Projection.js";
import ImageTile from "ol/source/ImageTile.js";
import TileGrid from "ol/tilegrid/TileGrid.js";
import { api } from "./api.ts";
import type { Curve, Point } from "./curves.ts";
import type { PhotoView } from "./protocol.ts";

/** Screen pixels per photo pixel from which single pixels are shown as squares. */
const SQUARES_FROM = 4;
/** Tiles kept decoded for the loupe. */
const MOST_KEPT = 120;

export class Picture {
  readonly width: number;
  readonly height: number;
  readonly extent: [number, number, number, number];
  readonly projection: Projection;
  private readonly finest: number;
  private readonly kept = new Map<string, Promise<HTMLImageElement>>();
  private readonly ready = new Map<string, HTMLImageElement>();

  constructor(readonly view: PhotoView) {
    this.width = view.width;
    this.height = view.height;
    this.finest = view.levels.length - 1;
    this.extent = [0, 0, view.width, view.height];
    this.projection = new Projection({ code: "photo-px", units: "pixels", extent: this.extent });
  }

  /** Photo px (pixel centres at whole numbers, y down) to the map's coordinates (y up), and back. */
  toMap(p: Point): [number, number] {
    return [p[0] + 0.5, this.height - p[1] - 0.5];
  }

  fromMap(c: readonly number[]): Point {
    return [(c[0] as number) - 0.5, this.height - (c[1] as number) - 0.5];
  }

  curveToMap(curve: Curve): [number, number][] {
    return curve.map((p) => this.toMap(p));
  }

  layers(): TileLayer<ImageTile>[] {
    const side = this.view.tile_px;
    const tileGrid = new TileGrid({
      extent: this.extent,
      origin: [0, this.height],
      resolutions: this.view.levels.map((_, z) => 2 ** (this.finest - z)),
      tileSize: side,
    });
    return [true, false].map(
      (smooth) =>
        new TileLayer({
          className: "photo-pixels",
          source: new ImageTile({
            projection: this.projection,
            tileGrid,
            interpolate: smooth,
            transition: 0,
            wrapX: false,
            loader: async (z, x, y) => whole(await this.tile(z, x, y), side),
          }),
          ...(smooth ? { minResolution: 1 / SQUARES_FROM } : { maxResolution: 1 / SQUARES_FROM }),
        }),
    );
  }

  private tile(z: number, x: number, y: number): Promise<HTMLImageElement> {
    const key = `${z}/${x}/${y}`;
    const had = this.kept.get(key);
    if (had) return had;
    const wanted = loaded(api.tile(this.view.id, z, x, y));
    this.kept.set(key, wanted);
    wanted.then(
      (image) => this.keep(key, image),
      () => this.kept.delete(key),
    );
    return wanted;
  }

  /** Forget tiles that are still asked for. */
  forget(): void {
    for (const key of this.kept.keys()) if (!this.ready.has(key)) this.kept.delete(key);
  }

  private keep(key: string, image: HTMLImageElement): void {
    this.ready.set(key, image);
    if (this.ready.size <= MOST_KEPT) return;
    for (const old of this.ready.keys()) {
      if (old.startsWith("0/")) continue;
      this.ready.delete(old);
      this.kept.delete(old);
      return;
    }
  }

  /** Draw a part of the photo (left, top, width, height in px from the photo's corner) to fill a canvas. */
  paint(pen: CanvasRenderingContext2D, part: readonly [number, number, number, number], again: () => void): void {
    const [left, top, wide, high] = part;
    const { width: across, height: down } = pen.canvas;
    const side = this.view.tile_px;
    const coarse = this.ready.get("0/0/0");
    const [sx, sy] = [across / wide, down / high];
    if (coarse) pen.drawImage(coarse, -left * sx, -top * sy, this.width * sx, this.height * sy);
    for (let y = Math.max(0, Math.floor(top / side)); y * side < Math.min(top + high, this.height); y++) {
      for (let x = Math.max(0, Math.floor(left / side)); x * side < Math.min(left + wide, this.width); x++) {
        const image = this.ready.get(`${this.finest}/${x}/${y}`);
        if (!image) {
          this.tile(this.finest, x, y).then(again, () => undefined);
          continue;
        }
        const [w, h] = [image.naturalWidth, image.naturalHeight];
        pen.drawImage(image, (x * side - left) * sx, (y * side - top) * sy, w * sx, h * sy);
      }
    }
  }

  /** How often each of 256 shades occurs in a part of the photo (left, top, right, bottom px), as seen from afar. */
  async shades(part: readonly [number, number, number, number]): Promise<Uint32Array> {
    const coarse = await this.tile(0, 0, 0);
    const share = coarse.naturalWidth / this.width;
    const side = 160;
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = side;
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    const counts = new Uint32Array(256);
    if (!pen) return counts;
    const [left, top, right, bottom] = part.map((v) => v * share) as [number, number, number, number];
    pen.drawImage(coarse, left, top, Math.max(1, right - left), Math.max(1, bottom - top), 0, 0, side, side);
    const { data } = pen.getImageData(0, 0, side, side);
    for (let i = 0; i < data.length; i += 4) {
      if (data[i + 3] === 0) continue;
      // luma of ITU-R BT.601
      const luma = 0.299 * (data[i] ?? 0) + 0.587 * (data[i + 1] ?? 0) + 0.114 * (data[i + 2] ?? 0);
      counts[Math.round(luma)]! += 1;
    }
    return counts;
  }
}

async function loaded(url: string): Promise<HTMLImageElement> {
  const image = new Image();
  image.decoding = "async";
  image.src = url;
  await image.decode();
  return image;
}

/** A tile at the photo's edge is cut off; the map wants all of one size. */
function whole(image: HTMLImageElement, side: number): HTMLImageElement | HTMLCanvasElement {
  if (image.naturalWidth === side && image.naturalHeight === side) return image;
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = side;
  canvas.getContext("2d")?.drawImage(image, 0, 0);
  return canvas;
}
