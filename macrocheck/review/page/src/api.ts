// Talking to the server on this machine: answers, refusals, and a connection that is gone.

import type {
  Claim,
  LimitChoice,
  Options,
  PhotoState,
  PhotoView,
  Problem,
  Queue,
  QueueItem,
  RecordChoice,
} from "./protocol.ts";

/** The server's refusal, in its own words. */
export class Refused extends Error {
  constructor(
    readonly problem: Problem,
    readonly status: number,
  ) {
    super(problem.text);
  }
}

/** No answer came at all: the program ended, or is too busy to answer. */
export class NoAnswer extends Error {}

const PATIENCE_MS = 30_000;
/** For what is asked again and again, and tells whether the program is there at all. */
const POLL_PATIENCE_MS = 10_000;

async function ask<T>(path: string, init: RequestInit = {}, patience = PATIENCE_MS): Promise<T> {
  let answer: Response;
  let body: unknown;
  try {
    answer = await fetch(path, {
      credentials: "same-origin",
      cache: "no-store",
      ...init,
      signal: AbortSignal.timeout(patience),
    });
    const text = await answer.text();
    body = text ? JSON.parse(text) : null;
  } catch (error) {
    throw new NoAnswer(error instanceof Error ? error.message : String(error));
  }
  if (answer.ok) return body as T;
  const problem = (body ?? {}) as Partial<Problem>;
  throw new Refused(
    { ...problem, code: problem.code ?? "fault", text: problem.text ?? `The program answered ${answer.status}.` },
    answer.status,
  );
}

function post<T>(path: string, body: unknown, patience = PATIENCE_MS): Promise<T> {
  const init = {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  };
  return ask<T>(path, init, patience);
}

const photo = (id: string, rest = ""): string => `/api/photos/${encodeURIComponent(id)}${rest}`;

export const api = {
  options: () => ask<Options>("/api/options"),
  queue: () => ask<Queue>("/api/queue", {}, POLL_PATIENCE_MS),
  defaults: (body: unknown) => post<Queue>("/api/queue", body),
  addPhoto: (name: string, bytes: Blob) =>
    ask<QueueItem>(
      `/api/photos?name=${encodeURIComponent(name)}`,
      { method: "POST", headers: { "Content-Type": "application/octet-stream" }, body: bytes },
      10 * PATIENCE_MS,
    ),
  addLimits: (name: string, text: Blob) =>
    ask<LimitChoice>(`/api/limits?name=${encodeURIComponent(name)}`, {
      method: "POST",
      headers: { "Content-Type": "application/toml" },
      body: text,
    }),
  view: (id: string) => ask<PhotoView>(photo(id, "/view")),
  state: (id: string) => ask<PhotoState>(photo(id)),
  claim: (id: string, body: unknown) => post<Claim>(photo(id, "/claim"), body, POLL_PATIENCE_MS),
  edit: (id: string, body: unknown) => post<PhotoState>(photo(id, "/edits"), body),
  decide: (id: string, body: unknown) => post<PhotoState>(photo(id, "/decision"), body),
  save: (id: string, body: unknown) => post<import("./protocol.ts").Saved>(photo(id, "/save"), body),
  attach: (id: string, body: unknown) => post<import("./protocol.ts").Attached>(photo(id, "/attach"), body),
  records: () => ask<RecordChoice[]>("/api/records"),
  release: (id: string, body: unknown) =>
    navigator.sendBeacon(photo(id, "/release"), new Blob([JSON.stringify(body)], { type: "application/json" })),
  tile: (id: string, z: number, x: number, y: number) => photo(id, `/tiles/${z}/${x}/${y}.jpg`),
  file: (id: string, kind: "result.json" | "outline.geojson" | "overlay.png") => photo(id, `/files/${kind}`),
};
