// The crop, or another part that is marked: a frame over the picture, moved by its handles, by
// arrow keys and by numbers, given in pixels of the turned picture. The broken line shows where a
// crop grows to whole blocks.
import { t } from "/static/words.js";
import { one } from "/static/elements.js";
import { find, make } from "./dom.js";
import { shownSize, snapped } from "./turning.js";

/** @import { Box, Drawn } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */
/** @import { Stage } from "./stage.js" */

const SIDES = /** @type {const} */ (["left", "top", "width", "height"]);
const HANDLES = ["nw", "n", "ne", "e", "se", "s", "sw", "w", "move"];
/** @type {Record<string, [number, number]>} */
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
/** Least side, in pixels: of a crop, and of a part that is measured. */
const LEAST = 64;
const LEAST_PART = 16;
const RATIO = "archiver-take-in-ratio";
/** Below this, in pixels of the screen, the handles stand outside the frame, so that all can be hit. */
const ROOMY = 96;

export class Cropping {
  /**
   * @param {Model} model
   * @param {Stage} stage
   */
  constructor(model, stage) {
    this.model = model;
    this.stage = stage;
    this.open = false;
    /** @type {Box | null} */
    this.live = null; // the crop while it is dragged
    /** @type {Drawn} */
    this.what = "crop";
    this.box = make("div", "crop");
    this.kept = make("div", "crop-kept");
    this.shades = ["n", "e", "s", "w"].map((side) => make("div", `crop-shade crop-shade-${side}`));
    this.box.hidden = this.kept.hidden = true;
    for (const name of HANDLES) this.box.append(this.handle(name));
    find("frame").append(...this.shades, this.kept, this.box);
    find("crop-open").addEventListener("click", () => this.toggle());
    find("crop-whole").addEventListener("click", () => this.keep(null));
    find("crop-what").addEventListener("change", () => {
      this.what = /** @type {Drawn} */ (find("crop-what").value);
      this.open = true;
      this.draw();
    });
    for (const side of SIDES) {
      find(`crop-${side}`).addEventListener("change", () => {
        const crop = { ...this.crop() };
        crop[side] = Math.round(Number(find(`crop-${side}`).value) || 0);
        this.keep(this.inside(this.proportioned(crop, side === "height" ? "s" : side === "width" ? "e" : "")));
      });
    }
    const ratio = find("crop-ratio");
    ratio.value = localStorage.getItem(RATIO) ?? "";
    ratio.addEventListener("change", () => {
      localStorage.setItem(RATIO, ratio.value);
      if (this.model.shown?.said.crop && this.isCrop) this.keep(this.proportioned(this.crop(), ""));
    });
    stage.fitted.push(() => this.place());
    model.addEventListener("shown", () => { this.live = null; });
  }

  /** @param {string} name */
  handle(name) {
    const button = make("button", `crop-handle crop-${name}`);
    button.type = "button";
    button.dataset.handle = name;
    button.setAttribute("aria-label", t(`take_in.handle_${name}`));
    button.addEventListener("pointerdown", (event) => this.drag(event, button, name));
    button.addEventListener("keydown", (event) => this.key(event, name));
    return button;
  }

  get picture() {
    return this.model.picture(this.model.current);
  }

  get isCrop() {
    return this.what === "crop";
  }

  get least() {
    if (this.what === "scale_region") return 1; // from end to end, and so as thin as need be
    return this.isCrop ? LEAST : LEAST_PART;
  }

  size() {
    return shownSize(this.picture, this.stage.turn);
  }

  /** @returns {Box} */
  crop() {
    const [width, height] = this.size();
    const whole = { left: 0, top: 0, width, height };
    return this.live ?? this.picture.said[this.what] ?? (this.isCrop ? whole : middle(width, height));
  }

  toggle(open = !this.open) {
    this.open = open;
    this.draw();
    if (open) one(this.box, ".crop-move", HTMLElement).focus();
  }

