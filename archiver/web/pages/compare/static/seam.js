// The seam between two dates: a slider for pointers, fingers and keys.
import { t } from "/static/words.js";
import { make } from "./pane.js";

const STEP = 0.02;
const PAGE = 0.1;

export class Seam {
  /** @param {(at: number) => void} moved */
  constructor(moved) {
    this.moved = moved;
    this.at = 0.5;
    /** @type {{ id: number, from: number, at: number } | null} */
    this.held = null;
    this.element = make("div", "seam");
    this.element.tabIndex = 0;
    this.element.setAttribute("role", "slider");
    this.element.setAttribute("aria-label", t("compare.seam"));
    this.element.setAttribute("aria-valuemin", "0");
    this.element.setAttribute("aria-valuemax", "100");
    this.element.addEventListener("pointerdown", (event) => this.grab(event));
    this.element.addEventListener("pointermove", (event) => this.drag(event));
    for (const name of /** @type {const} */ (["pointerup", "pointercancel"]))
      this.element.addEventListener(name, () => (this.held = null));
    this.element.addEventListener("keydown", (event) => this.key(event));
    this.put(0.5);
  }

  /** @param {number} at from 0 at the left to 1 */
  put(at) {
    this.at = Math.min(1, Math.max(0, at));
    this.element.style.left = `${this.at * 100}%`;
    const percent = Math.round(this.at * 100);
    this.element.setAttribute("aria-valuenow", String(percent));
    this.element.setAttribute("aria-valuetext", t("compare.seam_value", { percent }));
    this.moved(this.at);
  }

  /** @param {number} count */
  step(count) {
    this.put(this.at + count * STEP);
  }

  /** @param {PointerEvent} event */
  grab(event) {
    event.stopPropagation();
    if (event.button !== 0) return;
    this.element.setPointerCapture(event.pointerId);
    this.held = { id: event.pointerId, from: event.clientX, at: this.at };
  }

  /** @param {PointerEvent} event */
  drag(event) {
    const room = this.element.parentElement;
    if (!room || this.held?.id !== event.pointerId) return;
    event.stopPropagation();
    this.put(this.held.at + (event.clientX - this.held.from) / room.clientWidth);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    /** @type {Record<string, () => void>} */
    const deeds = {
      ArrowLeft: () => this.step(-1),
      ArrowDown: () => this.step(-1),
      ArrowRight: () => this.step(1),
      ArrowUp: () => this.step(1),
      PageDown: () => this.put(this.at - PAGE),
      PageUp: () => this.put(this.at + PAGE),
      Home: () => this.put(0),
      End: () => this.put(1),
    };
    if (!deeds[event.key]) return;
    event.preventDefault();
    deeds[event.key]();
  }
}
