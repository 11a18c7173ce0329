// What part of the newest picture is seen, and the hand that moves it: pointer, wheel, keys.

import { every } from "/static/elements.js";

const LARGEST = 8; // CSS pixels for one of the full picture
const STEP = 1.25;
const NUDGE = 0.12; // of the pane's width
const WHEEL = 0.0016;
const LINE = 30;

/** @typedef {[number, number]} Place */

export class View {
  /**
   * @param {number} columns
   * @param {number} rows
   */
  constructor(columns, rows) {
    this.columns = columns;
    this.rows = rows;
    this.x = columns / 2;
    this.y = rows / 2;
    this.scale = 1;
    this.wide = 1;
    this.high = 1;
    this.fitted = true;
  }

  get whole() {
    return Math.min(this.wide / this.columns, this.high / this.rows);
  }

  /**
   * @param {number} wide
   * @param {number} high
   */
  resize(wide, high) {
    this.wide = Math.max(1, wide);
    this.high = Math.max(1, high);
    if (this.fitted) this.fit();
    else this.hold();
  }

  fit() {
    this.fitted = true;
    this.scale = this.whole;
    this.x = this.columns / 2;
    this.y = this.rows / 2;
  }

  /**
   * @param {number} factor
   * @param {Place} [about] a place of the pane, in CSS pixels from its middle
   */
  zoom(factor, [dx, dy] = [0, 0]) {
    const before = this.scale;
    this.scale = Math.min(LARGEST, Math.max(this.whole, before * factor));
    this.x += dx / before - dx / this.scale;
    this.y += dy / before - dy / this.scale;
    this.fitted = this.scale <= this.whole * 1.0001;
    this.hold();
  }

  /**
   * @param {number} dx
   * @param {number} dy
   */
  move(dx, dy) {
    this.x -= dx / this.scale;
    this.y -= dy / this.scale;
    this.hold();
  }

  // The middle of the pane stays on the picture; what fits stays in the middle.
  hold() {
    /**
     * @param {number} size
     * @param {number} room
     */
    const free = (size, room) => Math.max(0, size / 2 - room / this.scale / 2);
    const x = free(this.columns, this.wide), y = free(this.rows, this.high);
    this.x = Math.min(this.columns / 2 + x, Math.max(this.columns / 2 - x, this.x));
    this.y = Math.min(this.rows / 2 + y, Math.max(this.rows / 2 - y, this.y));
  }

  // From the full newest picture to device pixels of the pane.
  /** @param {number} ratio */
  matrix(ratio) {
    const s = this.scale * ratio;
    return [s, 0, (this.wide * ratio) / 2 - s * this.x, 0, s, (this.high * ratio) / 2 - s * this.y, 0, 0, 1];
  }
}

/**
 * @param {HTMLElement} stage
 * @param {View} view
 * @param {() => void} changed
 * @param {(target: EventTarget | null) => HTMLCanvasElement | null} pane the canvas that an event
 *   is about; null for what is no picture
 */
export function byHand(stage, view, changed, pane) {
  /** @type {Map<number, Place>} */
  const down = new Map(); // where each pointer is, in the window
  /** @type {HTMLCanvasElement | null} */
  let canvas = null;

  /**
   * @param {number} x
   * @param {number} y
   * @returns {Place}
   */
  const within = (x, y) => {
    if (!canvas) return [0, 0];
    const box = canvas.getBoundingClientRect();
    return [x - box.left - box.width / 2, y - box.top - box.height / 2];
  };

  stage.addEventListener("pointerdown", (event) => {
    const found = pane(event.target);
    if (event.button !== 0 || !found) return;
    if (!down.size) canvas = found;
    down.set(event.pointerId, [event.clientX, event.clientY]);
    stage.setPointerCapture(event.pointerId);
    stage.classList.add("held");
  });
  stage.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    /** @type {Place} */
    const now = [event.clientX, event.clientY];
    const others = [...down].filter(([id]) => id !== event.pointerId);
    if (others.length) pinch(others[0][1], before, now);
    else view.move(now[0] - before[0], now[1] - before[1]);
    down.set(event.pointerId, now);
    changed();
  });

  /**
   * @param {Place} other
   * @param {Place} before
   * @param {Place} now
   */
  function pinch(other, before, now) {
    /** @param {Place} one */
    const apart = (one) => Math.hypot(one[0] - other[0], one[1] - other[1]);
    view.move((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
    if (apart(before) > 8)
      view.zoom(apart(now) / apart(before), within((now[0] + other[0]) / 2, (now[1] + other[1]) / 2));
  }

  for (const name of /** @type {const} */ (["pointerup", "pointercancel", "lostpointercapture"]))
    stage.addEventListener(name, (event) => {
      down.delete(event.pointerId);
      if (!down.size) stage.classList.remove("held");
    });
  stage.addEventListener(
    "wheel",
    (event) => {
      const found = pane(event.target);
      if (!found) return;
      event.preventDefault();
      canvas = found;
      const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? LINE : 1;
      view.zoom(Math.exp(-event.deltaY * lines * WHEEL), within(event.clientX, event.clientY));
      changed();
    },
    { passive: false },
  );
  stage.addEventListener("dblclick", (event) => {
    canvas = pane(event.target);
    if (!canvas) return;
    view.zoom(2, within(event.clientX, event.clientY));
    changed();
  });
}

/**
 * Returns whether the key meant something.
 * @param {View} view
 * @param {string} key
 */
export function byKey(view, key) {
  const step = Math.min(view.wide, view.high) * NUDGE;
  /** @type {Record<string, () => void>} */
  const deeds = {
    ArrowLeft: () => view.move(step, 0),
    ArrowRight: () => view.move(-step, 0),
    ArrowUp: () => view.move(0, step),
    ArrowDown: () => view.move(0, -step),
    "+": () => view.zoom(STEP),
    "=": () => view.zoom(STEP),
    "-": () => view.zoom(1 / STEP),
    0: () => view.fit(),
    1: () => view.zoom(1 / devicePixelRatio / view.scale),
  };
  if (!deeds[key]) return false;
  deeds[key]();
  return true;
}

/**
 * What the buttons do that change how large a picture is seen.
 * @param {ParentNode} root
 * @param {View} view
 * @param {() => void} changed
 */
export function byButtons(root, view, changed) {
  /** @type {Record<string, () => void>} */
  const deeds = { in: () => view.zoom(STEP), out: () => view.zoom(1 / STEP), fit: () => view.fit(), full: () => byKey(view, "1") };
  for (const button of every(root, "[data-zoom]", HTMLElement))
    button.addEventListener("click", () => {
      deeds[button.dataset.zoom ?? ""]();
      changed();
    });
}
