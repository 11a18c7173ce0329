// Pictures drawn from tiles, each at the scale at which it is seen. Transforms are rows of nine
// numbers that take places of the full picture (its outer corner being 0, 0) to the canvas.

const KEPT = 220;
const AT_ONCE = 6;
const TRIES = 3;
const PATIENCE = 700;
// A pixel of a level may be drawn this many pixels wide before a finer level is asked for.
const COARSE = 1.2;
// Side of the cells by which a tile is drawn where its transform is no affine one.
const CELL = 128;

/** @import { Label } from "/static/picture.js" */

/** @typedef {number[]} Matrix of nine, row by row */
/** @typedef {[number, number, number, number]} Box left, top, right, bottom */
/** @typedef {{ reduction: number, columns: number, rows: number, left: number, top: number }} Level */

/**
 * What archiver.web.pages.compare.shown_picture.shown_json gives.
 * @typedef {object} Shown
 * @property {Label} label
 * @property {number} columns
 * @property {number} rows
 * @property {string} tiles
 * @property {number} tile
 * @property {number} overlap
 * @property {Level[]} levels
 */

/**
 * What is drawn with; a stand-in only asks for the tiles.
 * @typedef {Pick<CanvasRenderingContext2D, "setTransform" | "translate" | "drawImage">} Context
 */

/**
 * First b, then a.
 * @param {Matrix} a
 * @param {Matrix} b
 * @returns {Matrix}
 */
export function after(a, b) {
  const made = new Array(9);
  for (let i = 0; i < 3; i++)
    for (let j = 0; j < 3; j++)
      made[3 * i + j] = a[3 * i] * b[j] + a[3 * i + 1] * b[3 + j] + a[3 * i + 2] * b[6 + j];
  return made;
}

/** @param {Matrix} m */
export function inverse(m) {
  const [a, b, c, d, e, f, g, h, i] = m;
  const made = [
    e * i - f * h, c * h - b * i, b * f - c * e,
    f * g - d * i, a * i - c * g, c * d - a * f,
    d * h - e * g, b * g - a * h, a * e - b * d,
  ];
  const size = a * made[0] + b * made[3] + c * made[6];
  return made.map((value) => value / size);
}

/**
 * @param {Matrix} m
 * @param {number} x
 * @param {number} y
 * @returns {[number, number]}
 */
export function place(m, x, y) {
  const w = m[6] * x + m[7] * y + m[8];
  return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
}

/**
 * By how much lengths grow about a place.
 * @param {Matrix} m
 * @param {number} x
 * @param {number} y
 */
function growth(m, x, y) {
  const [ax, ay] = place(m, x, y);
  const [bx, by] = place(m, x + 1, y);
  const [cx, cy] = place(m, x, y + 1);
  return Math.sqrt(Math.abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)));
}

// Fetches tiles, the most wanted first, and forgets those that were not drawn for long.
export class TileStore {
  /**
   * @param {() => void} changed
   * @param {() => void} lost
   */
  constructor(changed, lost) {
    this.changed = changed;
    this.lost = lost;
    /** @type {Map<string, ImageBitmap>} */
    this.tiles = new Map();
    /** @type {Set<string>} */
    this.coming = new Set();
    /** @type {Map<string, number>} */
    this.failed = new Map();
    /** @type {string[]} */
    this.queue = [];
  }

  /** @param {string} url */
  get(url) {
    const tile = this.tiles.get(url);
    if (!tile) return null;
    this.tiles.delete(url);
    this.tiles.set(url, tile);
    return tile;
  }

  /**
   * What is not drawn any more is not fetched any more.
   * @param {string[]} urls
   */
  want(urls) {
    this.queue = urls.filter(
      (url) => !this.tiles.has(url) && !this.coming.has(url) && (this.failed.get(url) ?? 0) < TRIES,
    );
    this.pump();
  }

  get idle() {
    return !this.queue.length && !this.coming.size;
  }

  pump() {
    while (this.coming.size < AT_ONCE) {
      const url = this.queue.shift();
      if (url === undefined) return;
      this.fetch(url);
    }
  }

  /** @param {string} url */
  async fetch(url) {
    this.coming.add(url);
    try {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error(String(answer.status));
      this.tiles.set(url, await createImageBitmap(await answer.blob()));
      this.failed.delete(url);
      // A map is in the order of what was put in; `get` puts in anew.
      for (const [oldest, tile] of this.tiles) {
        if (this.tiles.size <= KEPT) break;
        this.tiles.delete(oldest);
        tile.close();
      }
      this.coming.delete(url);
      this.changed();
    } catch {
      const tries = (this.failed.get(url) ?? 0) + 1;
      this.failed.set(url, tries);
      this.coming.delete(url);
      if (tries < TRIES) setTimeout(this.changed, PATIENCE * tries);
      else this.lost();
    }
    this.pump();
  }
}

export class TiledPicture {
  /** @param {Shown} shown */
  constructor(shown) {
    this.columns = shown.columns;
    this.rows = shown.rows;
    this.levels = shown.levels;
    this.address = shown.tiles;
    this.tile = shown.tile;
    this.overlap = shown.overlap;
  }

