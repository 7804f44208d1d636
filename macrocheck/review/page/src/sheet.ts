// The inspection sheet beside the photo: the grade, what changed, the numbers, the doubts, the settings, the sign-off.

import { api } from "./api.ts";
import { askAttach, askReason, type AttachAnswer } from "./dialogs.ts";
import { button, h, put, when } from "./dom.ts";
import { Doubts } from "./doubts.ts";
import type { Desk, Session } from "./desk.ts";
import { moved, Numbers } from "./numbers.ts";
import type { PhotoState } from "./protocol.ts";
import { SettingsForm } from "./settings.ts";
import { verdictSign, WORDS } from "./signs.ts";
import type { ToolId } from "./tools.ts";

const HEADLINES = { accept: "Inside all limits", undecided: "Not clear of every limit", reject: "Outside a limit" };

export class Sheet {
  readonly element: HTMLElement;
  readonly doubts: Doubts;
  private readonly numbers = new Numbers();
  private readonly title = h("h1");
  private readonly grade = h("div", { class: "grade" });
  private readonly change = h("div", { class: "change", attrs: { role: "status" } });
  private readonly problems = h("div", { class: "problems" });
  private readonly settings: SettingsForm;
  private readonly settingsBox: HTMLDetailsElement;
  private readonly forAll = button("Use these for all photos not touched yet", () => void this.shareSettings(), {
    class: "quiet",
  });
  private readonly history = h("div");
  private readonly historyBox = h("details", null, h("summary", null, "What was done, and files"), this.history);
  private readonly decision = h("div", { class: "decision" });
  private readonly handRow: HTMLElement;
  private readonly undo: HTMLButtonElement;
  private readonly redo: HTMLButtonElement;
  private readonly who: HTMLInputElement;
  private lastTop = "";
  private opened: string | null = null;

  constructor(
    private readonly session: Session,
    zoomTo: (box: readonly [number, number, number, number]) => void,
    private readonly say: (text: string) => void,
    private readonly useTool: (id: ToolId) => void,
  ) {
    this.doubts = new Doubts(
      zoomTo,
      () => this.nextDoubt(),
      (weld) => void this.session.edit({ kind: "confirm", weld }),
    );
    this.undo = button("Undo", () => void this.session.edit({ kind: "undo" }));
    this.redo = button("Redo", () => void this.session.edit({ kind: "redo" }));
    this.settings = new SettingsForm(
      session.desk.options,
      (part) =>
        void this.session.edit({ kind: "settings", settings: part }).then((done) => {
          if (!done) this.settings.again();
        }),
      (text) => this.session.say("bad", text),
    );
    this.settingsBox = h(
      "details",
      { class: "settings-box" },
      h("summary", null, "Mark, joint, thicknesses, limits"),
      this.settings.element,
      this.forAll,
    );
    this.who = h("input", { attrs: { type: "text", id: "who", size: 14, maxlength: 80, autocomplete: "name" } });
    this.who.value = session.desk.who;
    this.who.addEventListener("change", () => this.session.setWho(this.who.value));
    this.handRow = h("div", { class: "hand-row" }, this.change, h("span", { class: "row" }, this.undo, this.redo));
    this.element = h(
      "aside",
      { class: "sheet", attrs: { "aria-label": "Inspection sheet" } },
      h(
        "div",
        { class: "sheet-body", attrs: { tabindex: 0, role: "group", "aria-label": "Numbers, doubts and settings" } },
        h("div", { class: "head" }, this.title, this.grade),
        this.handRow,
        this.problems,
        this.doubts.element,
        this.numbers.element,
        this.doubts.rest,
        this.settingsBox,
        this.historyBox,
      ),
      this.decision,
    );
  }

  show(desk: Desk): void {
    const { state } = desk;
    this.numbers.show(state, desk.unit);
    this.doubts.show(state);
    this.settingsBox.hidden = this.historyBox.hidden = !state;
    this.handRow.hidden = state === null && desk.failed !== null;
    const item = desk.queue.items.find((i) => i.id === desk.id);
    this.undo.disabled = !state?.can_undo || !this.session.mayEdit;
    this.redo.disabled = !state?.can_redo || !this.session.mayEdit;
    const key = JSON.stringify([
      state?.id,
      state?.revision,
      state?.decision,
      state?.saved,
      state?.attached,
      desk.id,
      desk.heldBy,
      desk.connection,
      desk.failed,
      desk.unit,
      item?.name,
      desk.view?.name,
      desk.busy,
    ]);
    if (key === this.lastTop) return;
    this.lastTop = key;
    this.title.textContent = state?.name ?? desk.view?.name ?? item?.name ?? "";
    this.showGrade(state);
    this.showChange(state, desk);
    if (state)
      this.settings.show(
        state.settings,
        state.scale && state.settings.marks.length === 0 ? "the scale it came with" : undefined,
        state.id,
      );
    this.showProblems(state, desk);
    this.showDecision(state);
    if (!state) return;
    this.undo.title = state.undo_text ?? "";
    this.redo.title = state.redo_text ?? "";
    if (this.opened !== state.id) {
      this.opened = state.id;
      this.settingsBox.open = state.scale === null;
    }
    this.showHistory(state);
  }

