// Draws the panes of a comparison: which picture, where, under what.
import { after, place } from "./tiles.js";

const NOTHING = "#545c62";
const LINE = ["#111514", "#ffd60a"];

export class Drawing {
  constructor(store, newest) {
    this.store = store;
    this.newest = newest;
    this.changed = () => {};
  }

  // From the full earlier picture to the full newest one: aligned, or at the same width beside it.
  matrix(entry) {
    if (entry.facts?.aligned) return entry.facts.matrix;
    const { columns, rows } = this.newest.picture;
    const k = Math.min(columns / entry.picture.columns, rows / entry.picture.rows);
    return [k, 0, (columns - entry.picture.columns * k) / 2, 0, k, (rows - entry.picture.rows * k) / 2, 0, 0, 1];
  }

  // Returns whether all tiles of it were there.
  paint(panes, view, ratio, state) {
    const wanted = [];
    const base = view.matrix(ratio);
    const whole = panes.map((pane) => {
      const context = pane.begin();
      const { width, height } = pane.canvas;
      const one = new Canvas(context, [0, 0, width, height], this.store, wanted);
      if (state.mode === "side")
        return pane.entry === this.newest ? this.now(one, base, state) : this.then(one, base, pane.entry);
      return this[state.mode](one, base, state);
    });
    this.store.want(wanted);
    return whole.every(Boolean);
  }

  now(canvas, base, state) {
    const whole = canvas.picture(this.newest.picture, base);
    if (state.outline) this.outline(canvas, base, state.entry);
    return whole;
  }

  then(canvas, base, entry) {
    return canvas.picture(entry.picture, after(base, this.matrix(entry)));
  }

  // The earlier picture, grey where it does not reach but the newest one does.
  covering(canvas, base, entry) {
    const { columns, rows } = this.newest.picture;
    canvas.fill(base, columns, rows, NOTHING);
    return this.then(canvas, base, entry);
  }

  seam(canvas, base, state) {
    const whole = this.now(canvas, base, state);
    const [left, top, right, bottom] = canvas.clip;
    const at = left + (right - left) * state.seam;
    const clipped = canvas.clippedTo([left, top, at, bottom], () => this.covering(canvas, base, state.entry));
    return clipped && whole;
  }

  blink(canvas, base, state) {
    if (state.showing === "newest") {
      // Its tiles are asked for now, so that the change shows at once.
      canvas.hidden(() => this.then(canvas, base, state.entry));
      return this.now(canvas, base, state);
    }
    canvas.hidden(() => this.now(canvas, base, { outline: false }));
    return this.covering(canvas, base, state.entry);
  }

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

  map(entry) {
    if (entry.map || entry.mapComing || !entry.facts?.aligned) return entry.map;
    entry.mapComing = true;
    const address = `/compare/difference/${this.newest.shown.label.uid}/${entry.shown.label.uid}`;
    fetch(address)
      .then((answer) => (answer.ok ? answer.blob() : Promise.reject(new Error(answer.status))))
      .then(createImageBitmap)
      .then((map) => {
        entry.map = map;
        this.changed();
      })
      .catch(() => {
        this.store.lost();
      });
    return null;
  }

  outline(canvas, base, entry) {
    if (entry.facts?.aligned) canvas.lines(base, entry.facts.region);
  }
}

class Canvas {
  constructor(context, clip, store, wanted) {
    this.context = context;
    this.clip = clip;
    this.store = store;
    this.wanted = wanted;
  }

  picture(picture, matrix) {
    return picture.draw(this.context, matrix, this.clip, this.store, this.wanted);
  }

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

  // Only asks for the tiles.
  hidden(deed) {
    const context = this.context;
    this.context = { setTransform() {}, translate() {}, drawImage() {}, fillRect() {} };
    const whole = deed();
    this.context = context;
    return whole;
  }

  fill(matrix, columns, rows, colour) {
    this.context.setTransform(matrix[0], matrix[3], matrix[1], matrix[4], matrix[2], matrix[5]);
    this.context.fillStyle = colour;
    this.context.fillRect(0, 0, columns, rows);
  }

  image(image, matrix, strength) {
    const context = this.context;
    context.globalAlpha = strength;
    context.setTransform(matrix[0], matrix[3], matrix[1], matrix[4], matrix[2], matrix[5]);
    context.drawImage(image, 0, 0);
    context.globalAlpha = 1;
  }

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
