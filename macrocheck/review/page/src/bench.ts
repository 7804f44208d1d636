// The bench: the photo with its tools under it, the loupe over it, and what is under the pointer said in words.

import { askLength } from "./dialogs.ts";
import { button, h, put } from "./dom.ts";
import type { Point } from "./curves.ts";
import type { Desk, Session } from "./desk.ts";
import { Hand } from "./hand.ts";
import { LightFilter, PLAIN, type Light } from "./light.ts";
import { Loupe } from "./loupe.ts";
import { Picture } from "./picture.ts";
import type { Joint } from "./protocol.ts";
import { weldBox } from "./scene.ts";
import { pathSign } from "./signs.ts";
import { offered, TOOLS, type ToolId } from "./tools.ts";
import { View } from "./view.ts";

const LOUPE_WORDS = ["as needed", "always", "never"] as const;

export class Bench {
  readonly element: HTMLElement;
  readonly photo: HTMLElement;
  readonly view: View;
  readonly hand: Hand;
  light: Light = { ...PLAIN };
  showFound = true;
  private loupeMode = 0;
  private readonly loupe = new Loupe();
  private readonly filter: LightFilter;
  private readonly readout = h("p", { class: "readout", attrs: { "aria-hidden": "true" } });
  private readonly prompt = h("p", { class: "prompt" });
  private readonly options = h("span", { class: "row" });
  private readonly toolButtons = new Map<ToolId, HTMLButtonElement>();
  private readonly lightRow: HTMLElement;
  private readonly banner = h("div", { class: "banner", attrs: { role: "status" } });
  private readonly live = h("p", { class: "unseen", attrs: { "aria-live": "polite" } });
  private shownId: string | null = null;
  private fitted: string | null = null;
  private frame = 0;
  private optionsKey = "";

  constructor(private readonly session: Session) {
    this.photo = h("div", {
      class: "photo dark",
      attrs: {
        tabindex: 0,
        role: "application",
        "aria-roledescription": "photo with outline",
        "aria-label": "Photo. Arrow keys move a cursor, Enter takes up or clicks, question mark opens the help.",
      },
    });
    this.hand = new Hand(
      session,
      () => this.view,
      () => this.draw(),
      (ends) => void this.scaleEnds(ends),
      (text) => this.say(text),
    );
    this.view = new View(this.photo, this.hand.interaction);
    this.photo.append(this.loupe.element);
    this.photo.addEventListener("pointerleave", () => this.hand.left());
    this.photo.addEventListener("focus", () => this.draw());
    this.photo.addEventListener("blur", () => this.draw());
    this.filter = new LightFilter(this.photo);
    this.lightRow = this.makeLightRow();
    this.element = h(
      "section",
      { class: "bench dark", attrs: { "aria-label": "Photo" } },
      h("div", { class: "stage" }, this.photo, this.banner, this.readout, this.corner()),
      h(
        "div",
        { class: "tools", attrs: { role: "group", "aria-label": "A click on the photo means" } },
        ...TOOLS.map((tool) => this.toolButton(tool.id)),
      ),
      h("div", { class: "prompt-row" }, this.prompt, this.options),
      this.lightRow,
      this.live,
    );
    this.view.map.on("click", (event) => this.hand.clicked(event as unknown as Parameters<Hand["clicked"]>[0]));
    this.view.map.on("moveend", () => this.light.equalise && void this.relight());
    this.view.map.on("postrender", () => {
      const [x, y] = this.view.middle(false);
      // where the view is, for whoever steers the page from outside
      this.photo.dataset["centre"] = `${x.toFixed(3)},${y.toFixed(3)}`;
      this.photo.dataset["resolution"] = String(this.view.resolution);
      this.drawLoupe();
    });
  }

  say(text: string): void {
    this.live.textContent = text;
  }

  // What is shown

  show(desk: Desk): void {
    const view = desk.view;
    if (view && view.id !== this.shownId) {
      this.shownId = view.id;
      this.hand.cancel();
      this.hand.cursor = null;
      this.view.show(new Picture(view));
      if (this.light.equalise) void this.relight();
    } else if (!view && this.shownId) {
      this.shownId = null;
      this.view.clear();
    }
    this.hand.arrived();
    const { state } = desk;
    if (state && this.fitted !== state.id) {
      this.fitted = state.id;
      this.showWeld(false);
    }
    this.photo.dataset["revision"] = state ? `${state.id} ${state.revision}` : "";
    this.showBanner(desk);
    this.draw();
  }

  refreshTiles(): void {
    this.view.refresh();
  }

  showWeld(smooth = true): void {
    const { state } = this.session.desk;
    this.view.fit(state ? weldBox(state) : null, smooth);
  }