  private showGrade(state: PhotoState | null): void {
    if (!state) {
      put(this.grade);
      return;
    }
    const { grade } = state;
    const made = h(
      "p",
      { class: "made" },
      state.welds.length > 0 ? `Outline ${state.made_by}` : "No outline",
      state.scale ? ` · ${state.scale.method}${state.scale.by_hand ? ", by hand" : ""}` : "",
    );
    if (!grade) {
      put(this.grade, h("p", { class: "verdict-line" }, state.limits_title ? "Not graded" : "No limits chosen"), made);
      return;
    }
    const several = state.welds.length > 1;
    const names = state.welds.flatMap((w) =>
      w.quantities
        .filter((q) => grade !== "accept" && q.verdicts.some((v) => v.word === grade))
        .map((q) => (several ? `${q.name} (weld ${w.index + 1})` : q.name)),
    );
    const was = state.grade_before && state.grade_before !== grade ? ` (was ${WORDS[state.grade_before]})` : "";
    put(
      this.grade,
      h("p", { class: `verdict-line ${grade}` }, verdictSign(grade, 26), h("b", null, `${HEADLINES[grade]}${was}`)),
      names.length > 0 && h("p", { class: "failing" }, names.join("; ")),
      h("p", { class: "made", attrs: { title: state.rule ?? "" } }, state.limits_title ?? ""),
      made,
    );
  }

  private showChange(state: PhotoState | null, desk: Desk): void {
    if (!state) {
      put(this.change, desk.failed || desk.view === null ? "" : "Measuring…");
      return;
    }
    const last = state.changes[state.changes.length - 1];
    const count = state.welds.reduce((sum, weld) => sum + weld.quantities.filter((q) => moved(q, desk.unit)).length, 0);
    const numbers = count === 1 ? "1 number changed" : `${count} numbers changed`;
    put(
      this.change,
      desk.busy
        ? "Measuring anew…"
        : last
          ? last.text
          : state.welds.length > 0
            ? "As the machine found it"
            : "The machine found no weld",
      !desk.busy && count > 0 && h("span", { class: "faded" }, ` · ${numbers}`),
    );
  }

  private showProblems(state: PhotoState | null, desk: Desk): void {
    const texts = [desk.failed, state?.scale_problem, state?.outline_problem].filter((t): t is string => Boolean(t));
    const may = this.session.mayEdit;
    const draw = state?.outline_problem
      ? button("Draw the weld", () => this.useTool("draw"), { class: "quiet", attrs: { disabled: !may } })
      : null;
    const scale = state?.scale_problem
      ? button("Set the scale on the photo", () => this.useTool("scale"), { class: "quiet", attrs: { disabled: !may } })
      : null;
    const off = desk.failed ? button("Take it off the list", () => void this.session.dropPhoto()) : null;
    const names = state ? this.settings.wantedNames : "";
    const wanted = names
      ? h(
          "p",
          { class: "row apart" },
          `The limits need the ${names}.`,
          button("Fill in", () => this.fillIn(), { class: "quiet" }),
        )
      : null;
    put(
      this.problems,
      ...texts.map((text) => h("p", { class: "fault" }, text)),
      h("p", { class: "row wrap" }, scale, draw, off),
      wanted,
    );
    this.problems.hidden = texts.length === 0 && !wanted;
    this.problems.classList.toggle("mild", texts.length === 0);
  }

  nextDoubt(): void {
    this.say(this.doubts.next(this.session.desk.state) ?? "No doubts with a place.");
  }

  private fillIn(): void {
    this.settingsBox.open = true;
    this.settings.focusWanted();
  }

  private showHistory(state: PhotoState): void {
    const kinds = [
      ["overlay.png", "Picture"],
      ["result.json", "Result"],
      ["outline.geojson", "Outline"],
    ] as const;
    const files = h(
      "p",
      { class: "row wrap" },
      ...kinds.map(([kind, text]) => h("a", { attrs: { href: api.file(state.id, kind), download: "" } }, text)),
    );
    const may = this.session.mayEdit;
    const reset = button("Back to what the machine found", () => void this.session.edit({ kind: "reset" }), {
      attrs: { disabled: !may || state.changes.length === 0 },
    });
    const drop = state.welds.map((weld) =>
      button(
        `Take away weld ${weld.index + 1}`,
        () => void this.session.edit({ kind: "remove_weld", weld: weld.index }),
        { attrs: { disabled: !may } },
      ),
    );
    put(
      this.history,
      state.changes.length > 0
        ? h(
            "ol",
            { class: "changes" },
            ...state.changes.map((c) =>
              h("li", null, c.text, h("span", { class: "faded" }, ` ${c.who} ${when(c.at)}`)),
            ),
          )
        : h("p", null, "Nothing was changed by hand."),
      h(
        "p",
        { class: "row wrap" },
        reset,
        ...(state.welds.length > 1 ? drop : []),
        button("Take this photo off the list", () => void this.session.dropPhoto(), { attrs: { disabled: !may } }),
      ),
      state.rule && h("p", { class: "note" }, `Judged by: ${state.rule}`),
      h("h3", null, "Download"),
      files,
      state.saved.length > 0 && h("p", { class: "note" }, `Saved: ${state.saved.join(", ")}`),
      state.attached.length > 0 && h("p", { class: "note" }, `On the record: ${state.attached.join(", ")}`),
    );
  }

