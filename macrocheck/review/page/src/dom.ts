// Elements made by hand. Text only ever becomes text nodes, so no name or label can turn into markup.

type Child = Node | string | null | undefined | false;
type Props = {
  class?: string;
  on?: Partial<{ [K in keyof HTMLElementEventMap]: (event: HTMLElementEventMap[K]) => void }>;
  attrs?: Record<string, string | number | boolean | null | undefined>;
};

export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  props: Props | null = null,
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const node = document.createElement(tag);
  dress(node, props);
  add(node, children);
  return node;
}

const SVG = "http://www.w3.org/2000/svg";

export function svg<K extends keyof SVGElementTagNameMap>(
  tag: K,
  attrs: Record<string, string | number> = {},
  ...children: Child[]
): SVGElementTagNameMap[K] {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attrs)) node.setAttribute(name, String(value));
  add(node, children);
  return node;
}

function dress(node: HTMLElement, props: Props | null): void {
  if (!props) return;
  if (props.class) node.className = props.class;
  for (const [name, value] of Object.entries(props.attrs ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    node.setAttribute(name, value === true ? "" : String(value));
  }
  for (const [name, listener] of Object.entries(props.on ?? {})) {
    node.addEventListener(name, listener as EventListener);
  }
}

function add(node: Element, children: Child[]): void {
  for (const child of children) {
    if (child === null || child === undefined || child === false) continue;
    node.append(child);
  }
}

export function put(node: Element, ...children: Child[]): void {
  node.replaceChildren();
  add(node, children);
}

export function button(label: string, press: () => void, props: Props = {}): HTMLButtonElement {
  return h("button", { ...props, attrs: { type: "button", ...props.attrs }, on: { click: press, ...props.on } }, label);
}

/** A time as the reader's own clock shows it; as it came where it is none. */
export function when(at: string): string {
  const time = new Date(at);
  if (Number.isNaN(time.getTime())) return at;
  const today = time.toDateString() === new Date().toDateString();
  return time.toLocaleString([], today ? { timeStyle: "short" } : { dateStyle: "short", timeStyle: "short" });
}
