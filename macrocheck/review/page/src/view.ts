// The photo on the screen with what is drawn on it: a map whose coordinates are px of the photo.

import Feature from "ol/Feature.js";
import OlMap from "ol/Map.js";
import OlView from "ol/View.js";
import { defaults as defaultInteractions } from "ol/interaction/defaults.js";
import DragPan from "ol/interaction/DragPan.js";
import Kinetic from "ol/Kinetic.js";
import type PointerInteraction from "ol/interaction/Pointer.js";
import LineString from "ol/geom/LineString.js";
import OlPoint from "ol/geom/Point.js";
import TileLayer from "ol/layer/Tile.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import type Style from "ol/style/Style.js";
import { asking } from "./doubts.ts";
import { distance, type Curve, type Point } from "./curves.ts";
import type { LoupeLine } from "./loupe.ts";
import type { Picture } from "./picture.ts";
import type { PhotoState } from "./protocol.ts";
import { extension, type Handle } from "./scene.ts";
import { badgeStyle, cursorStyles, handleStyles, LINES, lineStyles, type Line } from "./strokes.ts";

/** Screen px to one photo px at the deepest zoom. */
const DEEPEST = 32;
/** Least distance of small handles on the screen, CSS px. */
const HANDLE_GAP = 30;

export type Drawn = {
  state: PhotoState | null;
  handles: readonly Handle[];
  showHandles: boolean;
  showFound: boolean;
  showDoubts: boolean;
  live: Handle | null;
  preview: Map<string, Point[]>;
  draft: Curve;
  cursor: Point | null;
};

export class View {
  readonly map: OlMap;
  picture: Picture | null = null;
  private readonly source = new VectorSource();
  private readonly vector = new VectorLayer({
    source: this.source,
    updateWhileAnimating: true,
    updateWhileInteracting: true,
    renderBuffer: 100_000,
  });

  constructor(
    readonly host: HTMLElement,
    interaction: PointerInteraction,
  ) {
    const pan = new DragPan({
      kinetic: new Kinetic(-0.005, 0.05, 100),
      condition: (event) => {
        const pointer = event.originalEvent as PointerEvent;
        return pointer.pointerType !== "mouse" || pointer.button < 2;
      },
    });
    this.map = new OlMap({
      target: host,
      controls: [],
      interactions: defaultInteractions({
        keyboard: false,
        doubleClickZoom: false,
        altShiftDragRotate: false,
        pinchRotate: false,
        dragPan: false,
        shiftDragZoom: false,
      }).extend([pan, interaction]),
      layers: [this.vector],
      moveTolerance: 3,
    });
    new ResizeObserver(() => this.map.updateSize()).observe(host);
  }

  show(picture: Picture): void {
    this.picture = picture;
    this.map.setLayers([...picture.layers(), this.vector]);
    this.source.clear();
    const room = 0.5 * Math.max(picture.width, picture.height);
    const { extent } = picture;
    this.map.setView(
      new OlView({
        projection: picture.projection,
        extent: [extent[0] - room, extent[1] - room, extent[2] + room, extent[3] + room],
        smoothExtentConstraint: true,
        showFullExtent: true,
        center: [picture.width / 2, picture.height / 2],
        resolution: 1,
        minResolution: 1 / DEEPEST,
        constrainResolution: false,
        enableRotation: false,
      }),
    );
    this.fit(null, false);
  }

  /** Ask anew for tiles that could not be had. */
  refresh(): void {
    this.picture?.forget();
    for (const layer of this.map.getLayers().getArray()) if (layer instanceof TileLayer) layer.getSource()?.refresh();
  }

  clear(): void {
    this.picture = null;
    this.source.clear();
    this.map.setLayers([this.vector]);
  }

  /** Photo px to one CSS px. */
  get resolution(): number {
    return this.map.getView().getResolution() ?? 1;
  }

  /** Show a box (left, top, right, bottom px), or the whole photo. */
  fit(box: readonly [number, number, number, number] | null, smooth = true): void {
    const { picture } = this;
    if (!picture || !this.map.getSize()) return;
    const [x0, y0, x1, y1] = box ?? [-0.5, -0.5, picture.width - 0.5, picture.height - 0.5];
    const [left, top] = picture.toMap([x0, y0]);
    const [right, bottom] = picture.toMap([x1, y1]);
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    this.map.getView().fit([left, bottom, right, top], {
      padding: [16, 68, 16, 16], // on the right lie the buttons that zoom
      minResolution: 0.12,
      duration: smooth && !still ? 220 : 0,
    });
  }

  zoom(factor: number, about: Point | null): void {
    const view = this.map.getView();
    const anchor = about && this.picture ? this.picture.toMap(about) : undefined;
    view.adjustResolution(1 / factor, anchor);
  }

  /** Move the view by CSS px. */
  pan(dx: number, dy: number): void {
    const view = this.map.getView();
    view.adjustCenter([dx * this.resolution, -dy * this.resolution]);
  }

  /** Bring a place into view where it is not. */
  reveal(at: Point): void {
    const size = this.map.getSize();
    const pixel = this.toScreen(at);
    if (!size || !pixel || !this.picture) return;
    const [w, h] = size as [number, number];
    if (pixel[0] > 24 && pixel[1] > 24 && pixel[0] < w - 24 && pixel[1] < h - 24) return;
    this.map.getView().setCenter(this.picture.toMap(at));
    this.map.renderSync();
  }

