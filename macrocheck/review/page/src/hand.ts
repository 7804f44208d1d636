// The hand on the photo, be it a mouse, a finger, a pen or the keyboard's cursor: from gestures to edits.

import PointerInteraction from "ol/interaction/Pointer.js";
import type MapBrowserEvent from "ol/MapBrowserEvent.js";
import { distance, plus, type Point } from "./curves.ts";
import type { Session } from "./desk.ts";
import type { Edit, Joint } from "./protocol.ts";
import { handlesOf, nearestCurve, nearestWeld, under, type Handle } from "./scene.ts";
import { toolOf, type Tool, type ToolId } from "./tools.ts";
import type { Drawn, View } from "./view.ts";

type Browser = MapBrowserEvent<PointerEvent>;

const CLICK_PX = 4;
const REACH_CSS = 42;
/** Points closer than this on the screen, CSS px, are left out of a stroke. */
const STROKE_STEP = 3;

export class Hand {
  readonly interaction: PointerInteraction;
  tool: Tool = toolOf("move");
  /** Where the keyboard's cursor is, px; null until an arrow key is pressed. */
  cursor: Point | null = null;
  pointer: Point | null = null;
  touching = false;
  toesKeep = true;
  drawJoint: Joint = "tee";
  draft: Point[] = [];
  selected: Handle | null = null;
  private hovered: Handle | null = null;
  private carried: { handle: Handle; from: Point; to: Point; byKey: boolean } | null = null;
  private pending: Map<string, Point[]> = new Map();
  private down: { at: Point; pixel: Point; moved: boolean } | null = null;
  private freehand: Point[] = [];
  private handles: Handle[] = [];

  constructor(
    private readonly session: Session,
    private readonly view: () => View,
    private readonly redraw: () => void,
    private readonly askLength: (ends: [Point, Point]) => void,
    private readonly tellReader: (text: string) => void,
  ) {
    this.interaction = new PointerInteraction({
      handleDownEvent: (event) => this.press(event as unknown as Browser),
      handleDragEvent: (event) => this.drag(event as unknown as Browser),
      handleUpEvent: (event) => this.lift(event as unknown as Browser),
      handleMoveEvent: (event) => this.hover(event as unknown as Browser),
    });
  }

  // What is drawn

  drawn(more: Pick<Drawn, "showFound" | "showDoubts">, keyboard: boolean): Drawn {
    const { state } = this.session.desk;
    const carried = this.carried;
    const live = carried ? { ...carried.handle, at: this.snapped() } : this.live;
    return {
      ...more,
      state,
      handles: this.handles,
      showHandles: this.tool.id === "move" || this.tool.id === "scale",
      live,
      preview: carried ? carried.handle.preview(carried.to, this.how) : this.pending,
      draft: this.freehand.length ? this.freehand : this.draft,
      cursor: keyboard ? this.cursor : null,
    };
  }

  /** What a drag, a key or the remove button would act on. */
  get live(): Handle | null {
    if (this.carried) return this.carried.handle;
    return this.selected ?? (this.tool.gesture === "grab" ? this.hovered : null);
  }

  get chosen(): Handle | null {
    return this.carried?.handle ?? this.selected;
  }

  get carrying(): boolean {
    return this.carried !== null;
  }

  /** Where the eye is: for the loupe. */
  get eye(): Point | null {
    return this.carried ? this.snapped() : this.pointer;
  }

  get wantsLoupe(): boolean {
    return this.carried !== null || this.down !== null || this.tool.gesture !== "grab" || this.hovered !== null;
  }

  private snapped(): Point {
    const c = this.carried;
    if (!c) return [0, 0];
    for (const curve of c.handle.preview(c.to, this.how).values()) {
      if (c.handle.kind === "point" && !c.handle.key.endsWith("joint_root")) {
        const [a, b] = [curve[0] as Point, curve[curve.length - 1] as Point];
        return distance(a, c.to) < distance(b, c.to) ? a : b;
      }
    }
    return c.to;
  }

  private get how(): { free: boolean; reach: number } {
    return { free: !this.toesKeep, reach: Math.max(2, REACH_CSS * this.view().resolution) };
  }

  /** The state is new: what was on its way has arrived. */
  arrived(): void {
    const { state } = this.session.desk;
    this.handles = state ? handlesOf(state) : [];
    this.pending = new Map();
    this.selected = this.handles.find((h) => h.key === this.selected?.key) ?? null;
    this.hovered = null;
    if (state?.joint) this.drawJoint = state.joint;
  }

  choose(id: ToolId): void {
    this.cancel();
    this.tool = toolOf(id);
    this.selected = null;
    this.hovered = null;
    this.redraw();
  }

