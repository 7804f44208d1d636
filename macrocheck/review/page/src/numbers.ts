// The table of numbers: value with U95, verdict, the limit against the value, and what the last change did.

import { clamp } from "./curves.ts";
import { h, put } from "./dom.ts";
import type { PhotoState, QuantityState, Text, Unit, VerdictState, WeldState, Word } from "./protocol.ts";
import { verdictSign } from "./signs.ts";

export const written = (text: Text, unit: Unit): string => (unit === "mm" ? text.mm : text.inch);

const JOINT_NAMES = { tee: "Tee weld", lap: "Lap weld", bead: "Bead on plate" };

export class Numbers {
  readonly element = h("div", { class: "numbers" });
  private last = "";
  private order: { of: string; keys: Map<string, number> } = { of: "", keys: new Map() };

  show(state: PhotoState | null, unit: Unit): void {
    const key = JSON.stringify([unit, state?.id, state?.revision, state?.welds.map((w) => w.quantities)]);
    if (key === this.last) return;
    this.last = key;
    const welds = state?.welds ?? [];
    const of = JSON.stringify([state?.id, state?.settings.limits]);
    // What is outside comes first; once shown, rows stay where they are while the hand works.
    if (of !== this.order.of) this.order = { of, keys: ranked(welds) };
    put(this.element, ...welds.map((weld) => weldPart(weld, welds.length > 1, unit, this.order.keys)));
  }
}

function worst(q: QuantityState): Word | null {
  return (["reject", "undecided", "accept"] as const).find((word) => q.verdicts.some((v) => v.word === word)) ?? null;
}

function ranked(welds: readonly WeldState[]): Map<string, number> {
  const out = new Map<string, number>();
  const rank = { reject: 0, undecided: 1, accept: 2 };
  for (const weld of welds) {
    for (const q of weld.quantities) {
      const word = worst(q);
      out.set(`${weld.index}/${q.key}`, word ? rank[word] : 3);
    }
  }
  return out;
}

function weldPart(weld: WeldState, several: boolean, unit: Unit, order: Map<string, number>): HTMLElement {
  const title = several ? `${JOINT_NAMES[weld.joint]} ${weld.index + 1}` : JOINT_NAMES[weld.joint];
  const place = (q: QuantityState): number => order.get(`${weld.index}/${q.key}`) ?? 3;
  const judged = weld.quantities.filter((q) => q.verdicts.length > 0).sort((a, b) => place(a) - place(b));
  const rest = weld.quantities.filter((q) => q.verdicts.length === 0 && q.value !== null);
  const missing = weld.quantities.filter((q) => q.verdicts.length === 0 && q.value === null);
  return h(
    "section",
    { class: "weld" },
    h("h3", null, title),
    judged.length > 0 && table("Judged against limits", judged, unit, true),
    rest.length > 0 && table(judged.length ? "Not limited" : "Measured", rest, unit, false),
    missing.length > 0 &&
      h(
        "details",
        { class: "missing" },
        h("summary", null, `${missing.length} that cannot be had here`),
        h("dl", null, ...missing.flatMap((q) => [h("dt", null, q.name), h("dd", null, q.reason ?? "")])),
      ),
  );
}

function table(caption: string, rows: QuantityState[], unit: Unit, judged: boolean): HTMLElement {
  const heads = ["Quantity", "Value with U95", ...(judged ? ["Limit and verdict"] : [])];
  return h(
    "table",
    judged ? null : { class: "unjudged" },
    h("caption", null, caption),
    h("colgroup", null, h("col", { class: "name" }), h("col", { class: "value" }), judged && h("col")),
    h("thead", { class: "unseen" }, h("tr", null, ...heads.map((t) => h("th", { attrs: { scope: "col" } }, t)))),
    h("tbody", null, ...rows.map((q) => row(q, unit, judged))),
  );
}

/** Whether the last change moved the number itself as it is written, not just what it is sure to. */
export function moved(q: QuantityState, unit: Unit): boolean {
  if (!q.before) return false;
  const number = (text: Text): string => written(text, unit).split(" ±")[0] ?? "";
  return (q.value === null) !== (q.before.value === null) || number(q.text) !== number(q.before.text);
}