  private showDecision(state: PhotoState | null): void {
    const inside = this.decision.contains(document.activeElement);
    const focused = document.activeElement?.id;
    const may = this.session.mayEdit;
    const { decision = null } = state ?? {};
    const signer = h("span", { class: "signer" }, h("label", { attrs: { for: "who" } }, "Signed by"), this.who);
    const keep = h(
      "span",
      { class: "row" },
      button("Save", () => void this.save(), { attrs: { disabled: !may || !ready(state), id: "save" } }),
      button("Attach…", () => void this.attach(), { attrs: { disabled: !may || !ready(state), id: "attach" } }),
    );
    const stamp = decision
      ? h(
          "p",
          { class: `stamp ${decision.word}` },
          h("b", null, decision.word === "accept" ? "Accepted" : "Put aside"),
          ` ${decision.who ? `by ${decision.who} ` : ""}${when(decision.at)}${decision.reason ? `: ${decision.reason}` : ""}`,
        )
      : null;
    const buttons = decision
      ? [
          button("Withdraw", () => void this.session.decide(null), { attrs: { disabled: !may, id: "withdraw" } }),
          button("Next photo to decide", () => this.next(), { class: "first", attrs: { id: "onward" } }),
        ]
      : [
          button("Needs another look…", () => void this.putAside(), { attrs: { disabled: !may, id: "aside" } }),
          button("Accept", () => void this.accept(), {
            class: "first",
            attrs: { disabled: !may || !ready(state), id: "accept" },
          }),
        ];
    put(
      this.decision,
      h("div", { class: "row apart" }, stamp ?? signer, keep),
      h("div", { class: "row apart big" }, ...buttons),
    );
    if (!inside) return;
    // the button that was pressed may be gone: the focus goes to what comes next, not to nowhere
    const again = focused ? this.decision.querySelector<HTMLElement>(`#${focused}`) : null;
    (again ?? this.decision.querySelector<HTMLElement>(".big button:last-child"))?.focus();
  }

  // The sign-off

  async accept(): Promise<void> {
    const { state } = this.session.desk;
    if (state?.decision || !ready(state) || !this.session.mayEdit) return;
    if (await this.session.decide("accept")) this.onward(`${state.name} is accepted.`);
  }

  async putAside(): Promise<void> {
    const { state } = this.session.desk;
    if (!state || state.decision || !this.session.mayEdit) return;
    const answer = await askReason();
    if (answer && (await this.session.decide("look_again", answer.reason))) this.onward(`${state.name} is put aside.`);
  }

  /** After a decision straight on to the next photo that waits for one. */
  private onward(said: string): void {
    const id = this.session.nextOpen();
    this.session.say("good", id ? `${said} This is the next.` : `${said} All photos are decided.`);
    if (id) void this.session.open(id);
  }

  private next(): void {
    const id = this.session.nextOpen();
    if (id) void this.session.open(id);
    else this.session.say("good", "All photos are decided.");
  }

  async save(): Promise<void> {
    await this.session.save();
  }

  async attach(): Promise<void> {
    const { state } = this.session.desk;
    if (!ready(state) || !this.session.mayEdit) return;
    let fault = "";
    let before: AttachAnswer | null = null;
    for (;;) {
      const records = await api.records().catch(() => []);
      const own = state.on_record;
      const there = records.find((r) => r.name === own?.record)?.id;
      if (own && there) before ??= { coupon: own.coupon, section: own.section, record: there };
      const answer: AttachAnswer | null = await askAttach(records, state.name.replace(/\.[^.]*$/, ""), fault, before);
      if (!answer) return;
      const complaint = await this.session.attach(answer);
      if (complaint === null) return;
      [fault, before] = [complaint, answer];
    }
  }

  private async shareSettings(): Promise<void> {
    const { state } = this.session.desk;
    if (state && (await this.session.setDefaults(state.settings, true))) {
      this.session.say(
        "good",
        "Photos still to come, and those here that nobody has touched, are measured with these.",
      );
    }
  }

  readOut(): void {
    const { state } = this.session.desk;
    if (!state) return;
    const unit = this.session.desk.unit;
    const changed = state.welds.flatMap((w) => w.quantities.filter((q) => moved(q, unit)));
    const text = (t: { mm: string; inch: string }): string => (unit === "mm" ? t.mm : t.inch);
    const said = changed
      .slice(0, 4)
      .map((q) => `${q.name} ${text(q.text)}, was ${q.before ? text(q.before.text) : ""}`);
    if (said.length) this.say(said.join(". "));
  }
}

/** Whether there is something to accept: an outline and its numbers. */
const ready = (state: PhotoState | null): state is PhotoState =>
  state !== null && state.welds.length > 0 && state.scale !== null;
