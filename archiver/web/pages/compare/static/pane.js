// A canvas with the letters of the patient's directions at its edges, and what stands above it.
import { one } from "/static/elements.js";
import { EDGES, edges, letterEdge, sideMark } from "/static/picture.js";

/** @import { Label } from "/static/picture.js" */
/** @import { Entry, Newest } from "./drawing.js" */

/**
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {string} [className]
 * @param {string} [text]
 */
export function make(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

// What stands above a pane of a picture: date, tooth and view, whether its side is confirmed.
/** @param {Label} label */
export function heading(label) {
  const head = make("div", "pane-head");
  const when = make("strong", "when", label.date || "?");
  head.append(when);
  head.append(make("span", "tooth", [label.tooth, label.view].filter(Boolean).join(", ")));
  const mark = sideMark(label);
  if (mark) head.append(mark);
  return head;
}

export class Pane {
  /**
   * @param {Label} label
   * @param {Entry | Newest | null} [entry] whose picture it shows, where it shows one
   */
  constructor(label, entry = null) {
    this.entry = entry;
    this.element = make("figure", "pane");
    this.heads = make("figcaption", "pane-heads");
    this.plate = make("div", "plate pane-plate");
    this.wide = 0;
    this.high = 0;
    this.canvas = make("canvas", "");
    this.canvas.setAttribute("role", "img");
    this.frame = make("div", "pane-frame");
    this.frame.append(this.canvas);
    this.plate.append(...edges(label), this.frame);
    this.element.append(this.heads, this.plate);
  }

  /** @param {string} text */
  set alt(text) {
    this.canvas.setAttribute("aria-label", text);
  }

  /** @param {Label} label */
  letters(label) {
    for (const name of EDGES) letterEdge(one(this.plate, `.edge-${name}`, HTMLElement), label[name], label.words[name]);
  }

  // Fits the canvas to its room; returns whether there is any.
  /** @param {number} ratio of device pixels to CSS pixels */
  resize(ratio) {
    const wide = this.frame.clientWidth, high = this.frame.clientHeight;
    const [columns, rows] = [Math.round(wide * ratio), Math.round(high * ratio)];
    if (this.canvas.width !== columns || this.canvas.height !== rows) {
      this.canvas.width = columns;
      this.canvas.height = rows;
    }
    this.wide = wide;
    this.high = high;
    return wide > 0 && high > 0;
  }

  // Begins a drawing: an empty plate, smoothed.
  begin() {
    const context = this.canvas.getContext("2d", { alpha: false });
    if (!context) throw new Error("no context to draw in");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#111514";
    context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    context.imageSmoothingEnabled = true;
    context.imageSmoothingQuality = "medium";
    return context;
  }
}
