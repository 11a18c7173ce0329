// What follows from what is said of a picture, without asking the server: the server sends how
// every view of some teeth is turned (`readings`), and here one of these is looked up.
import { callJson } from "/static/calling.js";

/** @import { Box, Edges, Habits, Known, Picture, Said, Turns } from "./draft_shapes.js" */

/**
 * How pictures of some teeth of one view are turned, from archiver.web.pages.take_in.turn_table.
 * @typedef {object} Reading
 * @property {string} [problem] why the view does not fit the teeth; nothing else is there then
 * @property {boolean} [needs_teeth]
 * @property {string} view
 * @property {Edges} edges
 * @property {Partial<Edges>} words of the trade at the edges
 * @property {Edges | null} turned the edges where it is displayed turned by half
 * @property {Partial<Edges>} turned_words
 * @property {string} laterality
 * @property {string} looking
 * @property {{ direct: Record<string, number>, mirror?: Record<string, number> }} turns
 */

/** @typedef {{ teeth: { iso: string, universal: string, name: string }[], views: Record<string, Reading> }} Readings */

/**
 * What follows from what is said of a picture.
 * @typedef {object} Follows
 * @property {number} turn
 * @property {Edges | null} edges
 * @property {Partial<Edges>} [words] of the trade, where the edges have them
 * @property {string} [laterality]
 * @property {string} [looking]
 * @property {string} [view]
 * @property {string[]} lacks
 * @property {string} problem
 */

/** @type {Turns} */
let turns = { after: {}, swaps: [], words: {}, flips: {} };
/** @type {Habits} */
let habits = {};
let numbering = "ISO 3950";
/** @type {Map<string, Readings>} */
const cache = new Map();
/** @type {Map<string, Promise<Readings>>} */
const waiting = new Map();

const HALF = 3;
// turn: [columns run backwards, rows run backwards, then exchanged], of the source (Exif 2.32, tag 274).
/** @type {Record<number, [boolean, boolean, boolean]>} */
const PARTS = {
  1: [false, false, false], 2: [true, false, false], 3: [true, true, false], 4: [false, true, false],
  5: [false, false, true], 6: [false, true, true], 7: [true, true, true], 8: [true, false, true],
};

/** @param {Known} told */
export function begin(told) {
  turns = told.turns;
  habits = told.habits;
  numbering = told.numbering;
}

/** @param {number} turn */
export const swaps = (turn) => turns.swaps.includes(turn);
/** @param {number} turn */
export const turnWords = (turn) => turns.words[turn];
export const numberingName = () => numbering;

/**
 * Fetches how pictures of these teeth are turned.
 * @param {string[] | string} teeth as a person writes them, or a list
 * @param {string} [how] they are numbered
 * @returns {Promise<Readings>}
 */
export async function read(teeth, how = "ISO 3950") {
  const text = Array.isArray(teeth) ? teeth.join(",") : teeth;
  const key = `${how}|${text}`;
  const cached = cache.get(key);
  if (cached) return cached;
  let coming = waiting.get(key);
  if (!coming) {
    const query = new URLSearchParams({ teeth: text, numbering: how });
    const asked = callJson(`/take-in/readings?${query}`).then((/** @type {Readings} */ found) => {
      cache.set(key, found);
      cache.set(`ISO 3950|${found.teeth.map((tooth) => tooth.iso).join(",")}`, found);
      return found;
    });
    coming = asked.finally(() => waiting.delete(key));
    waiting.set(key, coming);
  }
  return coming;
}

/** @param {string[]} [teeth] */
export const known = (teeth) => cache.get(`ISO 3950|${(teeth ?? []).join(",")}`);

/**
 * What follows; null while it is being asked for.
 * @param {Said} said
 * @param {number} exif
 * @returns {Follows | null}
 */
