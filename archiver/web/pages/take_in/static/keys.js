// The keyboard alone suffices. Single keys can be switched off (WCAG 2.2, 2.1.4).
import { around } from "/static/elements.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";

const STORED = "archiver-take-in-keys";

// What is listed in the help, in this order: [keys as shown, key of the words].
const LIST = [
  ["← →", "next"], ["Shift + → ", "range"], ["Space", "toggle"], ["Enter", "accept"], ["U", "open"],
  ["N", "other"], ["M", "mirror"], ["V", "view"], ["T", "teeth"], ["G", "grid"], ["O", "top"], ["B", "behind"],
  ["C", "crop"], ["P", "propose"], ["L", "ghost"], ["X", "leave"], ["A", "all"], ["Z", "undo"], ["Y", "redo"], ["W", "whom"],
  ["Ctrl + Enter", "archive"], ["Esc", "back"], ["?", "help"],
];

/** @import { Page } from "./draft.js" */

export class Keys {
  /** @param {Page} page */
  constructor(page) {
    this.page = page;
    const on = find("keys-on");
    on.checked = localStorage.getItem(STORED) !== "off";
    on.addEventListener("change", () => localStorage.setItem(STORED, on.checked ? "on" : "off"));
    find("keys-open").addEventListener("click", () => find("keys").showModal());
    find("keys-list").replaceChildren(...LIST.map(([keys, word]) => {
      const row = make("tr");
      const cell = make("th");
      cell.scope = "row";
      cell.append(make("kbd", "", keys.trim()));
      row.append(cell, make("td", "", t(`take_in.key_${word}`)));
      return row;
    }));
    document.addEventListener("keydown", (event) => this.pressed(event));
  }

  /** @param {KeyboardEvent} event */
  pressed(event) {
    if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
    const field = around(event, "input, select, textarea");
    if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) {
      event.preventDefault();
      find("archive").click();
      return;
    }
    if (field) {
      // Back from a field to the pictures, what was written kept.
      if (event.key === "Escape") {
        field.blur();
        find("tiles").focus();
      } else if (event.key === "Enter" && field.id === "teeth") {
        event.preventDefault();
        field.blur();
        find("tiles").focus();
      }
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const onButton = around(event, "button, a, summary");
    if (onButton && ["Enter", " "].includes(event.key)) return;
    if (onButton?.closest("#teeth-grid") && event.key.startsWith("Arrow")) {
      event.preventDefault();
      this.page.gridStep(onButton, event.key);
      return;
    }
    const act = this.acts()[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    const answers = ["Enter", "u"].includes(event.key.length === 1 ? event.key.toLowerCase() : event.key);
    if (event.repeat && answers) return;
    if (!act || (event.key.length === 1 && event.key !== " " && !find("keys-on").checked)) return;
    event.preventDefault();
    act(event);
  }

  /** @returns {Record<string, (event: KeyboardEvent) => unknown>} */
  acts() {
    const { page } = this;
    /**
     * @param {number} by
     * @returns {(event: KeyboardEvent) => void}
     */
    const step = (by) => (event) => page.model.step(by, { range: event.shiftKey });
    return {
      ArrowRight: step(1), ArrowDown: step(1), ArrowLeft: step(-1), ArrowUp: step(-1),
      Home: step(-9999), End: step(9999),
      Enter: () => page.enter(),
      " ": () => page.toggle(),
      u: () => page.takeOpen(),
      n: () => page.asking.offering.skip(),
      m: () => page.mirror(),
      v: () => find("view").focus(),
      t: () => find("teeth").select(),
      g: () => page.meaning.grid(),
      o: () => find("top").focus(),
      b: () => page.behind(),
      c: () => page.cropping.toggle(),
      p: () => find("crop-propose").click(),
      l: () => page.framing.lay(),
      x: () => page.meaning.leaveOut(),
      a: () => page.all(),
      z: () => find("undo").click(),
      y: () => find("redo").click(),
      w: () => page.whom.open(),
      "?": () => find("keys-open").click(),
      Escape: () => { find("tiles").focus(); page.model.show(page.model.current); },
    };
  }
}
