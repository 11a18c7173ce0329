// Draws the panes of a comparison: which picture, where, under what.
import { after, place } from "./tiles.js";

/** @import { Box, Matrix, Shown, TiledPicture, TileStore } from "./tiles.js" */
/** @import { Pane } from "./pane.js" */
/** @import { View } from "./view.js" */

/**
 * What archiver.web.pages.compare.descriptions.outcome_json gives of a pair.
 * @typedef {object} Facts
 * @property {boolean} aligned
 * @property {Matrix} matrix from the full earlier picture to the full newest one, where aligned
 * @property {[number, number][][]} region outlines of what is aligned, where aligned
 * @property {[kind: string, words: string][]} doubts
 * @property {string[]} figures
 */

/** @typedef {{ shown: Shown, picture: TiledPicture }} Newest */

/**
 * An earlier picture.
 * @typedef {object} Entry
 * @property {Shown} shown
 * @property {TiledPicture} picture
 * @property {Facts} [facts] undefined while aligning is at work
 * @property {ImageBitmap} [map] of the difference
 * @property {boolean} [mapComing]
 */

/** @typedef {"seam" | "blink" | "side" | "difference"} Mode */

/**
 * What the person has chosen to see.
 * @typedef {object} State
 * @property {Entry} entry
 * @property {Mode} mode
 * @property {number} seam
 * @property {"newest" | "earlier"} showing
 * @property {number} strength
 * @property {boolean} outline
 * @property {boolean} all
 * @property {boolean} chosen whether the person chose the mode
 */

const NOTHING = "#545c62";
const LINE = ["#111514", "#ffd60a"];

export class Drawing {
  /**
   * @param {TileStore} store
   * @param {Newest} newest
   */
  constructor(store, newest) {
    this.store = store;
    this.newest = newest;
    this.changed = () => {};
  }

  /**
   * From the full earlier picture to the full newest one: aligned, or at the same width beside it.
   * @param {Entry} entry
   */
  matrix(entry) {
    if (entry.facts?.aligned) return entry.facts.matrix;
    const { columns, rows } = this.newest.picture;
    const k = Math.min(columns / entry.picture.columns, rows / entry.picture.rows);
    return [k, 0, (columns - entry.picture.columns * k) / 2, 0, k, (rows - entry.picture.rows * k) / 2, 0, 0, 1];
  }

  /**
   * Returns whether all tiles of it were there.
   * @param {Pane[]} panes
   * @param {View} view
   * @param {number} ratio
   * @param {State} state
   */
  paint(panes, view, ratio, state) {
    /** @type {string[]} */
    const wanted = [];
    const base = view.matrix(ratio);
    const whole = panes.map((pane) => {
      const context = pane.begin();
      const { width, height } = pane.canvas;
      const one = new Canvas(context, [0, 0, width, height], this.store, wanted);
      if (state.mode === "side") {
        const earlier = pane.entry !== this.newest && /** @type {Entry | null} */ (pane.entry);
        return earlier ? this.then(one, base, earlier) : this.now(one, base, state);
      }
      return this[state.mode](one, base, state);
    });
    this.store.want(wanted);
    return whole.every(Boolean);
  }

  /**
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {State} state
   */
  now(canvas, base, state) {
    const whole = canvas.picture(this.newest.picture, base);
    if (state.outline) this.outline(canvas, base, state.entry);
    return whole;
  }

  /**
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {Entry} entry
   */
  then(canvas, base, entry) {
    return canvas.picture(entry.picture, after(base, this.matrix(entry)));
  }

  /**
   * The earlier picture, grey where it does not reach but the newest one does.
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {Entry} entry
   */
  covering(canvas, base, entry) {
    const { columns, rows } = this.newest.picture;
    canvas.fill(base, columns, rows, NOTHING);
    return this.then(canvas, base, entry);
  }

  /**
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {State} state
   */
  seam(canvas, base, state) {
    const whole = this.now(canvas, base, state);
    const [left, top, right, bottom] = canvas.clip;
    const at = left + (right - left) * state.seam;
    const clipped = canvas.clippedTo([left, top, at, bottom], () => this.covering(canvas, base, state.entry));
    return clipped && whole;
  }

  /**
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {State} state
   */
  blink(canvas, base, state) {
    if (state.showing === "newest") {
      // Its tiles are asked for now, so that the change shows at once.
      canvas.ask(state.entry.picture, after(base, this.matrix(state.entry)));
      return this.now(canvas, base, state);
    }
    canvas.ask(this.newest.picture, base);
    return this.covering(canvas, base, state.entry);
  }