export function judge(said, exif) {
  /** @type {Said} */
  const all = { ...habits, ...said };
  const lacks = /** @type {const} */ (["view", "mirror"]).filter((key) => all[key] === undefined);
  const heeded = all.exif_orientation === "ignore" ? 1 : exif;
  // A flip undoes itself.
  const seen = turns.after[turns.flips[all.flipped ?? "no"]][heeded];
  /** @type {Follows} */
  const plain = { turn: heeded, edges: null, lacks, problem: "" };
  if (all.view === undefined) return plain;
  const found = known(all.teeth);
  if (!found) return null;
  const reading = found.views[all.view];
  if (reading.problem) {
    return reading.needs_teeth
      ? { ...plain, lacks: [...lacks, "teeth"] }
      : { ...plain, problem: reading.problem };
  }
  if (all.mirror === undefined) return plain;
  const ways = reading.turns[all.mirror ? "mirror" : "direct"];
  const way = ways?.[all.top || all.operator || "front"];
  if (way === undefined) return null; // the server tells why
  const turn = turns.after[way][seen];
  if (all.lingual_fronts !== "turned" || !reading.turned) return { ...reading, turn, lacks, problem: "" };
  return { ...reading, edges: reading.turned, words: reading.turned_words, turn: turns.after[HALF][turn], lacks, problem: "" };
}

/** @typedef {{ columns: number, rows: number }} Sized */

/**
 * @param {Sized} picture
 * @param {number} turn
 * @returns {[columns: number, rows: number]}
 */
export function shownSize(picture, turn) {
  return swaps(turn) ? [picture.rows, picture.columns] : [picture.columns, picture.rows];
}

/**
 * @param {Box} box
 * @param {number} turn
 * @param {number} columns
 * @param {number} rows
 * @returns {Box}
 */
function mapped(box, turn, columns, rows) {
  const [across, down, exchanged] = PARTS[turn];
  const left = across ? columns - box.left - box.width : box.left;
  const top = down ? rows - box.top - box.height : box.top;
  return exchanged
    ? { left: top, top: left, width: box.height, height: box.width }
    : { left, top, width: box.width, height: box.height };
}

/**
 * The same part of a picture in pixels of another turn.
 * @param {Box} crop
 * @param {Sized} picture
 * @param {number} before
 * @param {number} after
 */
export function recropped(crop, picture, before, after) {
  const undo = before === 6 ? 8 : before === 8 ? 6 : before;
  const stored = mapped(crop, undo, ...shownSize(picture, before));
  return mapped(stored, after, picture.columns, picture.rows);
}

/**
 * The crop as it will be done: grown outward to whole blocks, as archiver.photo.turning.plan_cut.
 * @param {Box} crop
 * @param {Picture} picture
 * @param {number} turn
 * @param {string} edges what happens to those that fall off: "lossless" keeps the crop exact
 * @returns {Box}
 */
export function snapped(crop, picture, turn, edges) {
  const [across, down, exchanged] = PARTS[turn];
  const [columns, rows] = shownSize(picture, turn);
  const block = picture.block;
  if (block[0] === 1 && block[1] === 1) return { ...crop };
  const grid = exchanged ? [block[1], block[0]] : block;
  const most = Math.max(...block);
  const from = exchanged ? [most, most] : block;
  const backwards = exchanged ? [down, across] : [across, down];
  const x = fit(crop.left, crop.left + crop.width, columns, grid[0], from[0], backwards[0]);
  const y = fit(crop.top, crop.top + crop.height, rows, grid[1], from[1], backwards[1]);
  const exact = !x || !y || (edges === "lossless" && (x.lost || y.lost));
  if (exact) return { ...crop };
  return { left: x.start, top: y.start, width: x.end - x.start, height: y.end - y.start };
}

/**
 * @param {number} from
 * @param {number} finish
 * @param {number} length
 * @param {number} step
 * @param {number} fromStep
 * @param {boolean} backwards
 */
function fit(from, finish, length, step, fromStep, backwards) {
  const dropped = backwards ? length % step : 0;
  const start = Math.floor((Math.max(from, dropped) - dropped) / fromStep) * fromStep;
  const end = Math.min(Math.ceil((finish - dropped) / step) * step, length - dropped);
  if (end <= start) return null;
  return { start: start + dropped, end: end + dropped, lost: Math.max(0, dropped - from) };
}
