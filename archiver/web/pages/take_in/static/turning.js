// What follows from what is said of a picture, without asking the server: the server sends how
// every view of some teeth is turned (`readings`), and here one of these is looked up.
import { callJson } from "../calling.js";

let turns = null;
let habits = {};
let numbering = "ISO 3950";
const cache = new Map();
const waiting = new Map();

// turn: [columns run backwards, rows run backwards, then exchanged], of the source (Exif 2.32, tag 274).
const PARTS = {
  1: [false, false, false], 2: [true, false, false], 3: [true, true, false], 4: [false, true, false],
  5: [false, false, true], 6: [false, true, true], 7: [true, true, true], 8: [true, false, true],
};

export function begin(known) {
  turns = known.turns;
  habits = known.habits;
  numbering = known.numbering;
}

export const swaps = (turn) => turns.swaps.includes(turn);
export const turnWords = (turn) => turns.words[turn];
export const numberingName = () => numbering;

// Fetches how pictures of these teeth are turned; `teeth` as a person writes them or a list.
export async function read(teeth, how = "ISO 3950") {
  const text = Array.isArray(teeth) ? teeth.join(",") : teeth;
  const key = `${how}|${text}`;
  if (cache.has(key)) return cache.get(key);
  if (!waiting.has(key)) {
    const query = new URLSearchParams({ teeth: text, numbering: how });
    const asked = callJson(`/take-in/readings?${query}`).then((found) => {
      cache.set(key, found);
      cache.set(`ISO 3950|${found.teeth.map((tooth) => tooth.iso).join(",")}`, found);
      return found;
    });
    waiting.set(key, asked.finally(() => waiting.delete(key)));
  }
  return waiting.get(key);
}

export const known = (teeth) => cache.get(`ISO 3950|${(teeth ?? []).join(",")}`);

// Returns {turn, edges, laterality, looking, view, lacks, problem}; null while it is being asked for.
export function judge(said, exif) {
  const all = { ...habits, ...said };
  const lacks = ["view", "mirror"].filter((key) => all[key] === undefined);
  const plain = { turn: exif, edges: null, lacks, problem: "" };
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
  return { ...reading, turn: turns.after[way][exif], lacks, problem: "" };
}

export function shownSize(picture, turn) {
  return swaps(turn) ? [picture.rows, picture.columns] : [picture.columns, picture.rows];
}

function mapped(box, turn, columns, rows) {
  const [across, down, exchanged] = PARTS[turn];
  const left = across ? columns - box.left - box.width : box.left;
  const top = down ? rows - box.top - box.height : box.top;
  return exchanged
    ? { left: top, top: left, width: box.height, height: box.width }
    : { left, top, width: box.width, height: box.height };
}

// The same part of a picture in pixels of another turn.
export function recropped(crop, picture, before, after) {
  const undo = { 6: 8, 8: 6 }[before] ?? before;
  const stored = mapped(crop, undo, ...shownSize(picture, before));
  return mapped(stored, after, picture.columns, picture.rows);
}

// The crop as it will be done: grown outward to whole blocks, as archiver.photo.turning.plan_cut.
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

function fit(begin, finish, length, step, fromStep, backwards) {
  const dropped = backwards ? length % step : 0;
  const start = Math.floor((Math.max(begin, dropped) - dropped) / fromStep) * fromStep;
  const end = Math.min(Math.ceil((finish - dropped) / step) * step, length - dropped);
  if (end <= start) return null;
  return { start: start + dropped, end: end + dropped, lost: Math.max(0, dropped - begin) };
}
