// Choosing mark, joint, thicknesses and limits, for one photo or for all still to come.

import { api, Refused } from "./api.ts";
import { button, h, put } from "./dom.ts";
import type { LimitChoice, MarkChoice, Options, Settings } from "./protocol.ts";

const JOINTS: Record<Settings["joint"], string> = {
  auto: "tell it from the picture",
  tee: "tee",
  lap: "lap",
  bead: "bead on plate",
};

/** Short enough to be read in the closed list; what a kind means in full is its title. */
const MARKS: Record<string, string> = {
  bar: "bar, its length",
  ruler: "rule, tick to tick",
  disc: "disc or coin",
  plate: "plate, thickness",
  points: "two points",
  px: "size of a pixel",
  density: "scanner's density",
  card: "printed card",
};

const SYMBOLS: Record<string, string> = {
  t: "thickness t",
  a: "nominal throat a",
  z: "leg z",
  b: "face width b",
  s: "nominal penetration s",
};

let forms = 0;

export class SettingsForm {
  readonly element: HTMLFormElement;
  private settings: Settings;
  private readonly id = `form${++forms}`;
  private readonly marks = h("div", { class: "marks" });
  private readonly height: HTMLDetailsElement;
  private readonly offset: HTMLInputElement;
  private readonly distance: HTMLInputElement;
  private readonly offsetField: HTMLElement;
  private readonly distanceNote = h("span", { class: "note wanted" });
  private readonly given = h("div", { class: "given" });
  private readonly limitsNote = h("p", { class: "note" });
  private readonly joint: HTMLSelectElement;
  private readonly limits: HTMLSelectElement;
  private readonly guard: HTMLSelectElement;
  private readonly threshold: HTMLInputElement;
  private last = "";
  private whose = "";
  private unmarked = "choose the mark";

  constructor(
    private readonly options: Options,
    private readonly change: (part: Partial<Settings>) => void,
    private readonly complain: (text: string) => void,
  ) {
    this.settings = options.defaults;
    this.joint = this.select("Joint", Object.entries(JOINTS), (joint) => ({ joint: joint as Settings["joint"] }));
    this.limits = this.select("Limits", [], (limits) => ({ limits: limits || null }));
    this.guard = this.select(
      "Guard band",
      [
        ["", "as the limits say"],
        ["1", "U95"],
        ["2", "twice U95"],
        ["0", "none: simple acceptance"],
      ],
      (guard) => ({ guard: guard === "" ? null : Number(guard) }),
    );
    this.threshold = h("input", { attrs: { type: "text", id: `${this.id}-threshold`, size: 8, autocomplete: "off" } });
    this.threshold.addEventListener("change", () => this.send({ fusion_threshold: this.threshold.value.trim() }));
    this.offset = this.length("offset", "5mm", () => this.sendHeight());
    this.distance = this.length("distance", "300mm", () => this.sendHeight());
    this.offsetField = this.field("Mark above it by", this.offset, h("span", { class: "note" }, "or below: −3mm"));
    this.height = h(
      "details",
      null,
      h("summary", null, "Mark not level with the section"),
      this.offsetField,
      this.field("Lens to section", this.distance, this.distanceNote),
    );
    const file = h("input", { attrs: { type: "file", accept: ".toml", id: `${this.id}-file`, class: "unseen" } });
    file.addEventListener("change", () => void this.readLimits(file));
    this.element = h(
      "form",
      { class: "settings", on: { submit: (event) => event.preventDefault() } },
      this.marks,
      this.height,
      this.field("Joint", this.joint),
      this.field(
        "Limits",
        this.limits,
        h("label", { class: "file-button", attrs: { for: `${this.id}-file` } }, "From a file…"),
        file,
      ),
      this.limitsNote,
      this.given,
      h(
        "details",
        null,
        h("summary", null, "Guard band, fusion threshold"),
        this.field("Guard band", this.guard),
        this.field("Unfused is under", this.threshold),
      ),
    );
    this.show(options.defaults);
  }