  /** Let go of everything half done; returns whether there was anything. */
  cancel(): boolean {
    const had = this.carried !== null || this.draft.length > 0 || this.freehand.length > 0 || this.selected !== null;
    this.carried = null;
    this.down = null;
    this.draft = [];
    this.freehand = [];
    this.selected = null;
    this.redraw();
    return had;
  }

  // Mouse, finger, pen

  private at(event: Browser): Point {
    return this.view().picture?.fromMap(event.coordinate) ?? [0, 0];
  }

  private tolerance(event: Browser | null): number {
    return (event?.originalEvent.pointerType === "touch" ? 24 : 11) * this.view().resolution;
  }

  private press(event: Browser): boolean {
    const { originalEvent: original, activePointers } = event;
    const many = (activePointers?.length ?? 1) > 1;
    this.touching = original.pointerType === "touch";
    if (many || original.button > 0 || !this.session.mayEdit) return false;
    const at = this.at(event);
    this.pointer = at;
    // a mouse clicks a spot and drags the photo; a finger aims with the loupe until it lifts
    if (this.tool.gesture === "spot" && !this.touching) return false;
    this.down = { at, pixel: event.pixel as unknown as Point, moved: false };
    if (this.tool.gesture === "grab") {
      const { state } = this.session.desk;
      const handle = state && under(state, this.handles, at, this.tolerance(event));
      if (!handle) {
        this.selected = null;
        this.down = null; // the map has this drag, and no end of it comes here
        this.redraw();
        return false;
      }
      this.carried = { handle, from: at, to: handle.at, byKey: false };
      this.redraw();
      return true;
    }
    this.redraw();
    return true;
  }

  private drag(event: Browser): void {
    const at = this.at(event);
    this.pointer = at;
    if (!this.down) return;
    if ((event.activePointers?.length ?? 1) > 1) {
      // a second finger: the map zooms, and what the first one began is left
      this.carried = null;
      this.freehand = [];
      this.down = null;
      this.pointer = null;
      this.redraw();
      return;
    }
    if (distance(event.pixel as unknown as Point, this.down.pixel) > CLICK_PX) this.down.moved = true;
    if (this.carried) {
      // the grip stays where it was taken: what is grabbed beside its middle does not jump
      const grip = [
        this.carried.handle.at[0] - this.carried.from[0],
        this.carried.handle.at[1] - this.carried.from[1],
      ] as const;
      if (this.down.moved) this.carried.to = plus(at, grip);
    } else if (this.down.moved && this.tool.gesture === "ends") {
      this.freehand = [this.down.at, at];
    } else if (this.down.moved && this.tool.gesture === "path" && this.tool.id !== "draw") {
      const last = this.freehand[this.freehand.length - 1];
      if (!last) this.freehand = [this.down.at, at];
      else if (distance(last, at) > STROKE_STEP * this.view().resolution) this.freehand.push(at);
    }
    this.redraw();
  }

  private lift(event: Browser): boolean {
    const { down, carried, freehand } = this;
    this.down = null;
    this.freehand = [];
    if (this.touching) this.pointer = null;
    if (!down) return false;
    if (carried) {
      this.carried = null;
      if (down.moved) this.drop(carried.handle, carried.to);
      else this.selected = carried.handle;
    } else if (down.moved && freehand.length > 1) {
      this.draft = freehand;
      this.finish();
    } else if (!down.moved || this.tool.gesture === "spot" || this.tool.id === "draw") {
      this.click(this.at(event));
    }
    this.redraw();
    return false;
  }

  private hover(event: Browser): void {
    if (event.originalEvent.pointerType === "touch") return;
    this.touching = false;
    this.pointer = this.at(event);
    const { state } = this.session.desk;
    const grab = this.tool.gesture === "grab" && state && this.session.mayEdit;
    this.hovered = grab ? under(state, this.handles, this.pointer, this.tolerance(event)) : null;
    this.redraw();
  }

  /** A click of the mouse that moved nothing. */
  clicked(event: Browser): void {
    if (this.tool.gesture === "spot" && !this.touching) this.click(this.at(event));
  }

  left(): void {
    if (this.down) return;
    this.pointer = null;
    this.hovered = null;
    this.redraw();
  }

  // The keyboard's cursor

  step(dx: number, dy: number): Point {
    const from = this.carried?.byKey ? this.carried.to : (this.cursor ?? this.view().middle());
    const to: Point = [from[0] + dx, from[1] + dy];
    this.cursor = to;
    if (this.carried?.byKey) this.carried.to = to;
    this.view().reveal(to);
    this.redraw();
    return to;
  }

