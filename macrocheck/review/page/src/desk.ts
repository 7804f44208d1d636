// What the page knows and does: the queue, the photo that is open, its claim, edits one after another.

import { api, NoAnswer, Refused } from "./api.ts";
import type { Decision, Edit, Holder, Options, PhotoState, PhotoView, Queue, Settings, Unit } from "./protocol.ts";
import { worthDrawing } from "./scene.ts";

const CLAIM_MS = 5000;
const QUEUE_MS = 4000;
const QUEUE_BUSY_MS = 700;
const RETRY_MS = 1500;

export type Notice = { tone: "good" | "bad" | "plain"; text: string };

export type Desk = {
  options: Options;
  queue: Queue;
  view: PhotoView | null;
  state: PhotoState | null;
  /** The photo that is open or being opened. */
  id: string | null;
  /** Why the photo could not be opened. */
  failed: string | null;
  /** Another window that has the photo. */
  heldBy: Holder | null;
  unit: Unit;
  who: string;
  /** Edits under way. */
  busy: number;
  connection: "good" | "lost" | "no entry";
  notice: Notice | null;
};

type Part = "queue" | "photo" | "state" | "unit" | "connection" | "notice" | "busy" | "held";
type Listener = (part: Part, desk: Desk) => void;

export class Session {
  readonly window = windowName();
  private readonly listeners: Listener[] = [];
  private chain: Promise<unknown> = Promise.resolve();
  private claimTimer = 0;
  private queueTimer = 0;
  private opening = 0;

  private constructor(readonly desk: Desk) {}

  static async begin(): Promise<Session> {
    const [options, queue] = await Promise.all([api.options(), api.queue()]);
    const stored = (name: string): string | null => localStorage.getItem(`review.${name}`);
    const unit = stored("unit");
    const session = new Session({
      options,
      queue,
      view: null,
      state: null,
      id: null,
      failed: null,
      heldBy: null,
      unit: unit === "mm" || unit === "in" ? unit : options.unit,
      who: stored("who") || options.who,
      busy: 0,
      connection: "good",
      notice: null,
    });
    session.watchQueue();
    addEventListener("pagehide", () => session.letGo());
    return session;
  }

  listen(listener: Listener): void {
    this.listeners.push(listener);
  }

  private tell(part: Part): void {
    for (const listener of this.listeners) listener(part, this.desk);
  }

  // Preferences of this person on this machine

  setUnit(unit: Unit): void {
    this.desk.unit = unit;
    localStorage.setItem("review.unit", unit);
    this.tell("unit");
  }

  setWho(who: string): void {
    this.desk.who = who.trim();
    localStorage.setItem("review.who", this.desk.who);
  }

  say(tone: Notice["tone"], text: string): void {
    this.desk.notice = { tone, text };
    this.tell("notice");
  }

  quiet(): void {
    this.desk.notice = null;
    this.tell("notice");
  }

  // The queue

  private watchQueue(): void {
    window.clearTimeout(this.queueTimer);
    const { queue, connection } = this.desk;
    const soon = connection !== "good" ? RETRY_MS : queue.waiting > 0 ? QUEUE_BUSY_MS : QUEUE_MS;
    this.queueTimer = window.setTimeout(async () => {
      if (!document.hidden || this.desk.connection !== "good") await this.readQueue();
      this.watchQueue();
    }, soon);
  }

  async readQueue(): Promise<void> {
    try {
      this.takeQueue(await api.queue());
      this.connected();
    } catch (error) {
      this.trouble(error);
    }
  }

  private takeQueue(queue: Queue): void {
    if (JSON.stringify(queue) === JSON.stringify(this.desk.queue)) return;
    this.desk.queue = queue;
    this.tell("queue");
  }

  async setDefaults(settings: Partial<Settings>, untouched: boolean): Promise<boolean> {
    return this.attempt(async () => {
      this.takeQueue(await api.defaults({ settings, untouched }));
      // what the open photo is measured with may have changed with it
      if (untouched && this.desk.id && this.desk.state?.revision === 0) await this.reread();
    });
  }

  /** Take the open photo off the list; its file and what was kept of it stay. */
  async dropPhoto(): Promise<void> {
    const { id } = this.desk;
    if (!id) return;
    const onward = this.nextOpen() ?? this.beside(1) ?? this.beside(-1);
    const done = await this.attempt(async () => {
      const queue = await api.defaults({ drop: [id] });
      this.letGo();
      Object.assign(this.desk, { id: null, view: null, state: null, failed: null, heldBy: null });
      this.takeQueue(queue);
      this.tell("photo");
    });
    if (done && onward) await this.open(onward);
  }

