// The empty page: pictures are dropped or picked, and what they are measured with is chosen beside.

import { openPanel } from "./dialogs.ts";
import { button, h } from "./dom.ts";
import type { Session } from "./desk.ts";
import { SettingsForm } from "./settings.ts";

export class Start {
  readonly element: HTMLElement;
  private readonly input: HTMLInputElement;
  private readonly zone: HTMLElement;
  private readonly form: SettingsForm;
  private readonly untouched: HTMLInputElement;
  private readonly also: HTMLElement;

  constructor(
    private readonly session: Session,
    private readonly added: (ids: string[]) => void,
  ) {
    this.input = h("input", {
      class: "unseen",
      attrs: {
        type: "file",
        id: "pick",
        multiple: true,
        "aria-label": "Pictures",
        accept: "image/*,.tif,.tiff,.heic,.heif",
        tabindex: -1,
      },
    });
    this.input.addEventListener("change", () => {
      const files = [...(this.input.files ?? [])];
      this.input.value = "";
      void this.take(files);
    });
    this.zone = h(
      "div",
      { class: "drop" },
      h("p", { class: "drop-title" }, "Drop pictures of etched sections here"),
      button("Pick pictures…", () => this.input.click(), { class: "first" }),
      this.input,
      h(
        "ol",
        { class: "steps" },
        ...[
          "Say what lies in the picture for scale.",
          "Drop the pictures.",
          "Look at each outline, put right what is wrong, sign it off.",
        ].map((text) => h("li", null, text)),
      ),
      h("p", { class: "faded" }, "JPEG, PNG, TIFF, WebP, BMP. They stay on this machine."),
    );
    this.untouched = h("input", { attrs: { type: "checkbox", id: "untouched", checked: true } });
    this.form = new SettingsForm(
      session.desk.options,
      (part) =>
        void session.setDefaults(part, this.untouched.checked).then(() => this.form.show(session.desk.queue.defaults)),
      (text) => session.say("bad", text),
    );
    this.also = h(
      "p",
      { class: "row also" },
      this.untouched,
      h("label", { attrs: { for: "untouched" } }, "Also for pictures here that nobody has touched yet"),
    );
    this.element = h(
      "div",
      { class: "start" },
      this.zone,
      h("section", { class: "card" }, h("h2", null, "Measured with"), this.form.element, this.also),
    );
  }

  show(): void {
    this.form.show(this.session.desk.queue.defaults);
    this.also.hidden = this.session.desk.queue.total === 0;
  }

  async take(files: readonly File[]): Promise<void> {
    if (files.length === 0) return;
    this.zone.classList.add("taking");
    const ids = await this.session.addPhotos(files);
    this.zone.classList.remove("taking");
    if (ids.length > 0) this.added(ids);
  }
}

/** Pictures may be dropped anywhere on the page. */
export function takeDrops(take: (files: File[]) => void): void {
  const files = (event: DragEvent): boolean => event.dataTransfer?.types.includes("Files") ?? false;
  const over = (on: boolean): void => void document.body.classList.toggle("dropping", on);
  addEventListener("dragover", (event) => {
    if (!files(event)) return;
    event.preventDefault();
    over(true);
  });
  addEventListener("dragleave", (event) => event.relatedTarget === null && over(false));
  addEventListener("drop", (event) => {
    over(false);
    if (!files(event)) return;
    event.preventDefault();
    take([...(event.dataTransfer?.files ?? [])]);
  });
}

export function startPanel(start: Start): HTMLDialogElement {
  start.show();
  return openPanel("Add photos", start.element);
}