  draw() {
    const picture = this.model.shown;
    if (!picture) return;
    find("crop-open").setAttribute("aria-pressed", String(this.open));
    find("crop-numbers").hidden = !this.open;
    find("crop-ratio-line").hidden = !this.isCrop;
    const crop = this.crop();
    const [width, height] = this.size();
    const limits = { left: width - this.least, top: height - this.least, width, height };
    for (const side of SIDES) {
      const field = find(`crop-${side}`);
      if (document.activeElement !== field) field.value = String(crop[side]);
      field.max = String(limits[side]);
    }
    this.place();
    find("crop-propose").textContent = t(this.isCrop ? "take_in.crop_propose" : "take_in.part_propose");
    find("crop-whole").textContent = t(this.isCrop ? "take_in.crop_whole" : "take_in.crop_unmark");
    const said = picture.said[this.what] || this.live;
    if (!this.isCrop) {
      find("crop-words").textContent = this.open ? t(said ? "take_in.part_kept" : "take_in.part_to_mark") : "";
      return;
    }
    const grown = this.grown();
    const [a, b] = picture.block;
    const words = !said ? "" : a === 1 && b === 1
      ? t("take_in.crop_exact", { width: crop.width, height: crop.height })
      : t("take_in.crop_kept", { width: grown.width, height: grown.height, a, b });
    find("crop-words").textContent = words;
  }

  grown() {
    return snapped(this.crop(), this.picture, this.stage.turn, this.model.edges);
  }

  place() {
    const picture = this.model.shown;
    if (!picture || !this.stage.scale) return;
    const said = this.isCrop && Boolean(picture.said.crop || this.live);
    this.box.hidden = !this.open;
    this.box.classList.toggle("crop-unsaid", !this.isCrop && !picture.said[this.what] && !this.live);
    this.kept.hidden = !said;
    for (const shade of this.shades) shade.hidden = !said;
    const { scale } = this.stage;
    const drawn = this.crop();
    this.box.classList.toggle("crop-small", Math.min(drawn.width, drawn.height) * scale < ROOMY);
    put(this.box, drawn, scale);
    if (!said) return;
    const kept = this.grown();
    put(this.kept, kept, scale);
    const [width, height] = this.size();
    const below = kept.top + kept.height;
    const beside = kept.left + kept.width;
    put(this.shades[0], { left: 0, top: 0, width, height: kept.top }, scale);
    put(this.shades[1], { left: beside, top: kept.top, width: width - beside, height: kept.height }, scale);
    put(this.shades[2], { left: 0, top: below, width, height: height - below }, scale);
    put(this.shades[3], { left: 0, top: kept.top, width: kept.left, height: kept.height }, scale);
  }

  /**
   * @param {PointerEvent} event
   * @param {HTMLElement} handle
   * @param {string} name
   */
  drag(event, handle, name) {
    if (event.button !== 0) return;
    event.preventDefault();
    handle.focus();
    handle.setPointerCapture(event.pointerId);
    const begin = { ...this.crop() };
    const { clientX, clientY } = event;
    const { scale } = this.stage;
    /** @param {PointerEvent} moved */
    const move = (moved) => {
      this.live = this.moved(begin, name, (moved.clientX - clientX) / scale, (moved.clientY - clientY) / scale);
      this.draw();
    };
    const end = () => {
      handle.removeEventListener("pointermove", move);
      const crop = this.live;
      this.live = null;
      if (crop) this.keep(crop);
    };
    handle.addEventListener("pointermove", move);
    handle.addEventListener("pointerup", end, { once: true });
    handle.addEventListener("pointercancel", end, { once: true });
  }