  /**
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {State} state
   */
  difference(canvas, base, state) {
    const whole = canvas.picture(this.newest.picture, base);
    const map = this.map(state.entry);
    if (map) {
      const { columns, rows } = this.newest.picture;
      canvas.image(map, after(base, [columns / map.width, 0, 0, 0, rows / map.height, 0, 0, 0, 1]), state.strength);
    }
    if (state.outline) this.outline(canvas, base, state.entry);
    return whole && (Boolean(map) || !state.entry.facts?.aligned);
  }

  /**
   * @param {Entry} entry
   * @returns {ImageBitmap | undefined} undefined while it comes
   */
  map(entry) {
    if (entry.map || entry.mapComing || !entry.facts?.aligned) return entry.map;
    entry.mapComing = true;
    const address = `/compare/difference/${this.newest.shown.label.uid}/${entry.shown.label.uid}`;
    fetch(address)
      .then((answer) => (answer.ok ? answer.blob() : Promise.reject(new Error(String(answer.status)))))
      .then((blob) => createImageBitmap(blob))
      .then((map) => {
        entry.map = map;
        this.changed();
      })
      .catch(() => {
        this.store.lost();
      });
    return undefined;
  }

  /**
   * @param {Canvas} canvas
   * @param {Matrix} base
   * @param {Entry} entry
   */
  outline(canvas, base, entry) {
    if (entry.facts?.aligned) canvas.lines(base, entry.facts.region);
  }
}

const NOWHERE = { setTransform() {}, translate() {}, drawImage() {} };

class Canvas {
  /**
   * @param {CanvasRenderingContext2D} context
   * @param {Box} clip
   * @param {TileStore} store
   * @param {string[]} wanted
   */
  constructor(context, clip, store, wanted) {
    this.context = context;
    this.clip = clip;
    this.store = store;
    this.wanted = wanted;
  }

  /**
   * @param {TiledPicture} picture
   * @param {Matrix} matrix
   */
  picture(picture, matrix) {
    return picture.draw(this.context, matrix, this.clip, this.store, this.wanted);
  }

  /**
   * @param {Box} clip
   * @param {() => boolean} deed
   */
  clippedTo(clip, deed) {
    const before = this.clip;
    this.context.save();
    this.context.setTransform(1, 0, 0, 1, 0, 0);
    this.context.beginPath();
    this.context.rect(clip[0], clip[1], clip[2] - clip[0], clip[3] - clip[1]);
    this.context.clip();
    this.clip = clip;
    const whole = deed();
    this.clip = before;
    this.context.restore();
    return whole;
  }

  /**
   * Only asks for the tiles.
   * @param {TiledPicture} picture
   * @param {Matrix} matrix
   */
  ask(picture, matrix) {
    picture.draw(NOWHERE, matrix, this.clip, this.store, this.wanted);
  }

  /**
   * @param {Matrix} matrix
   * @param {number} columns
   * @param {number} rows
   * @param {string} colour
   */
  fill(matrix, columns, rows, colour) {
    this.context.setTransform(matrix[0], matrix[3], matrix[1], matrix[4], matrix[2], matrix[5]);
    this.context.fillStyle = colour;
    this.context.fillRect(0, 0, columns, rows);
  }

  /**
   * @param {ImageBitmap} image
   * @param {Matrix} matrix
   * @param {number} strength
   */
  image(image, matrix, strength) {
    const context = this.context;
    context.globalAlpha = strength;
    context.setTransform(matrix[0], matrix[3], matrix[1], matrix[4], matrix[2], matrix[5]);
    context.drawImage(image, 0, 0);
    context.globalAlpha = 1;
  }

  /**
   * @param {Matrix} matrix
   * @param {[number, number][][]} outlines
   */
  lines(matrix, outlines) {
    const context = this.context;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.lineJoin = "round";
    context.beginPath();
    for (const outline of outlines) {
      outline.forEach(([x, y], n) => {
        const at = place(matrix, x, y);
        if (n) context.lineTo(...at);
        else context.moveTo(...at);
      });
      context.closePath();
    }
    LINE.forEach((colour, n) => {
      context.strokeStyle = colour;
      context.lineWidth = (n ? 2 : 4) * devicePixelRatio;
      context.stroke();
    });
  }
}
