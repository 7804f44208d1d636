// What a click on the photo can mean.

import type { PhotoState } from "./protocol.ts";

export type ToolId =
  | "move"
  | "through"
  | "avoid"
  | "redraw"
  | "unfused"
  | "fused"
  | "void"
  | "indication"
  | "scale"
  | "edge"
  | "butting"
  | "draw";

/** grab: drag what is there; spot: one click; ends: two places; path: a line or a ring, drawn or set point by point. */
export type Gesture = "grab" | "spot" | "ends" | "path";

export type Tool = {
  id: ToolId;
  key: string;
  name: string;
  gesture: Gesture;
  prompt: string;
  /** Path of its sign in a box of 20 by 20. */
  sign: string;
};

export const TOOLS: readonly Tool[] = [
  {
    id: "move",
    key: "1",
    name: "Move",
    gesture: "grab",
    prompt:
      "Drag a toe, the joint root, a surface's end, the mark's ends or any spot of a line. Drag elsewhere to move the photo.",
    sign: "M10 2v16M2 10h16M10 2l-2.5 3M10 2l2.5 3M10 18l-2.5-3M10 18l2.5-3M2 10l3-2.5M2 10l3 2.5M18 10l-3-2.5M18 10l-3 2.5",
  },
  {
    id: "through",
    key: "2",
    name: "Passes here",
    gesture: "spot",
    prompt: "Click where the fusion boundary should pass; the rest is found anew through it.",
    sign: "M2 16C6 16 6 10 10 10s4-6 8-6M10 7a3 3 0 1 0 .01 0",
  },
  {
    id: "avoid",
    key: "3",
    name: "Not here",
    gesture: "spot",
    prompt: "Click on a line that the fusion boundary must not follow.",
    sign: "M2 16C6 16 6 10 10 10s4-6 8-6M6 6l8 8M14 6l-8 8",
  },
  {
    id: "redraw",
    key: "4",
    name: "Redraw",
    gesture: "path",
    prompt: "Draw the stretch of face or fusion boundary as it should run: in one stroke, or click by click.",
    sign: "M3 17l3-1L17 5l-2-2L4 14zM12 17h6",
  },
  {
    id: "unfused",
    key: "5",
    name: "Unfused",
    gesture: "ends",
    prompt: "Drag along the leg from where it is unfused to where it is not, or click the two ends.",
    sign: "M2 10h16M4 7v6M8 7v6M12 7v6M16 7v6",
  },
  {
    id: "fused",
    key: "6",
    name: "Fused",
    gesture: "ends",
    prompt: "Drag along the leg from where it is fused on, or click the two ends.",
    sign: "M2 7h16M2 7c3 9 13 9 16 0",
  },
  {
    id: "void",
    key: "7",
    name: "Void",
    gesture: "path",
    prompt: "Draw round the void: in one stroke, or click by click.",
    sign: "M10 4c5 0 7 4 5 8s-8 5-10 1 0-9 5-9z",
  },
  {
    id: "indication",
    key: "8",
    name: "Indication",
    gesture: "path",
    prompt: "Draw along the indication: in one stroke, or click by click.",
    sign: "M4 16l4-4-1-3 5-2 0-3 4-1",
  },
  {
    id: "scale",
    key: "9",
    name: "Scale",
    gesture: "ends",
    prompt: "Drag from end to end of something of known length, or click its two ends; then say how long it is.",
    sign: "M2 13h16M2 9v8M18 9v8M6 11v4M10 10v6M14 11v4",
  },
  {
    id: "edge",
    key: "e",
    name: "Plate's edge",
    gesture: "spot",
    prompt: "Click where the upper plate's end face was before it melted.",
    sign: "M3 5h8v10M11 15h6",
  },
  {
    id: "butting",
    key: "m",
    name: "Butting",
    gesture: "spot",
    prompt: "Click in the butting member: in a tee the one whose end meets the other, in a lap the upper plate.",
    sign: "M2 15h16M2 18h16M8 2v13M12 2v13",
  },
  {
    id: "draw",
    key: "0",
    name: "New weld",
    gesture: "path",
    prompt: "Click the toe on the butting member, the joint root, the toe on the nonbutting member.",
    sign: "M4 3v13h13M4 5l11 11",
  },
];

export const toolOf = (id: ToolId): Tool => TOOLS.find((tool) => tool.id === id) as Tool;

/** What some tools are for is not on every photo: they are there where it is. */
export function offered(id: ToolId, state: PhotoState | null): boolean {
  if (id === "edge") return state?.joint === "lap";
  if (id !== "butting") return true;
  return (
    state?.flags.some((f) => f.code === "member_unsure") || state?.hints.some((x) => x.hint === "butting") || false
  );
}