  /**
   * @param {KeyboardEvent} event
   * @param {string} name
   */
  key(event, name) {
    const way = WAYS[event.key];
    if (!way) {
      if (event.key === "Escape") {
        event.stopPropagation();
        this.toggle(false);
        find("crop-open").focus();
      }
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    const step = Math.max(...this.picture.block, 8) * (event.shiftKey ? 8 : 1);
    this.keep(this.moved(this.crop(), name, way[0] * step, way[1] * step));
  }

  /**
   * A crop with one of its handles moved by pixels of the picture, kept inside.
   * @param {Box} crop
   * @param {string} name
   * @param {number} dx
   * @param {number} dy
   * @returns {Box}
   */
  moved(crop, name, dx, dy) {
    const [width, height] = this.size();
    /**
     * @param {number} value
     * @param {number} low
     * @param {number} high
     */
    const whole = (value, low, high) => Math.round(Math.min(Math.max(value, low), high));
    let { left, top } = crop;
    let right = left + crop.width;
    let bottom = top + crop.height;
    if (name === "move") {
      left = whole(left + dx, 0, width - crop.width);
      top = whole(top + dy, 0, height - crop.height);
      return { left, top, width: crop.width, height: crop.height };
    }
    const least = [Math.min(this.least, width), Math.min(this.least, height)];
    if (name.includes("w")) left = whole(left + dx, 0, right - least[0]);
    if (name.includes("e")) right = whole(right + dx, left + least[0], width);
    if (name.includes("n")) top = whole(top + dy, 0, bottom - least[1]);
    if (name.includes("s")) bottom = whole(bottom + dy, top + least[1], height);
    return this.proportioned({ left, top, width: right - left, height: bottom - top }, name);
  }

  // Width to height of a crop where that is fixed; 0 where it is free.
  ratio() {
    const asked = this.isCrop ? find("crop-ratio").value : "";
    if (asked === "own") {
      const [width, height] = this.size();
      return width / height;
    }
    const [across, down] = asked.split(":").map(Number);
    return down ? across / down : 0;
  }

  /**
   * A crop in the proportions that are fixed, within the picture: what is moved by a handle stays on
   * the other side; without a handle it grows about its middle.
   * @param {Box} crop
   * @param {string} name
   * @returns {Box}
   */
  proportioned(crop, name) {
    const ratio = this.ratio();
    if (!ratio) return crop;
    const size = this.size();
    let { width, height } = crop;
    const isWide = name === "e" || name === "w" || (name !== "n" && name !== "s" && width / height > ratio);
    if (isWide) height = width / ratio;
    else width = height * ratio;
    const across = held(crop.left, crop.width, size[0], name.includes("w"), name.includes("e"));
    const down = held(crop.top, crop.height, size[1], name.includes("n"), name.includes("s"));
    const share = Math.min(1, across.room / width, down.room / height);
    width = Math.round(width * share);
    height = Math.round(height * share);
    return { left: across.begin(width), top: down.begin(height), width, height };
  }

  /**
   * Takes a part that is offered in place of the one that is drawn.
   * @param {Box} box
   */
  mark(box) {
    this.open = true;
    this.keep(this.inside(box));
  }

  /**
   * Takes a crop that is offered; told whether all of it lies in the picture.
   * @param {Box} box
   * @param {boolean} [exact] whether its own proportions count, not those that are fixed
   */
  take(box, exact = false) {
    const [width, height] = this.size();
    const left = Math.max(box.left, 0);
    const top = Math.max(box.top, 0);
    const within = {
      left, top,
      width: Math.min(box.left + box.width, width) - left,
      height: Math.min(box.top + box.height, height) - top,
    };
    if (within.width < LEAST || within.height < LEAST) return false;
    find("crop-what").value = this.what = "crop";
    this.open = true;
    this.keep(exact ? within : this.proportioned(within, ""));
    return within.width === box.width && within.height === box.height;
  }

  /**
   * @param {Box} crop
   * @returns {Box}
   */
  inside(crop) {
    const [width, height] = this.size();
    const left = Math.min(Math.max(crop.left, 0), width - 1);
    const top = Math.min(Math.max(crop.top, 0), height - 1);
    return {
      left, top,
      width: Math.min(Math.max(crop.width, 1), width - left),
      height: Math.min(Math.max(crop.height, 1), height - top),
    };
  }

  /** @param {Box | null} crop */
  keep(crop) {
    const [width, height] = this.size();
    const whole = !crop || (this.isCrop && crop.width === width && crop.height === height);
    this.model.say([this.model.current], { [this.what]: whole ? null : crop }).catch(() => {});
  }
}

/**
 * How far one dimension of a crop may grow, and where it then begins.
 * @param {number} begin
 * @param {number} length
 * @param {number} whole
 * @param {boolean} fromEnd whether the end stays where it is
 * @param {boolean} fromBegin whether the beginning does
 * @returns {{ room: number, begin: (now: number) => number }}
 */
function held(begin, length, whole, fromEnd, fromBegin) {
  const end = begin + length;
  if (fromEnd) return { room: end, begin: (now) => end - now };
  if (fromBegin) return { room: whole - begin, begin: () => begin };
  // About the middle, but pushed in from the picture's edges.
  return { room: whole, begin: (now) => Math.round(Math.min(Math.max(begin + (length - now) / 2, 0), whole - now)) };
}

/**
 * Where a part begins to be drawn: a frame in the middle.
 * @param {number} width
 * @param {number} height
 * @returns {Box}
 */
function middle(width, height) {
  const side = Math.round(Math.min(width, height) / 5);
  return { left: Math.round((width - side) / 2), top: Math.round((height - side) / 2), width: side, height: side };
}

/**
 * @param {HTMLElement} node
 * @param {Box} box
 * @param {number} scale
 */
function put(node, box, scale) {
  node.style.left = `${box.left * scale}px`;
  node.style.top = `${box.top * scale}px`;
  node.style.width = `${Math.max(0, box.width * scale)}px`;
  node.style.height = `${Math.max(0, box.height * scale)}px`;
}
