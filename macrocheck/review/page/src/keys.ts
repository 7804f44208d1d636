// The keyboard, for all of it. Single letters may be switched off; they never act while something is typed.

export type KeyMap = Record<string, (event: KeyboardEvent) => void>;

const TYPING = "input:not([type=range]):not([type=checkbox]), textarea, select, dialog";

export class Keys {
  on: boolean;

  constructor(
    /** Keys that act on the photo while it or nothing has the focus, by `KeyboardEvent.key`. */
    private readonly photo: KeyMap,
    /** Single characters, anywhere on the page. */
    private readonly single: KeyMap,
    /** With Ctrl or Cmd, anywhere but while typing. */
    private readonly control: KeyMap,
    private readonly photoElement: HTMLElement,
  ) {
    this.on = localStorage.getItem("review.keys") !== "off";
    document.addEventListener("keydown", (event) => this.press(event));
  }

  set(on: boolean): void {
    this.on = on;
    localStorage.setItem("review.keys", on ? "on" : "off");
  }

  private press(event: KeyboardEvent): void {
    const target = event.target as Element | null;
    if (
      event.defaultPrevented ||
      event.isComposing ||
      target?.closest(TYPING) ||
      document.querySelector("dialog[open]")
    )
      return;
    // where nothing has the focus, the photo is what is meant
    const onPhoto = target === document.body || (target !== null && this.photoElement.contains(target));
    const act = this.find(event, onPhoto, target);
    if (!act) return;
    event.preventDefault();
    act(event);
  }

  private find(
    event: KeyboardEvent,
    onPhoto: boolean,
    target: Element | null,
  ): ((event: KeyboardEvent) => void) | undefined {
    const { key } = event;
    if (event.altKey) return undefined;
    if (onPhoto && Object.hasOwn(this.photo, key)) return this.photo[key];
    if (event.ctrlKey || event.metaKey)
      return this.control[event.shiftKey ? `shift ${key.toLowerCase()}` : key.toLowerCase()];
    if (key === "Escape") return this.photo["Escape"];
    if (!this.on || key.length !== 1) return undefined;
    // a slider keeps its own keys
    if (target?.matches("input[type=range]") && /[0-9+-]/.test(key)) return undefined;
    return this.single[key.toLowerCase()];
  }
}
