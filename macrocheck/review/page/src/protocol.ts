// What the server says and takes; the words are explained in macrocheck/review/protocol.py.

import type { Point } from "./curves.ts";

export type Joint = "tee" | "lap" | "bead";
export type Word = "accept" | "undecided" | "reject";
export type Unit = "mm" | "in";
export type Text = { mm: string; inch: string };
export type Value = number | number[] | number[][] | null;

export type Problem = {
  code: "no_entry" | "not_found" | "bad_request" | "cannot" | "too_large" | "stale" | "held" | "fault";
  text: string;
  state?: PhotoState;
  held_by?: Holder;
};

export type MarkChoice = {
  name: string;
  form: string;
  meaning: string;
  needs: "length" | "length or coin" | "maybe length" | "nothing" | "two points";
  coins: string[];
  laid: boolean;
};

export type LimitRow = {
  name: string;
  quantities: string[];
  at_least: string | null;
  at_most: string | null;
  source: string;
  note: string;
};

export type LimitChoice = {
  id: string;
  title: string;
  note: string;
  shipped: boolean;
  symbols: string[];
  needed: string[];
  rows: LimitRow[];
};

export type RecordChoice = { id: string; name: string; default: boolean };

export type Settings = {
  marks: string[];
  joint: "auto" | Joint;
  limits: string | null;
  given: Record<string, string>;
  guard: number | null;
  fusion_threshold: string;
  mark_offset: string | null;
  camera_distance: string | null;
};

export type Options = {
  version: string;
  marks: MarkChoice[];
  joints: string[];
  limits: LimitChoice[];
  units: string[];
  quantities: { key: string; unit: string; name: string; meaning: string }[];
  cautions: string[];
  defaults: Settings;
  unit: Unit;
  who: string;
  keep_folder: string;
  most_bytes: number;
  most_pixels: number;
  click_u_px: number;
  tile_px: number;
};

export type Decision = { word: "accept" | "look_again"; reason: string; who: string; at: string };

export type QueueItem = {
  id: string;
  name: string;
  stage: "waiting" | "working" | "ready" | "failed";
  problem: string | null;
  doubts: number;
  grade: Word | null;
  edited: boolean;
  decision: Decision | null;
  held: boolean;
  attached: boolean;
  saved: boolean;
  thumb: string;
};

export type Queue = {
  items: QueueItem[];
  total: number;
  accepted: number;
  look_again: number;
  open: number;
  waiting: number;
  last: string | null;
  defaults: Settings;
};

export type Level = { width: number; height: number; columns: number; rows: number };

export type PhotoView = {
  id: string;
  name: string;
  width: number;
  height: number;
  tile_px: number;
  levels: Level[];
};

export type VerdictState = {
  limit: string;
  quantity: string;
  word: Word;
  before: Word | null;
  at_least: number | null;
  at_most: number | null;
  unit: string;
  value: number | null;
  guard: number;
  source: string;
  text: string;
  limit_text: Text;
};

export type QuantityState = {
  key: string;
  name: string;
  unit: string;
  value: Value;
  u: number | null;
  U95: number | null;
  reason: string | null;
  text: Text;
  before: { value: Value; u: number | null; U95: number | null; text: Text } | null;
  verdicts: VerdictState[];
};

export type FlagState = {
  code: string;
  text: string;
  where_px: Point[];
  box: [number, number, number, number] | null;
  weld: number | null;
  asks: boolean;
};

export type Part =
  | "face"
  | "fusion"
  | "surface_butting"
  | "surface_nonbutting"
  | "surface_top"
  | "void"
  | "haz_butting"
  | "haz_nonbutting"
  | "groove_butting"
  | "groove_nonbutting"
  | "indication"
  | "seam_end";

export type Feature = {
  id: string;
  weld: number;
  part: Part;
  shape: "line" | "ring" | "point";
  points: Point[];
  by_hand: boolean;
  hand: number[];
  handles: number[];
  u_px: number[];
};

export type HintWord = "through" | "avoid" | "root" | "toe" | "edge" | "butting";
export type HintState = { index: number; hint: HintWord; at: Point };

export type SpanState = {
  member: "butting" | "nonbutting";
  start_mm: number;
  end_mm: number;
  points: Point[];
  by_hand: boolean;
};

export type WeldState = {
  index: number;
  joint: Joint;
  joint_root: Point | null;
  toe_butting: Point | null;
  toe_nonbutting: Point | null;
  features: Feature[];
  found: Feature[];
  spans: SpanState[];
  quantities: QuantityState[];
  changed: string[];
  confirmable: boolean;
};

export type MarkState = {
  kind: string;
  text: string;
  points: Point[];
  ends: Point[] | null;
  length: string | null;
  mm_per_px: number;
  u_rel: number;
};

export type ScaleState = {
  mm_per_px: number;
  u_rel: number;
  method: string;
  marks: MarkState[];
  by_hand: boolean;
};

export type Change = { revision: number; kind: string; text: string; who: string; at: string; points: Point[] };
export type Holder = { window: string; who: string; seconds: number };

export type PhotoState = {
  id: string;
  name: string;
  revision: number;
  view: PhotoView;
  settings: Settings;
  scale: ScaleState | null;
  scale_problem: string | null;
  welds: WeldState[];
  outline_problem: string | null;
  made_by: string;
  joint: Joint | null;
  hints: HintState[];
  flags: FlagState[];
  grade: Word | null;
  grade_before: Word | null;
  limits_title: string | null;
  rule: string | null;
  notes: string[];
  cautions: string[];
  changes: Change[];
  decision: Decision | null;
  can_undo: boolean;
  can_redo: boolean;
  undo_text: string | null;
  redo_text: string | null;
  held_by: Holder | null;
  saved: string[];
  attached: string[];
  on_record: { record: string; coupon: string; section: string } | null;
  ms: Record<string, number>;
};

export type PointName = "joint_root" | "toe_butting" | "toe_nonbutting" | "seam_end";

export type Edit =
  | { kind: "move_point"; weld: number; point: PointName; to: Point; free?: boolean }
  | { kind: "move_vertex"; feature: string; index: number; to: Point; reach_px?: number }
  | { kind: "add_vertex"; feature: string; index: number; at: Point }
  | { kind: "remove_vertex"; feature: string; index: number; reach_px?: number }
  | { kind: "redraw"; feature: string; points: Point[] }
  | { kind: "pass_through" | "avoid" | "hint"; at: Point; hint?: HintWord }
  | { kind: "remove_hint"; index: number }
  | { kind: "mark_span"; weld: number; state: "unfused" | "fused"; start: Point; end: Point }
  | { kind: "add_void"; weld: number; points: Point[] }
  | { kind: "add_indication"; weld: number; points: Point[] }
  | { kind: "remove"; feature: string }
  | { kind: "remove_weld"; weld: number }
  | { kind: "confirm"; weld: number }
  | {
      kind: "draw_weld";
      joint: Joint;
      toe_butting: Point;
      toe_nonbutting: Point;
      joint_root?: Point;
      replace?: number;
    }
  | { kind: "set_scale"; ends: Point[]; length: string }
  | { kind: "settings"; settings: Partial<Settings> }
  | { kind: "undo" | "redo" | "reset" };

export type Saved = { folder: string; files: string[]; state: PhotoState };
export type Attached = { record: string; revisions: number; hash: string | null; state: PhotoState };
export type Claim = { held_by: Holder | null };
