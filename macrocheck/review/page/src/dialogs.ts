// Short questions in a box over the page.

import { button, h } from "./dom.ts";
import type { RecordChoice } from "./protocol.ts";

type Answer<T> = { body: (Node | null)[]; read: () => T | string; done: string };

let asked = 0;

/** Ask in a box; resolves with what was read, or null where it was closed. `read` returns a string to complain. */
function ask<T extends object>(title: string, make: () => Answer<T>): Promise<T | null> {
  return new Promise((resolve) => {
    const { body, read, done } = make();
    const id = `asked${++asked}`;
    const fault = h("p", { class: "fault", attrs: { role: "alert" } });
    const form = h(
      "form",
      { attrs: { method: "dialog", novalidate: true } },
      h("h2", { attrs: { id } }, title),
      ...body,
      fault,
      h(
        "div",
        { class: "row end" },
        button("Cancel", () => box.close()),
        h("button", { class: "first", attrs: { type: "submit" } }, done),
      ),
    );
    const box = h("dialog", { class: "ask", attrs: { "aria-labelledby": id } }, form);
    let answer: T | null = null;
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const said = read();
      if (typeof said === "string") {
        fault.textContent = said;
        return;
      }
      answer = said;
      box.close();
    });
    box.addEventListener("close", () => {
      box.remove();
      resolve(answer);
    });
    document.body.append(box);
    box.showModal();
    const first = form.querySelector<HTMLElement>("textarea, input, select");
    first?.focus();
    if (first instanceof HTMLInputElement) first.select();
  });
}

const field = (label: string, control: HTMLElement, note = ""): HTMLElement => {
  const id = `f${++asked}`;
  control.id = id;
  return h(
    "div",
    { class: "field" },
    h("label", { attrs: { for: id } }, label),
    h("span", { class: "with" }, control, note && h("span", { class: "note" }, note)),
  );
};

const input = (value = "", size = 24): HTMLInputElement => {
  const node = h("input", { attrs: { type: "text", size, autocomplete: "off" } });
  node.value = value;
  return node;
};

const REASONS = [
  "Etch again",
  "Photograph again",
  "The mark is doubtful",
  "The boundary cannot be seen",
  "A second person should look",
];

export function askReason(): Promise<{ reason: string } | null> {
  return ask("Needs another look", () => {
    const text = h("textarea", { attrs: { rows: 3, maxlength: 500 } });
    const ready = REASONS.map((reason) =>
      button(
        reason,
        () => {
          text.value = text.value ? `${text.value.trim()}; ${reason}` : reason;
          text.focus();
        },
        { class: "quiet" },
      ),
    );
    return {
      body: [field("Why?", text), h("div", { class: "row wrap" }, ...ready)],
      read: () => (text.value.trim() ? { reason: text.value.trim() } : "Say why it needs another look."),
      done: "Put it aside",
    };
  });
}

export function askLength(before: string): Promise<{ length: string } | null> {
  return ask("How long is it from end to end?", () => {
    const length = input(before, 12);
    length.placeholder = "10mm";
    return {
      body: [field("Length", length, "with its unit: 10mm, 1/2in")],
      read: () =>
        length.value.trim() ? { length: length.value.trim() } : "Write the length with its unit, such as 10mm.",
      done: "Take this scale",
    };
  });
}

export type AttachAnswer = {
  coupon: string;
  record?: string;
  new_record?: string;
  reason?: string;
  section?: string;
  settings?: Record<string, string>;
};

export function askAttach(
  records: RecordChoice[],
  coupon: string,
  fault: string,
  before: AttachAnswer | null,
): Promise<AttachAnswer | null> {
  return ask("Attach to a record", () => {
    const named = input(before?.new_record ?? "welds.db");
    const record = h(
      "select",
      null,
      ...records.map((r) => h("option", { attrs: { value: r.id } }, r.name)),
      h("option", { attrs: { value: "" } }, "a new record"),
    );
    record.value = before ? (before.record ?? "") : (records.find((r) => r.default)?.id ?? records[0]?.id ?? "");
    const newField = field("Name of the new record", named);
    const dress = (): void => void (newField.hidden = record.value !== "");
    record.addEventListener("change", dress);
    dress();
    const couponInput = input(before?.coupon ?? coupon);
    const section = input(before?.section ?? "");
    const reason = input(before?.reason ?? "");
    const settings = input(
      Object.entries(before?.settings ?? {})
        .map(([k, v]) => `${k}=${v}`)
        .join(", "),
      32,
    );
    return {
      body: [
        fault ? h("p", { class: "fault", attrs: { role: "alert" } }, fault) : null,
        field("Record", record),
        newField,
        field("Coupon", couponInput),
        field("Section", section, "left empty: the photo's name"),
        field("Reason", reason, "where it is on the record already"),
        field("Welding settings", settings, "such as amps=180, volts=22"),
      ],
      read: () => {
        if (!couponInput.value.trim()) return "Name the coupon.";
        const pairs = settings.value.split(/[,;]/).map((part) => part.split("=").map((t) => t.trim()));
        const odd = pairs.find((pair) => pair.join("") !== "" && (pair.length !== 2 || !pair[0] || !pair[1]));
        if (odd) return `Write welding settings as name=value, not “${odd.join("=")}”.`;
        const set = Object.fromEntries(pairs.filter((pair) => pair.length === 2)) as Record<string, string>;
        return {
          coupon: couponInput.value.trim(),
          ...(record.value ? { record: record.value } : { new_record: named.value.trim() }),
          ...(section.value.trim() ? { section: section.value.trim() } : {}),
          ...(reason.value.trim() ? { reason: reason.value.trim() } : {}),
          ...(Object.keys(set).length ? { settings: set } : {}),
        };
      },
      done: "Attach",
    };
  });
}

/** A panel that stays until it is closed. */
export function openPanel(title: string, ...body: Node[]): HTMLDialogElement {
  const id = `asked${++asked}`;
  const box = h(
    "dialog",
    { class: "panel", attrs: { "aria-labelledby": id } },
    h(
      "div",
      { class: "row apart" },
      h("h2", { attrs: { id } }, title),
      button("Close", () => box.close()),
    ),
    ...body,
  );
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
  return box;
}