function row(q: QuantityState, unit: Unit, judged: boolean): HTMLElement {
  return h(
    "tr",
    { class: `${moved(q, unit) ? "changed " : ""}${worst(q) ?? ""}`, attrs: { "data-quantity": q.key } },
    h("th", { attrs: { scope: "row" } }, q.name),
    ...(q.value === null ? [nothing(q)] : valued(q, unit, judged)),
  );
}

function valued(q: QuantityState, unit: Unit, judged: boolean): HTMLElement[] {
  const before = q.before && written(q.before.text, unit) !== written(q.text, unit) ? q.before : null;
  const was = before?.value === null ? "none" : before && written(before.text, unit).replace(/ (mm|in)²?$/, "");
  return [
    h(
      "td",
      { class: "value" },
      h("span", { class: "now" }, written(q.text, unit)),
      before && h("span", { class: "was" }, `was ${was}`),
    ),
    ...(judged ? [h("td", { class: "verdicts" }, ...distinct(q.verdicts).map((v) => verdict(v, q, unit)))] : []),
  ];
}

/** Why there is no value: once, whatever the limits would have asked of it. */
function nothing(q: QuantityState): HTMLElement {
  const word = worst(q);
  const limits = q.verdicts.map((v) => `${v.limit}. ${v.text} (${v.source})`).join("\n");
  return h(
    "td",
    { class: "nothing", attrs: { colspan: 2, title: limits || null } },
    h(
      "div",
      { class: "verdict" },
      h("span", { class: "reason" }, q.reason ?? q.verdicts[0]?.text ?? "none"),
      word && verdictSign(word),
    ),
  );
}

/** Of limits that all say the same of why they are open, one will do. */
function distinct(verdicts: readonly VerdictState[]): VerdictState[] {
  const open = (v: VerdictState): boolean => v.at_least === null && v.at_most === null;
  return verdicts.filter((v, i) => !open(v) || verdicts.findIndex((w) => open(w) && w.text === v.text) === i);
}

function verdict(v: VerdictState, q: QuantityState, unit: Unit): HTMLElement {
  if (v.at_least === null && v.at_most === null) {
    return h(
      "div",
      { class: "verdict open", attrs: { title: `${v.limit}. ${v.text} (${v.source})` } },
      // how to mend it on the command line is of no use here
      h("span", { class: "limit" }, v.text.split(";")[0] ?? ""),
      verdictSign(v.word),
    );
  }
  const was = typeof q.before?.value === "number" ? q.before.value : null;
  return h(
    "div",
    { class: "verdict", attrs: { title: `${v.limit}. ${v.text} (${v.source})` } },
    bar(v, was),
    verdictSign(v.word),
    h(
      "span",
      { class: "limit" },
      written(v.limit_text, unit),
      v.before && v.before !== v.word ? h("b", null, ` was ${v.before}`) : null,
    ),
  );
}

/** The value with its guard band, and before it the limit, on one line from zero on; hatched where it must not be. */
export function bar(v: VerdictState, was: number | null): HTMLElement {
  const low = v.at_least;
  const high = v.at_most;
  const most = Math.max(low ?? 0, high ?? 0, (v.value ?? 0) + v.guard, was ?? 0);
  const least = Math.min(0, v.value ?? 0, was ?? 0);
  const wide = (most - least || 1) * 1.18;
  const at = (x: number): number => clamp(((x - least) / wide) * 100, 0, 100);
  const pieces: HTMLElement[] = [];
  const piece = (name: string, from: number, to: number | null): void => {
    const node = h("span", { class: name });
    node.style.left = `${from}%`;
    if (to !== null) node.style.width = `${Math.max(0, to - from)}%`;
    pieces.push(node);
  };
  if (low !== null) piece("barred", 0, at(low));
  if (high !== null) piece("barred", at(high), 100);
  for (const limit of [low, high]) if (limit !== null) piece("limit-line", at(limit), null);
  if (was !== null) piece("was-dot", at(was), null);
  if (v.value !== null) {
    piece("guard", at(v.value - v.guard), at(v.value + v.guard));
    piece(`dot ${v.word}`, at(v.value), null);
  }
  return h("span", { class: "bar", attrs: { "aria-hidden": "true" } }, ...pieces);
}
