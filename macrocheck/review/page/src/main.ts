// The page: puts the strip of photos, the bench, the sheet and the caution together, and listens to the keyboard.

import "./page.css";
import { NoAnswer, Refused } from "./api.ts";
import { Bench } from "./bench.ts";
import { button, h, put } from "./dom.ts";
import { Session, type Desk } from "./desk.ts";
import { showHelp } from "./help.ts";
import { Keys } from "./keys.ts";
import { QueueStrip } from "./queue.ts";
import { weldBox } from "./scene.ts";
import { Sheet } from "./sheet.ts";
import { Start, startPanel, takeDrops } from "./start.ts";
import { offered, TOOLS } from "./tools.ts";

type Box = readonly [number, number, number, number];

async function begin(): Promise<void> {
  let session: Session;
  try {
    session = await Session.begin();
  } catch (error) {
    if (!(error instanceof Refused || error instanceof NoAnswer)) throw error;
    const text = error instanceof Refused ? error.problem.text : "The program behind this page does not answer.";
    put(
      document.body,
      h(
        "main",
        { class: "stopped" },
        h("h1", null, "Not open"),
        h("p", null, text),
        h("p", null, "Open the address that the program printed when it was started."),
      ),
    );
    return;
  }
  build(session);
}

function build(session: Session): void {
  const { desk } = session;
  const bench = new Bench(session);
  const sheet = new Sheet(
    session,
    (box) => bench.view.fit(roomRound(box, desk.state ? weldBox(desk.state) : null)),
    (text) => bench.say(text),
    (id) => bench.hand.choose(id),
  );
  let panel: HTMLDialogElement | null = null;
  const start = new Start(session, (ids) => {
    panel?.close();
    if (!desk.id && ids[0]) void session.open(ids[0]);
  });
  const add = (): void => {
    panel = startPanel(start);
    panel.addEventListener("close", () => show());
  };
  const help = (): void => showHelp(keys.on, (on) => keys.set(on));
  const unit = (): void => session.setUnit(desk.unit === "mm" ? "in" : "mm");
  const strip = new QueueStrip(session, add, unit, help);
  const notice = h("p", { class: "notice", attrs: { role: "status", hidden: true } });
  const trouble = h("div", { class: "trouble", attrs: { role: "alert", hidden: true } });
  const main = h("main", { class: "main" });
  const caution = h(
    "footer",
    { class: "caution" },
    h("p", null, h("b", null, "Caution: "), desk.options.cautions.join(" ")),
  );
  put(document.body, h("div", { class: "top" }, strip.element, trouble), main, caution, notice);

  let empty: boolean | null = null;
  const show = (): void => {
    strip.show(desk);
    const none = desk.queue.total === 0;
    if (none !== empty) {
      const began = empty !== null;
      empty = none;
      put(main, ...(none ? [start.element] : [bench.element, sheet.element]));
      if (!none && began) bench.photo.focus({ preventScroll: true });
    }
    document.body.classList.toggle("empty", none);
    if (none) {
      if (!start.element.isConnected) put(main, start.element);
      start.show();
      return;
    }
    sheet.show(desk);
  };
  const listen = (part: string, now: Desk): void => {
    show();
    if (part === "photo" || part === "state" || part === "held") bench.show(now);
    if (part === "state") sheet.readOut();
    if (part === "busy" || part === "connection") bench.draw();
    if (part === "notice") showNotice(notice, session);
    if (part === "connection") showTrouble(trouble, now, () => bench.refreshTiles());
    document.title = now.state ? `${now.state.name} · section review` : "Section review";
  };
  session.listen(listen);
  const keys = wire(session, bench, sheet, strip, { help, unit, add });
  takeDrops((files) => void start.take(files));
  show();
  const first = desk.queue.last ?? desk.queue.items[0]?.id;
  const known = desk.queue.items.find((item) => item.id === first);
  if (known) void session.open(known.id);
}

/** A place with as much round it as tells where on the weld it is. */
function roomRound(box: Box, weld: Box | null): Box {
  const least = weld ? 0.4 * Math.max(weld[2] - weld[0], weld[3] - weld[1]) : 60;
  const size = Math.max(box[2] - box[0], box[3] - box[1]);
  const room = Math.max(30, 0.4 * size, (least - size) / 2);
  return [box[0] - room, box[1] - room, box[2] + room, box[3] + room];
}

