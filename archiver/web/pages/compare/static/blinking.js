// Changing between two dates: by a press, or by itself at most twice a second. By itself only
// after it was asked for, and never where the device asks for little motion (WCAG 2.2, 2.3.1).

import { one } from "/static/elements.js";

const FASTEST = 500;

export class Blinking {
  /**
   * @param {ParentNode} root
   * @param {(showing: "newest" | "earlier") => void} changed
   */
  constructor(root, changed) {
    this.changed = changed;
    /** @type {"newest" | "earlier"} */
    this.showing = "newest";
    this.run = one(root, "[data-run]", HTMLInputElement);
    this.rate = one(root, "[data-rate]", HTMLSelectElement);
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.self = one(root, "[data-self]", HTMLElement);
    this.told = one(root, "[data-still]", HTMLElement);
    this.on = false;
    /** @type {ReturnType<typeof setInterval> | undefined} */
    this.timer = undefined;
    one(root, "[data-swap]", HTMLElement).addEventListener("click", () => this.swap());
    this.run.addEventListener("change", () => this.start());
    this.rate.addEventListener("change", () => this.start());
    this.still.addEventListener("change", () => this.start());
    document.addEventListener("visibilitychange", () => this.start());
    this.run.checked = false;
  }

  /** @param {boolean} on */
  active(on) {
    this.on = on;
    if (!on) this.run.checked = false;
    this.start();
  }

  swap() {
    this.showing = this.showing === "newest" ? "earlier" : "newest";
    this.changed(this.showing);
  }

  start() {
    clearInterval(this.timer);
    this.self.hidden = this.still.matches;
    this.told.hidden = !this.still.matches;
    if (!this.on || !this.run.checked || this.still.matches || document.hidden) return;
    this.timer = setInterval(() => this.swap(), Math.max(FASTEST, Number(this.rate.value)));
  }
}