  /**
   * Draws what lies in the clip of the canvas, and returns whether all of it was there.
   * @param {Context} context
   * @param {Matrix} matrix
   * @param {Box} clip
   * @param {TileStore} store
   * @param {string[]} wanted gets the addresses of the tiles that this takes
   */
  draw(context, matrix, clip, store, wanted) {
    const area = this.visible(matrix, clip);
    if (!area) return true;
    const size = growth(matrix, (area[0] + area[2]) / 2, (area[1] + area[3]) / 2);
    const coarsest = this.levels[this.levels.length - 1];
    const level = [...this.levels].reverse().find((one) => one.reduction * size <= COARSE) ?? this.levels[0];
    let whole = true;
    for (const one of level === coarsest ? [coarsest] : [coarsest, level])
      whole = this.drawLevel(context, one, matrix, area, store, wanted) && whole;
    return whole;
  }

  /**
   * @param {Matrix} matrix
   * @param {Box} clip
   * @returns {Box | null}
   */
  visible(matrix, [left, top, right, bottom]) {
    const back = inverse(matrix);
    const corners = [[left, top], [right, top], [left, bottom], [right, bottom]].map(([x, y]) => place(back, x, y));
    const xs = corners.map((corner) => corner[0]);
    const ys = corners.map((corner) => corner[1]);
    /** @type {Box} */
    const area = [
      Math.max(0, Math.min(...xs)),
      Math.max(0, Math.min(...ys)),
      Math.min(this.columns, Math.max(...xs)),
      Math.min(this.rows, Math.max(...ys)),
    ];
    return area[0] < area[2] && area[1] < area[3] ? area : null;
  }

  /**
   * @param {Context} context
   * @param {Level} level
   * @param {Matrix} matrix
   * @param {Box} area
   * @param {TileStore} store
   * @param {string[]} wanted
   */
  drawLevel(context, level, matrix, area, store, wanted) {
    const r = level.reduction;
    const toCanvas = after(matrix, [r, 0, -level.left, 0, r, -level.top, 0, 0, 1]);
    const span = r * this.tile;
    const first = [Math.floor((area[0] + level.left) / span), Math.floor((area[1] + level.top) / span)];
    const last = [
      Math.min(Math.ceil((area[2] + level.left) / span), Math.ceil(level.columns / this.tile)),
      Math.min(Math.ceil((area[3] + level.top) / span), Math.ceil(level.rows / this.tile)),
    ];
    /** @type {[number, string][]} */
    const missing = [];
    const middle = [(area[0] + area[2]) / 2 / span, (area[1] + area[3]) / 2 / span];
    for (let row = first[1]; row < last[1]; row++)
      for (let column = first[0]; column < last[0]; column++) {
        const url = `${this.address}/${r}/${column}/${row}`;
        const tile = store.get(url);
        if (tile) drawTile(context, tile, this.overlap, column * this.tile, row * this.tile, toCanvas);
        else missing.push([Math.hypot(column + 0.5 - middle[0], row + 0.5 - middle[1]), url]);
      }
    missing.sort((one, other) => one[0] - other[0]);
    wanted.push(...missing.map((one) => one[1]));
    return !missing.length;
  }
}

/**
 * @param {Context} context
 * @param {ImageBitmap} tile
 * @param {number} overlap
 * @param {number} left
 * @param {number} top
 * @param {Matrix} matrix
 */
function drawTile(context, tile, overlap, left, top, matrix) {
  if (Math.abs(matrix[6]) < 1e-12 && Math.abs(matrix[7]) < 1e-12) {
    const k = 1 / matrix[8];
    /** @type {[number, number, number, number, number, number]} */
    const affine = [matrix[0] * k, matrix[3] * k, matrix[1] * k, matrix[4] * k, matrix[2] * k, matrix[5] * k];
    context.setTransform(...affine);
    context.translate(left, top);
    drawPart(context, tile, overlap, 0, 0, tile.width, tile.height, Math.hypot(affine[0], affine[1]));
    return;
  }
  for (let y = 0; y < tile.height; y += CELL)
    for (let x = 0; x < tile.width; x += CELL) {
      const wide = Math.min(CELL, tile.width - x);
      const high = Math.min(CELL, tile.height - y);
      const [ax, ay] = place(matrix, left + x, top + y);
      const [bx, by] = place(matrix, left + x + wide, top + y);
      const [cx, cy] = place(matrix, left + x, top + y + high);
      const [dx, dy] = place(matrix, left + x + wide, top + y + high);
      // The affine transform that is nearest at the four corners.
      const ux = (bx - ax + dx - cx) / 2 / wide, uy = (by - ay + dy - cy) / 2 / wide;
      const vx = (cx - ax + dx - bx) / 2 / high, vy = (cy - ay + dy - by) / 2 / high;
      const mx = (ax + bx + cx + dx) / 4 - (ux * wide + vx * high) / 2;
      const my = (ay + by + cy + dy) / 4 - (uy * wide + vy * high) / 2;
      context.setTransform(ux, uy, vx, vy, mx, my);
      drawPart(context, tile, overlap, x, y, wide, high, Math.hypot(ux, uy));
    }
}

/**
 * A part of a tile at 0, 0, and what lies right of and below it for a canvas pixel and a half, so
 * that no gap shows between parts. Where the tile ends before, its last pixels are stretched.
 * @param {Context} context
 * @param {ImageBitmap} tile
 * @param {number} overlap
 * @param {number} x
 * @param {number} y
 * @param {number} wide
 * @param {number} high
 * @param {number} size
 */
function drawPart(context, tile, overlap, x, y, wide, high, size) {
  const over = 1.5 / size;
  const [w, h] = [Math.min(wide + over, tile.width - x), Math.min(high + over, tile.height - y)];
  const short = Math.max(0, over - overlap);
  const [right, below] = [x + w >= tile.width ? short : 0, y + h >= tile.height ? short : 0];
  context.drawImage(tile, x, y, w, h, 0, 0, w + right, h + below);
}