let noticeTimer = 0;

function showNotice(node: HTMLElement, session: Session): void {
  const { notice } = session.desk;
  window.clearTimeout(noticeTimer);
  node.hidden = notice === null;
  if (!notice) {
    put(node);
    return;
  }
  node.className = `notice ${notice.tone}`;
  put(
    node,
    h("span", null, notice.text),
    button("Close", () => session.quiet()),
  );
  if (notice.tone !== "bad") noticeTimer = window.setTimeout(() => session.quiet(), 7000);
}

let wasLost = false;

function showTrouble(node: HTMLElement, desk: Desk, back: () => void): void {
  const { connection } = desk;
  node.hidden = connection === "good";
  const texts = {
    good: "",
    lost: "The program behind this page does not answer. What you did is kept, but for what it was just doing; this page goes on as soon as it is back. If it was ended, start it again and open the address that it prints.",
    "no entry":
      "The program was started anew, and this page's key is no longer good. Open the new address that it printed: your work is there.",
  };
  put(node, h("p", null, texts[connection]));
  if (connection === "good" && wasLost) back();
  wasLost = connection !== "good";
}

type Actions = { help: () => void; unit: () => void; add: () => void };

function wire(session: Session, bench: Bench, sheet: Sheet, strip: QueueStrip, actions: Actions): Keys {
  const { hand, view } = bench;
  const step =
    (dx: number, dy: number) =>
    (event: KeyboardEvent): void => {
      const length = event.shiftKey
        ? 1
        : Math.max(1, Math.round((event.ctrlKey || event.metaKey ? 60 : 10) * view.resolution));
      hand.step(dx * length, dy * length);
    };
  const act = (event: KeyboardEvent): void => {
    if (event.repeat) return;
    hand.cursor ??= view.middle();
    hand.act();
  };
  const remove = (): void => hand.remove();
  const undo = (): void => void session.edit({ kind: "undo" });
  const redo = (): void => void session.edit({ kind: "redo" });
  const light = (part: "brightness" | "contrast", by: number) => () =>
    bench.setLight({ [part]: bench.light[part] + by });
  const tools = Object.fromEntries(
    TOOLS.map((tool) => [
      tool.key,
      () => {
        if (!offered(tool.id, session.desk.state)) return;
        hand.choose(tool.id);
        bench.say(`${tool.name}. ${tool.prompt}`);
      },
    ]),
  );
  return new Keys(
    {
      ArrowLeft: step(-1, 0),
      ArrowRight: step(1, 0),
      ArrowUp: step(0, -1),
      ArrowDown: step(0, 1),
      Enter: act,
      " ": act,
      Escape: () => void hand.cancel(),
      Delete: remove,
      Backspace: () => (hand.draft.length > 0 ? hand.takeBack() : hand.remove()),
      PageUp: () => view.pan(0, -120),
      PageDown: () => view.pan(0, 120),
      Home: () => view.pan(-120, 0),
      End: () => view.pan(120, 0),
    },
    {
      ...tools,
      ".": () => hand.jump(1),
      ",": () => hand.jump(-1),
      d: () => hand.finish(),
      k: () => bench.setToesKeep(!hand.toesKeep),
      "+": () => view.zoom(1.25, hand.cursor),
      "=": () => view.zoom(1.25, hand.cursor),
      "-": () => view.zoom(0.8, hand.cursor),
      f: () => view.fit(null),
      w: () => bench.showWeld(),
      q: () => sheet.nextDoubt(),
      n: () => strip.go(1),
      p: () => strip.go(-1),
      y: () => void sheet.accept(),
      x: () => void sheet.putAside(),
      s: () => void sheet.save(),
      t: () => void sheet.attach(),
      u: actions.unit,
      l: () => bench.turnLoupe(),
      b: light("brightness", 0.1),
      v: light("brightness", -0.1),
      c: light("contrast", 0.1),
      z: light("contrast", -0.1),
      h: () => bench.setLight({ equalise: !bench.light.equalise }),
      r: () => bench.setLight({ brightness: 0, contrast: 0, equalise: false }),
      g: () => bench.toggleFound(),
      a: actions.add,
      "?": actions.help,
    },
    { z: undo, y: redo, "shift z": redo },
    bench.photo,
  );
}

void begin();