  async addPhotos(files: readonly File[]): Promise<string[]> {
    const added: string[] = [];
    for (const file of files) {
      if (file.size > this.desk.options.most_bytes) {
        const most = Math.round(this.desk.options.most_bytes / 1e6);
        this.say("bad", `${file.name} is larger than the ${most} MB that a picture may have.`);
        continue;
      }
      await this.attempt(async () => {
        added.push((await api.addPhoto(file.name, file)).id);
      });
    }
    await this.readQueue();
    return added;
  }

  /** The photo before or after the open one, in the queue's order. */
  beside(step: 1 | -1): string | null {
    const { items } = this.desk.queue;
    const at = items.findIndex((item) => item.id === this.desk.id);
    return items[at < 0 ? 0 : at + step]?.id ?? null;
  }

  /** The first photo still to be decided, other than the open one. */
  nextOpen(): string | null {
    const item = this.desk.queue.items.find((i) => !i.decision && i.stage !== "failed" && i.id !== this.desk.id);
    return item?.id ?? null;
  }

  // The open photo

  async open(id: string): Promise<void> {
    if (id === this.desk.id && this.desk.state) return;
    const ticket = ++this.opening;
    await this.chain; // what the hand did to the photo that is open goes first
    if (ticket !== this.opening) return;
    this.letGo();
    if (this.desk.notice?.tone === "bad") this.quiet(); // it was about the one that was open
    Object.assign(this.desk, { id, view: null, state: null, failed: null, heldBy: null });
    this.tell("photo");
    const here = (): boolean => ticket === this.opening;
    await this.attempt(
      async () => {
        const claimed = this.claim(false);
        const view = await api.view(id);
        if (!here()) return;
        this.desk.view = view;
        this.tell("photo");
        await claimed;
        const state = await api.state(id);
        if (here()) this.take(state);
      },
      here,
      (text) => {
        this.desk.failed = text;
        this.tell("photo");
      },
    );
  }

  private async reread(): Promise<void> {
    const { id } = this.desk;
    if (!id) return;
    const state = await api.state(id);
    if (this.desk.id === id) this.take(state);
  }

  private take(state: PhotoState): void {
    if (state.id !== this.desk.id) return;
    this.desk.state = worthDrawing(state);
    this.desk.failed = null;
    this.tell("state");
    void this.readQueue();
  }

  async claim(takeOver: boolean): Promise<void> {
    window.clearTimeout(this.claimTimer);
    const { id } = this.desk;
    if (!id) return;
    try {
      await api.claim(id, { window: this.window, who: this.desk.who, take_over: takeOver });
      if (this.desk.id !== id) return;
      const waited = this.desk.heldBy !== null;
      this.setHeld(null);
      this.connected();
      if (this.desk.failed !== null && !this.desk.state) void this.open(id); // what was gone is back
      if (waited && this.desk.state) await this.reread().catch((e: unknown) => this.trouble(e));
    } catch (error) {
      if (this.desk.id !== id) return;
      // why a photo cannot be used is said where it is opened
      if (!(error instanceof Refused && ["not_found", "cannot"].includes(error.problem.code))) this.trouble(error);
    }
    window.clearTimeout(this.claimTimer);
    this.claimTimer = window.setTimeout(() => void this.claim(false), CLAIM_MS);
  }

  private setHeld(by: Holder | null): void {
    const was = this.desk.heldBy?.window;
    this.desk.heldBy = by;
    if (was !== by?.window) this.tell("held");
  }

  private letGo(): void {
    window.clearTimeout(this.claimTimer);
    const { id, heldBy } = this.desk;
    if (id && !heldBy) api.release(id, { window: this.window });
  }

  /** Whether the hand may change anything now. */
  get mayEdit(): boolean {
    const { state, heldBy, connection } = this.desk;
    return state !== null && heldBy === null && connection === "good";
  }

  /** Send an edit after those under way. An edit whose answer was lost is sent again: its revision tells if it was made. */
  edit(edit: Edit, resolution = 1): Promise<boolean> {
    return this.inTurn(async (state) => {
      const body = { revision: state.revision, window: this.window, who: this.desk.who, resolution, edit };
      this.take(await this.persist(() => api.edit(state.id, body), state.revision));
    });
  }