  private showBanner(desk: Desk): void {
    const { heldBy, id } = desk;
    put(
      this.banner,
      heldBy &&
        h(
          "p",
          null,
          `Another window${heldBy.who ? ` (${heldBy.who})` : ""} has this photo open. Here it can only be looked at.`,
        ),
      heldBy && button("Take it over", () => void this.session.claim(true)),
      !heldBy && id && !desk.view && !desk.failed && h("p", null, "Reading the picture…"),
      !heldBy && desk.view && !desk.state && !desk.failed && h("p", null, "Measuring…"),
    );
    this.banner.hidden = !this.banner.hasChildNodes();
  }

  draw(): void {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      const keyboard = document.activeElement === this.photo;
      this.view.draw(this.hand.drawn({ showFound: this.showFound, showDoubts: true }, keyboard));
      this.drawLoupe();
      this.showWords();
    });
  }

  private drawLoupe(): void {
    const { hand, view } = this;
    const keyboard = hand.carrying || hand.tool.gesture !== "grab" || this.loupeMode === 1;
    const at = hand.eye ?? (document.activeElement === this.photo && keyboard ? hand.cursor : null);
    const wanted = this.loupeMode === 1 || (this.loupeMode === 0 && (hand.wantsLoupe || hand.eye === null));
    const from = at && view.toScreen(at);
    if (!at || !from || !wanted || !view.picture) {
      this.loupe.hide();
      return;
    }
    const zoom = Math.max(3, Math.min(12, 3 / view.resolution));
    const drawn = hand.drawn({ showFound: false, showDoubts: false }, false);
    this.loupe.show(view.picture, at, zoom, view.loupeLines(drawn), from, this.photo.getBoundingClientRect());
  }

  private showWords(): void {
    const { hand } = this;
    const { state } = this.session.desk;
    for (const [id, node] of this.toolButtons) {
      node.setAttribute("aria-pressed", String(hand.tool.id === id));
      node.disabled = !this.session.mayEdit;
      node.hidden = !offered(id, state);
    }
    this.prompt.textContent = this.promptText();
    this.showOptions();
    this.photo.classList.toggle("grab", hand.tool.gesture === "grab" && hand.live !== null);
    this.photo.classList.toggle("aim", hand.tool.gesture !== "grab");
    const at = hand.eye ?? hand.cursor;
    const live = hand.live;
    const place = at ? `${at[0].toFixed(0)}, ${at[1].toFixed(0)} px` : "";
    this.readout.textContent = [live?.label, place].filter(Boolean).join(" · ");
    this.readout.hidden = !this.readout.textContent;
  }

  private promptText(): string {
    const { hand } = this;
    const { tool, draft } = hand;
    if (tool.id === "draw") {
      const names =
        hand.drawJoint === "bead"
          ? ["the first toe", "the second toe"]
          : ["the toe on the butting member", "the joint root", "the toe on the nonbutting member"];
      return `Click ${names[draft.length] ?? ""}.`;
    }
    if (tool.gesture === "ends" && draft.length === 1) return "Now click the other end.";
    if (tool.gesture === "path" && draft.length > 0)
      return `${draft.length} points set. Click on; Done when it is complete.`;
    const { chosen } = hand;
    if (chosen) return `${chosen.label[0]?.toUpperCase()}${chosen.label.slice(1)}.`;
    return tool.prompt;
  }

  private showOptions(): void {
    const { hand } = this;
    const { chosen, tool, draft } = hand;
    const key = [
      tool.id,
      chosen?.key,
      draft.length > 0,
      draft.length > 1,
      hand.toesKeep,
      hand.drawJoint,
      this.session.mayEdit,
    ].join();
    if (key === this.optionsKey) return;
    this.optionsKey = key;
    if (draft.length > 0) {
      put(
        this.options,
        tool.gesture === "path" &&
          tool.id !== "draw" &&
          button("Done", () => hand.finish(), { attrs: { disabled: draft.length < 2 } }),
        button("Take back the last", () => hand.takeBack()),
      );
    } else if (chosen?.remove) {
      put(
        this.options,
        button(chosen.kind === "vertex" ? "Take this point out" : "Take it away", () => hand.remove()),
      );
    } else if (tool.id === "move") {
      const box = h("input", { attrs: { type: "checkbox", id: "toes-keep", checked: hand.toesKeep } });
      box.addEventListener("change", () => this.setToesKeep(box.checked));
      put(this.options, box, h("label", { attrs: { for: "toes-keep" } }, "Toes keep to the surface"));
    } else if (tool.id === "draw") {
      const select = h(
        "select",
        { attrs: { id: "draw-joint" } },
        ...(["tee", "lap", "bead"] as const).map((j) => h("option", { attrs: { value: j } }, j)),
      );
      select.value = hand.drawJoint;
      select.addEventListener("change", () => {
        hand.drawJoint = select.value as Joint;
        hand.choose("draw");
      });
      put(this.options, h("label", { attrs: { for: "draw-joint" } }, "Joint"), select);
    } else put(this.options);
  }

  setToesKeep(keep: boolean): void {
    this.hand.toesKeep = keep;
    this.say(keep ? "Toes keep to the surface." : "Toes move freely.");
    this.draw();
  }

  private toolButton(id: ToolId): HTMLButtonElement {
    const tool = TOOLS.find((t) => t.id === id)!;
    const node = h(
      "button",
      {
        class: "tool",
        attrs: { type: "button", "aria-pressed": false, title: `${tool.name} (${tool.key.toUpperCase()})` },
        on: { click: () => this.hand.choose(id) },
      },
      pathSign(tool.sign) as unknown as Node,
      h("span", null, tool.name),
    );
    this.toolButtons.set(id, node);
    return node;
  }

  private corner(): HTMLElement {
    const sharp = (label: string, name: string, press: () => void): HTMLButtonElement =>
      button(label, press, { attrs: { "aria-label": name, title: name } });
    return h(
      "div",
      { class: "corner" },
      sharp("+", "Closer", () => this.view.zoom(1.5, this.hand.cursor)),
      sharp("−", "Further", () => this.view.zoom(1 / 1.5, this.hand.cursor)),
      sharp("Weld", "Show the weld", () => this.showWeld()),
      sharp("All", "Show the whole photo", () => this.view.fit(null)),
    );
  }

  // For the eye only

  private readonly sliders = new Map<"brightness" | "contrast", HTMLInputElement>();
  private readonly equaliseButton = button("Equalise", () => this.setLight({ equalise: !this.light.equalise }), {
    attrs: { "aria-pressed": false },
  });
  private readonly loupeButton = button("Loupe: as needed", () => this.turnLoupe());
  private readonly foundButton = button("As found", () => this.toggleFound(), {
    attrs: { "aria-pressed": true, title: "Show what the machine found, where the hand changed it" },
  });

  private makeLightRow(): HTMLElement {
    const slider = (name: "brightness" | "contrast", label: string): HTMLElement[] => {
      const input = h("input", { attrs: { type: "range", id: name, min: -100, max: 100, step: 5, value: 0 } });
      input.addEventListener("input", () => this.setLight({ [name]: Number(input.value) / 100 }));
      this.sliders.set(name, input);
      return [h("label", { attrs: { for: name } }, label), input];
    };
    return h(
      "div",
      { class: "light-row", attrs: { role: "group", "aria-label": "For the eye only: the numbers do not change" } },
      h("span", { class: "label faded" }, "Eye only"),
      ...slider("brightness", "Brightness"),
      ...slider("contrast", "Contrast"),
      this.equaliseButton,
      button("Plain", () => this.setLight(PLAIN)),
      this.loupeButton,
      this.foundButton,
    );
  }

  setLight(part: Partial<Light>): void {
    const within = (v: number): number => Math.max(-1, Math.min(1, Math.round(v * 20) / 20));
    this.light = { ...this.light, ...part };
    this.light.brightness = within(this.light.brightness);
    this.light.contrast = within(this.light.contrast);
    for (const [name, input] of this.sliders) input.value = String(this.light[name] * 100);
    this.equaliseButton.setAttribute("aria-pressed", String(this.light.equalise));
    void this.relight();
  }

  private async relight(): Promise<void> {
    const { picture } = this.view;
    const counts = this.light.equalise && picture ? await picture.shades(this.view.inView()).catch(() => null) : null;
    this.filter.set(this.light, counts);
  }

  turnLoupe(): void {
    this.loupeMode = (this.loupeMode + 1) % LOUPE_WORDS.length;
    this.loupeButton.textContent = `Loupe: ${LOUPE_WORDS[this.loupeMode]}`;
    this.drawLoupe();
  }

  toggleFound(): void {
    this.showFound = !this.showFound;
    this.foundButton.setAttribute("aria-pressed", String(this.showFound));
    this.draw();
  }

  private async scaleEnds(ends: [Point, Point]): Promise<void> {
    const mark = this.session.desk.state?.scale?.marks.find((m) => m.length);
    const answer = await askLength(mark?.length ?? "");
    if (answer) await this.session.edit({ kind: "set_scale", ends, length: answer.length }, this.view.resolution);
    this.hand.choose("move");
  }
}