  /** `unmarked`: what to say of the scale where no mark was chosen; `whose`: the photo, "" for all. */
  show(settings: Settings, unmarked = "choose the mark", whose = ""): void {
    this.settings = settings;
    if (whose !== this.whose) this.distanceNote.textContent = "";
    this.whose = whose;
    this.unmarked = unmarked;
    const key = JSON.stringify([settings, unmarked, whose, this.options.limits.map((l) => l.id)]);
    if (key === this.last) return;
    this.last = key;
    const focused = document.activeElement?.id;
    this.joint.value = settings.joint;
    put(
      this.limits,
      h("option", { attrs: { value: "" } }, "none: measure only"),
      ...this.options.limits.map((l) => h("option", { attrs: { value: l.id } }, l.title)),
    );
    this.limits.value = settings.limits ?? "";
    this.guard.value = settings.guard === null ? "" : String(settings.guard);
    this.threshold.value = settings.fusion_threshold;
    this.showHeight();
    this.showMarks(Math.max(1, settings.marks.length));
    this.showGiven();
    if (focused?.startsWith(this.id)) document.getElementById(focused)?.focus();
  }

  /** The first symbol that the limits need and that is not given; null where none is. */
  get wanted(): string | null {
    const chosen = this.options.limits.find((l) => l.id === this.settings.limits);
    return chosen?.needed.find((symbol) => !this.settings.given[symbol]) ?? null;
  }

  get wantedNames(): string {
    const chosen = this.options.limits.find((l) => l.id === this.settings.limits);
    const missing = chosen?.needed.filter((symbol) => !this.settings.given[symbol]) ?? [];
    return missing.map((symbol) => SYMBOLS[symbol] ?? symbol).join(" and ");
  }

  focusWanted(): void {
    const symbol = this.wanted;
    if (symbol) document.getElementById(`${this.id}-given-${symbol}`)?.focus();
  }

  /** Show the settings again as they are, whatever was typed. */
  again(): void {
    this.last = "";
    this.show(this.settings, this.unmarked, this.whose);
  }

  private send(part: Partial<Settings>): void {
    this.change(part);
  }

  private select(name: string, choices: string[][], part: (value: string) => Partial<Settings>): HTMLSelectElement {
    const select = h(
      "select",
      { attrs: { id: `${this.id}-${name.replaceAll(" ", "")}` } },
      ...choices.map(([value, text]) => h("option", { attrs: { value: value ?? "" } }, text ?? "")),
    );
    select.addEventListener("change", () => this.send(part(select.value)));
    return select;
  }

  private field(name: string, control: HTMLElement, ...more: HTMLElement[]): HTMLElement {
    return h(
      "div",
      { class: "field" },
      h("label", { attrs: { for: control.id } }, name),
      h("span", { class: "with" }, control, ...more),
    );
  }

  private length(name: string, placeholder: string, changed: () => void): HTMLInputElement {
    const input = h("input", {
      attrs: { type: "text", size: 8, id: `${this.id}-${name}`, placeholder, autocomplete: "off" },
    });
    input.addEventListener("change", changed);
    return input;
  }

  // Height of the marks over the section

  /** Whether a height can be said of any of the marks: of what is laid beside the section. */
  private laid(marks: readonly string[]): boolean {
    const kinds = marks.map((text) => text.split(":")[0]);
    return this.options.marks.some((m) => m.laid && kinds.includes(m.name));
  }

  private showHeight(): void {
    const { mark_offset: offset, camera_distance: distance, marks } = this.settings;
    // a height that still waits for its distance was not sent: it stays as it was typed
    if (offset || !this.distanceNote.textContent) {
      this.offset.value = offset ?? "";
      this.distanceNote.textContent = "";
    }
    this.distance.value = distance ?? "";
    this.offsetField.hidden = !this.laid(marks) && !offset;
    this.height.hidden = marks.length === 0 && !offset && !distance;
    if (offset || distance) this.height.open = true;
  }

  /** A height says nothing without the distance: both go together, and what is missing is asked for. */
  private sendHeight(): void {
    const [offset, distance] = [this.offset.value.trim(), this.distance.value.trim()];
    if (offset && !distance) {
      this.distanceNote.textContent = "needed with the height";
      this.distance.focus();
      return;
    }
    this.distanceNote.textContent = "";
    this.send({ mark_offset: offset || null, camera_distance: distance || null });
  }

  // Marks

  private showMarks(count: number): void {
    const rows = Array.from({ length: count }, (_, i) => this.markRow(i, this.settings.marks[i] ?? ""));
    const another = button("And another mark, to check it", () => this.showMarks(count + 1), { class: "quiet" });
    put(this.marks, ...rows, count < 3 && this.settings.marks.length === count && another);
  }