  decide(word: Decision["word"] | null, reason = ""): Promise<boolean> {
    return this.inTurn(async (state) => {
      const body = { revision: state.revision, window: this.window, who: this.desk.who, word, reason };
      this.take(await this.persist(() => api.decide(state.id, body), state.revision));
    });
  }

  save(): Promise<boolean> {
    return this.inTurn(async (state) => {
      const saved = await api.save(state.id, { revision: state.revision, window: this.window });
      this.take(saved.state);
      this.say("good", `Saved in ${saved.folder}: ${saved.files.join(", ")}.`);
    });
  }

  attach(body: Record<string, unknown>): Promise<string | null> {
    let said: string | null = null;
    return this.inTurn(async (state) => {
      try {
        const mine = { revision: state.revision, window: this.window, who: this.desk.who };
        const done = await api.attach(state.id, { ...body, ...mine });
        this.take(done.state);
        this.say("good", `On the record ${done.record}, revision ${done.revisions}.`);
      } catch (error) {
        if (!(error instanceof Refused && error.problem.code === "cannot")) throw error;
        said = error.problem.text;
      }
    }).then((done) => said ?? (done ? null : "It was not attached."));
  }

  private inTurn(work: (state: PhotoState) => Promise<void>): Promise<boolean> {
    const { id } = this.desk;
    const turn = this.chain.then(async () => {
      const { state } = this.desk;
      if (!state || state.id !== id || !this.mayEdit) return false;
      this.desk.busy += 1;
      this.tell("busy");
      try {
        return await this.attempt(() => work(state));
      } finally {
        this.desk.busy -= 1;
        this.tell("busy");
      }
    });
    this.chain = turn.catch(() => undefined);
    return turn;
  }

  /** Ask until there is an answer. Where one was lost, a refusal by the very next revision means that it was done. */
  private async persist(send: () => Promise<PhotoState>, revision: number): Promise<PhotoState> {
    for (let again = false; ; again = true) {
      try {
        return await send();
      } catch (error) {
        const newer = error instanceof Refused ? error.problem.state : undefined;
        if (again && newer?.revision === revision + 1) return newer;
        if (!(error instanceof NoAnswer)) throw error;
        this.trouble(error);
        await new Promise((resolve) => window.setTimeout(resolve, RETRY_MS));
      }
    }
  }

  /** Do some work; where it is refused and still `wanted`, `refused` is told why, or the notice says so. */
  private async attempt(
    work: () => Promise<void>,
    wanted: () => boolean = () => true,
    refused: (text: string) => void = (text) => this.say("bad", text),
  ): Promise<boolean> {
    try {
      await work();
      this.connected();
      return true;
    } catch (error) {
      if (wanted()) this.trouble(error, refused);
      return false;
    }
  }

  // What can go wrong

  private connected(): void {
    if (this.desk.connection !== "lost") return;
    this.desk.connection = "good";
    this.tell("connection");
    if (this.desk.id) void this.claim(false);
    if (this.desk.id && !this.desk.state) void this.open(this.desk.id);
  }

  private trouble(error: unknown, refused: (text: string) => void = (text) => this.say("bad", text)): void {
    if (error instanceof NoAnswer) {
      if (this.desk.connection !== "good") return;
      this.desk.connection = "lost";
      this.tell("connection");
      this.watchQueue();
      return;
    }
    if (!(error instanceof Refused)) throw error;
    const { problem } = error;
    if (problem.code === "no_entry") {
      this.desk.connection = "no entry";
      this.tell("connection");
    } else if (problem.code === "held" && problem.held_by) {
      this.setHeld(problem.held_by);
    } else if (problem.code === "stale" && problem.state) {
      this.take(problem.state);
      this.say("plain", `${problem.text} What is shown now is the newest.`);
    } else {
      refused(problem.text);
    }
  }
}

function windowName(): string {
  const had = sessionStorage.getItem("review.window");
  // A duplicated tab brings its twin's sessionStorage with it; only a reload may keep the name.
  const [entry] = performance.getEntriesByType("navigation") as PerformanceNavigationTiming[];
  if (had && entry?.type === "reload") return had;
  const name = crypto.randomUUID().replaceAll("-", "");
  sessionStorage.setItem("review.window", name);
  return name;
}
