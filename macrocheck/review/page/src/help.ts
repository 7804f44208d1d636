// The help panel: every key, and what the lines and signs on the photo are.

import { openPanel } from "./dialogs.ts";
import { h, svg } from "./dom.ts";
import { verdictSign } from "./signs.ts";
import { LINES, type Line } from "./strokes.ts";
import { TOOLS } from "./tools.ts";

const KEYS: [string, [string, string][]][] = [
  [
    "Mouse and finger",
    [
      ["Wheel, pinch", "closer, further"],
      ["Drag", "take up what is under it; beside that, move the photo"],
      ["Middle button, two fingers", "move the photo, whatever a click means"],
      ["Finger", "aim with the loupe; what it points at is set when it lifts"],
    ],
  ],
  [
    "On the photo",
    [
      ["Arrows", "move the cursor (with Shift: by one pixel; with Ctrl: further)"],
      ["Enter, Space", "take up what is under the cursor, and drop it; or click there"],
      [". ,", "next, previous thing to grab"],
      ["Delete", "take away what is chosen: a point, a void, an indication, a click"],
      ["Backspace", "take back the last point of a line being set"],
      ["D", "the line being set is done"],
      ["Escape", "leave it as it was"],
      ["K", "toes keep to the surface, or not"],
      ["+ −", "closer, further"],
      ["F, W", "the whole photo, the weld"],
      ["Page Up, Page Down, Home, End", "move the photo up, down, left, right"],
    ],
  ],
  ["What a click means", TOOLS.map((tool) => [tool.key.toUpperCase(), tool.name] as [string, string])],
  [
    "The work",
    [
      ["Ctrl Z, Ctrl Y", "undo, redo"],
      ["Q", "next doubt: zoom to its place"],
      ["N, P", "next, previous photo"],
      ["A", "add photos"],
      ["Y", "accept"],
      ["X", "needs another look, with a reason"],
      ["S", "save the files"],
      ["T", "attach to a record"],
      ["U", "millimetres or inches"],
    ],
  ],
  [
    "For the eye",
    [
      ["L", "loupe: as needed, always, never"],
      ["B, V", "brighter, darker"],
      ["C, Z", "more, less contrast"],
      ["H", "equalise the shades of what is in view"],
      ["R", "brightness and contrast as they were"],
      ["G", "show what the machine found"],
      ["?", "this help"],
    ],
  ],
];

const LEGEND: [Line, string][] = [
  [LINES.fusion, "fusion boundary"],
  [LINES.face, "weld face"],
  [LINES.surface_butting, "member surface; sparser: extended to the joint root"],
  [LINES.span, "unfused stretch of a leg"],
  [LINES.haz_butting, "outer edge of the heat-affected zone"],
  [LINES.groove_butting, "groove of an undercut"],
  [LINES.void, "void"],
  [LINES.indication, "indication: look here"],
  [LINES.found, "what the machine found, where the hand changed it"],
  [LINES.scale, "reference mark"],
];

export function showHelp(keysOn: boolean, setKeys: (on: boolean) => void): void {
  const box = h("input", { attrs: { type: "checkbox", id: "single-keys", checked: keysOn } });
  box.addEventListener("change", () => setKeys(box.checked));
  openPanel(
    "Help",
    h(
      "p",
      null,
      "Look at the outline on the photo. Where it is wrong, drag it right, or click where the fusion boundary should pass. ",
      "The numbers follow. Accept it when it is right; put it aside with a reason when it cannot be. ",
      "Every change is kept at once; what the machine found stays beside what the hand made of it.",
    ),
    h(
      "p",
      { class: "row" },
      box,
      h(
        "label",
        { attrs: { for: "single-keys" } },
        "Single letters and digits are shortcuts (Ctrl, arrows, Enter and Escape always work)",
      ),
    ),
    h(
      "div",
      { class: "help-columns" },
      ...KEYS.map(([title, rows]) =>
        h(
          "section",
          null,
          h("h3", null, title),
          h(
            "dl",
            { class: "keys" },
            ...rows.flatMap(([key, text]) => [
              h("dt", null, ...key.split(", ").map((one) => h("kbd", null, one))),
              h("dd", null, text),
            ]),
          ),
        ),
      ),
      h(
        "section",
        null,
        h("h3", null, "Lines and signs"),
        h(
          "ul",
          { class: "legend" },
          ...LEGEND.map(([line, text]) => h("li", null, sample(line), h("span", null, text))),
        ),
        h(
          "ul",
          { class: "legend" },
          h("li", null, verdictSign("accept"), "inside the limit by more than its guard band"),
          h("li", null, verdictSign("undecided"), "too near to the limit to tell, or no value"),
          h("li", null, verdictSign("reject"), "outside by more than the guard band"),
        ),
      ),
    ),
  );
}

function sample(line: Line): Node {
  const stroke = { x1: 2, x2: 46, y1: 8, y2: 8, fill: "none" };
  return svg(
    "svg",
    { viewBox: "0 0 48 16", width: 48, height: 16, "aria-hidden": "true", class: "line-sample" },
    svg("line", {
      ...stroke,
      stroke: line.colour,
      "stroke-width": line.width,
      ...(line.dash ? { "stroke-dasharray": line.dash.join(" ") } : {}),
    }),
  );
}