  private markRow(index: number, text: string): HTMLElement {
    const [kind, ...rest] = text.split(":");
    const choices = this.options.marks;
    const set = text.startsWith("points:");
    const select = h(
      "select",
      { attrs: { id: `${this.id}-mark${index}` } },
      h("option", { attrs: { value: "" } }, index ? "no other" : this.unmarked),
      ...choices.map((m) => h("option", { attrs: { value: m.name, title: m.meaning } }, MARKS[m.name] ?? m.meaning)),
    );
    select.value = text ? (kind ?? "") : "";
    const length = h("input", {
      attrs: {
        type: "text",
        size: 9,
        id: `${this.id}-length${index}`,
        "aria-label": "Length of the mark",
        autocomplete: "off",
        list: `${this.id}-coins`,
      },
    });
    length.value = set ? "" : rest.join(":");
    const note = h("span", { class: "note" });
    const onPhoto = set ? "set on the photo" : "set it on the photo with the tool Scale";
    const dress = (): void => {
      const choice = choices.find((m) => m.name === select.value);
      length.hidden = !choice || choice.needs === "nothing" || choice.needs === "two points";
      length.placeholder = placeholder(choice);
      const wanted = choice !== undefined && needsLength(choice) && !length.value.trim();
      note.className = wanted ? "note wanted" : "note";
      note.textContent = wanted ? "needed" : choice?.needs === "two points" ? onPhoto : "";
    };
    const changed = (): void => {
      dress();
      const choice = choices.find((m) => m.name === select.value);
      if (choice?.needs === "two points") return;
      const value = length.value.trim();
      if (choice && needsLength(choice) && !value) return; // the page says that it is needed
      const mark = choice ? (value && choice.needs !== "nothing" ? `${choice.name}:${value}` : choice.name) : "";
      const marks = [...this.settings.marks];
      marks[index] = mark;
      const chosen = marks.filter(Boolean);
      // what is no longer laid beside the section has no height either
      const level = this.settings.mark_offset && !this.laid(chosen) ? { mark_offset: null } : {};
      this.send({ marks: chosen, ...level });
    };
    select.addEventListener("change", changed);
    length.addEventListener("change", changed);
    const coins = choices.find((m) => m.coins.length > 0)?.coins ?? [];
    const list = index
      ? null
      : h("datalist", { attrs: { id: `${this.id}-coins` } }, ...coins.map((c) => h("option", { attrs: { value: c } })));
    select.addEventListener("change", () => (length.value = ""), { capture: true });
    dress();
    return h(
      "div",
      { class: "field" },
      h("label", { attrs: { for: select.id } }, index ? `Mark ${index + 1}` : "Mark"),
      h("span", { class: "with" }, select, length, note, list),
    );
  }

  // Limits

  private showGiven(): void {
    const chosen = this.options.limits.find((l) => l.id === this.settings.limits);
    this.limitsNote.textContent = chosen?.note ?? "";
    this.limitsNote.hidden = !chosen?.note;
    const symbols = chosen ? chosen.symbols : [];
    put(this.given, ...symbols.map((symbol) => this.givenField(symbol, chosen?.needed.includes(symbol) ?? false)));
  }

  private givenField(symbol: string, needed: boolean): HTMLElement {
    const input = h("input", {
      attrs: { type: "text", size: 7, id: `${this.id}-given-${symbol}`, placeholder: "8mm", autocomplete: "off" },
    });
    input.value = this.settings.given[symbol] ?? "";
    input.addEventListener("change", () => {
      const given = { ...this.settings.given };
      const value = input.value.trim();
      if (value) given[symbol] = value;
      else delete given[symbol];
      this.send({ given });
    });
    const missing = needed && !input.value;
    return this.field(
      SYMBOLS[symbol] ?? symbol,
      input,
      h("span", { class: missing ? "note wanted" : "note" }, missing ? "needed" : ""),
    );
  }

  private async readLimits(input: HTMLInputElement): Promise<void> {
    const file = input.files?.[0];
    input.value = "";
    if (!file) return;
    try {
      const choice: LimitChoice = await api.addLimits(file.name, file);
      if (!this.options.limits.some((l) => l.id === choice.id)) this.options.limits.push(choice);
      this.send({ limits: choice.id });
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.complain(error.problem.text);
    }
  }
}

const needsLength = (choice: MarkChoice): boolean => choice.needs === "length" || choice.needs === "length or coin";

function placeholder(choice: MarkChoice | undefined): string {
  if (!choice) return "";
  return choice.form.includes(":") ? choice.form.slice(choice.form.indexOf(":") + 1) : "";
}