  /** The next or previous thing to grab, in the order of `handles`; the cursor goes there. */
  jump(by: 1 | -1): void {
    const stops = this.handles.filter((h) => h.kind !== "vertex" || h.hand);
    const all = [...stops, ...this.handles.filter((h) => !stops.includes(h))];
    if (all.length === 0 || this.carried) return;
    const now = all.findIndex((h) => h.key === this.selected?.key);
    const handle = all[now < 0 ? (by > 0 ? 0 : all.length - 1) : (now + by + all.length) % all.length] as Handle;
    this.selected = handle;
    this.cursor = handle.at;
    this.view().reveal(handle.at);
    this.tellReader(`${handle.label}. Enter takes it up.`);
    this.redraw();
  }

  /** Enter at the cursor: take up or drop, click, or set a point. */
  act(): void {
    const { state } = this.session.desk;
    const at = this.cursor;
    if (!at || !state || !this.session.mayEdit) return;
    if (this.carried?.byKey) {
      const { handle, to } = this.carried;
      this.carried = null;
      this.drop(handle, to);
    } else if (this.tool.gesture === "grab") {
      const handle = this.chosen ?? under(state, this.handles, at, this.tolerance(null));
      if (handle?.move) {
        this.carried = { handle, from: handle.at, to: handle.at, byKey: true };
        this.cursor = handle.at;
        this.tellReader(`Taken up: ${handle.label}. Arrows move it, Enter drops it, Escape leaves it.`);
      } else this.tellReader(handle ? `${handle.label}: Delete takes it away.` : "Nothing to take up here.");
    } else this.click(at);
    this.redraw();
  }

  takeBack(): void {
    this.draft = this.draft.slice(0, -1);
    this.redraw();
  }

  remove(): void {
    const { chosen } = this;
    if (!chosen?.remove || !this.session.mayEdit) return;
    this.selected = null;
    this.carried = null;
    // a curve has a vertex every pixel or two: what is taken out is what one handle stands for
    const { remove } = chosen;
    this.send(remove.kind === "remove_vertex" ? { ...remove, reach_px: this.how.reach / 2 } : remove);
  }

  // From gestures to edits

  private click(at: Point): void {
    const { id, gesture } = this.tool;
    if (!this.session.mayEdit) return;
    if (gesture === "spot") {
      if (id === "edge" || id === "butting") this.send({ kind: "hint", hint: id, at });
      else this.send({ kind: id === "avoid" ? "avoid" : "pass_through", at });
      return;
    }
    const last = this.draft[this.draft.length - 1];
    const first = this.draft[0];
    const near = 8 * this.view().resolution;
    const again = last && distance(last, at) < near / 2;
    const closed = id === "void" && first && this.draft.length > 2 && distance(first, at) < near;
    if (gesture === "path" && id !== "draw" && (again || closed)) {
      this.finish();
      return;
    }
    this.draft = [...this.draft, at];
    this.tellReader(`Point ${this.draft.length} set.`);
    if (gesture === "ends" && this.draft.length === 2) this.finish();
    if (id === "draw" && this.draft.length === (this.drawJoint === "bead" ? 2 : 3)) this.finish();
  }

  /** What was drawn is done: send it. */
  finish(): void {
    const { state } = this.session.desk;
    const points = this.draft;
    this.draft = [];
    const [first, second, third] = points;
    if (!state || !first || !second) return;
    const weld = nearestWeld(state, first);
    switch (this.tool.id) {
      case "unfused":
      case "fused":
        this.send({ kind: "mark_span", weld, state: this.tool.id, start: first, end: second });
        break;
      case "scale":
        this.askLength([first, second]);
        break;
      case "redraw": {
        const feature = nearestCurve(state, first);
        if (feature) this.send({ kind: "redraw", feature: feature.id, points: thinned(points) });
        break;
      }
      case "void":
        if (points.length > 2) this.send({ kind: "add_void", weld, points: thinned(points) });
        break;
      case "indication":
        this.send({ kind: "add_indication", weld, points: thinned(points) });
        break;
      case "draw": {
        const joint = this.drawJoint;
        if (joint === "bead") {
          this.send({ kind: "draw_weld", joint, toe_butting: first, toe_nonbutting: second });
        } else if (third) {
          this.send({ kind: "draw_weld", joint, toe_butting: first, joint_root: second, toe_nonbutting: third });
        }
        this.choose("move");
        break;
      }
    }
    this.redraw();
  }

  private drop(handle: Handle, to: Point): void {
    if (!handle.move) return;
    this.pending = handle.preview(to, this.how);
    this.cursor = this.cursor ? to : null;
    this.send(handle.move(to, this.how));
  }

  private send(edit: Edit): void {
    void this.session.edit(edit, this.view().resolution).then((done) => {
      if (done) return;
      this.pending = new Map();
      this.redraw();
    });
  }
}

const MOST_POINTS = 2000;

function thinned(points: Point[]): Point[] {
  const step = Math.ceil(points.length / MOST_POINTS);
  return step <= 1 ? points : points.filter((_, i) => i % step === 0 || i === points.length - 1);
}