  toScreen(at: Point): Point | null {
    const pixel = this.picture && this.map.getPixelFromCoordinate(this.picture.toMap(at));
    return pixel ? [pixel[0] as number, pixel[1] as number] : null;
  }

  middle(whole = true): Point {
    const centre = this.map.getView().getCenter() ?? [0, 0];
    const at = this.picture?.fromMap(centre) ?? [0, 0];
    return whole ? [Math.round(at[0]), Math.round(at[1])] : at;
  }

  /** Left, top, right, bottom (px) of what is in view. */
  inView(): [number, number, number, number] {
    const extent = this.map.getView().calculateExtent() as [number, number, number, number];
    const picture = this.picture;
    if (!picture) return [0, 0, 1, 1];
    return [
      Math.max(0, extent[0]),
      Math.max(0, picture.height - extent[3]),
      Math.min(picture.width, extent[2]),
      Math.min(picture.height, picture.height - extent[1]),
    ];
  }

  draw(drawn: Drawn): void {
    const { picture } = this;
    this.source.clear(true);
    if (!picture) return;
    const features: Feature[] = [];
    const line = (curve: Curve, styles: Style[]): void => {
      if (curve.length < 2) return;
      const feature = new Feature(new LineString(picture.curveToMap(curve)));
      feature.setStyle(styles);
      features.push(feature);
    };
    const spot = (at: Point, styles: Style[]): void => {
      const feature = new Feature(new OlPoint(picture.toMap(at)));
      feature.setStyle(styles);
      features.push(feature);
    };
    for (const { curve, look, z } of curvesOf(drawn)) line(curve, lineStyles(look, z));
    if (drawn.state && drawn.showDoubts) {
      asking(drawn.state).forEach((flag, i) => {
        const at = flag.where_px[Math.floor(flag.where_px.length / 2)];
        if (at) spot(at, [badgeStyle(String(i + 1))]);
      });
    }
    line(drawn.draft, lineStyles(LINES.draft, 40));
    for (const at of drawn.draft.length < 40 ? drawn.draft : [])
      spot(at, handleStyles({ ...DRAFT, at }, true).slice(1));
    for (const handle of this.shownHandles(drawn)) spot(handle.at, handleStyles(handle, false));
    if (drawn.live) spot(drawn.live.at, handleStyles(drawn.live, true));
    if (drawn.cursor) spot(drawn.cursor, cursorStyles());
    this.source.addFeatures(features);
  }

  /** The handles that fit on the screen without crowding each other. */
  private shownHandles(drawn: Drawn): Handle[] {
    const out: Handle[] = [];
    let last: Handle | null = null;
    for (const handle of drawn.handles) {
      const crowded = (other: Handle): boolean =>
        other.kind === "point" && distance(other.at, handle.at) < 18 * this.resolution;
      if (handle.kind === "surface" && drawn.handles.some(crowded)) continue;
      const small = handle.kind === "vertex" || handle.kind === "void" || handle.kind === "indication";
      if (!drawn.showHandles && handle.kind !== "hint" && handle.kind !== "point") continue;
      if (small && last && distance(last.at, handle.at) < HANDLE_GAP * this.resolution && !handle.hand) continue;
      const moved = [...drawn.preview.keys()].some(
        (id) => handle.key.startsWith(`${id}#`) || handle.key.startsWith(`${id}/`),
      );
      if (!moved && drawn.live?.key !== handle.key) out.push(handle);
      if (small) last = handle;
    }
    return out;
  }

  loupeLines(drawn: Drawn): LoupeLine[] {
    return curvesOf(drawn).map(({ curve, look }) => ({
      curve,
      colour: look.colour,
      width: Math.min(look.width, 3) * 0.7,
      ...(look.dash ? { dash: look.dash } : {}),
    }));
  }
}

const DRAFT: Handle = {
  key: "draft",
  kind: "vertex",
  at: [0, 0],
  label: "",
  hand: false,
  move: null,
  remove: null,
  preview: () => new Map(),
};

function curvesOf(drawn: Drawn): { curve: Curve; look: Line; z: number }[] {
  const { state, preview } = drawn;
  const out: { curve: Curve; look: Line; z: number }[] = [];
  if (!state) return out;
  state.scale?.marks.forEach((mark, m) => {
    const ends = preview.get(`scale/${m}`) ?? mark.ends;
    if (ends) out.push({ curve: ends, look: LINES.scale, z: 10 });
  });
  for (const weld of state.welds) {
    if (drawn.showFound) {
      const byHand = new Set(weld.features.filter((f) => f.by_hand || preview.has(f.id)).map((f) => f.part));
      for (const f of weld.found) {
        if (byHand.has(f.part) && f.shape !== "point") out.push({ curve: f.points, look: LINES.found, z: 5 });
      }
    }
    for (const span of weld.spans) out.push({ curve: span.points, look: LINES.span, z: 18 });
    for (const f of weld.features) {
      if (f.shape === "point") continue;
      const points = preview.get(f.id) ?? f.points;
      const curve = f.shape === "ring" ? [...points, points[0] as Point] : points;
      out.push({ curve, look: LINES[f.part], z: f.part === "fusion" ? 22 : f.part === "face" ? 20 : 12 });
      if (f.part.startsWith("surface_") && f.part !== "surface_top" && !preview.has(f.id)) {
        const more = extension(weld, points);
        if (more) out.push({ curve: more, look: LINES.extension, z: 11 });
      }
    }
  }
  return out;
}
