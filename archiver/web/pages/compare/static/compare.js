// Two or more dates of a tooth: seam, blink, side by side, difference; one view for all of them.
import { call, callJson, reason } from "/static/calling.js";
import { every, one } from "/static/elements.js";
import { say, sayTrouble } from "/static/messages.js";
import { cancel, follow } from "/static/task.js";
import { t } from "/static/words.js";
import { Blinking } from "./blinking.js";
import { Drawing } from "./drawing.js";
import { Pane, heading, make } from "./pane.js";
import { Seam } from "./seam.js";
import { Working, doubts, figures, notice } from "./telling.js";
import { TiledPicture, TileStore } from "./tiles.js";
import { View, byButtons, byHand, byKey } from "./view.js";

/** @import { Entry, Mode, Newest, State } from "./drawing.js" */
/** @import { Shown } from "./tiles.js" */

const root = one(document, "[data-comparing]", HTMLElement);
/** @type {{ newest: { shown: Shown }, earlier: { shown: Shown, span: string }[], task: string }} */
const comparison = JSON.parse(root.dataset.comparing ?? "");
const stage = one(root, "[data-stage]", HTMLElement);
/** @type {Entry[]} */
const entries = comparison.earlier.map(({ shown: earlier }) => ({ shown: earlier, picture: new TiledPicture(earlier) }));
/** @type {Newest} */
const newest = { ...comparison.newest, picture: new TiledPicture(comparison.newest.shown) };
/** @param {Newest} entry */
const uid = (entry) => entry.shown.label.uid;
const all = [newest, ...entries].map(uid);

const view = new View(newest.picture.columns, newest.picture.rows);
// Earlier pictures that stand beside the newest at once.
const BESIDE = 3;
/** @type {State} */
const state = { entry: entries[0], mode: "seam", seam: 0.5, showing: "newest", strength: 1, outline: false, all: false, chosen: false };
/** @type {Pane[]} */
let panes = [];
let asked = false;

function draw() {
  if (!asked) requestAnimationFrame(paint);
  asked = true;
}

const store = new TileStore(draw, () => say(t("compare.tiles_lost"), "bad"));
const drawing = new Drawing(store, newest);
const seam = new Seam((at) => {
  state.seam = at;
  draw();
});
const blinking = new Blinking(root, (showing) => {
  state.showing = showing;
  mark();
  draw();
});

// -- what is on the stage

/** @param {Newest} entry */
const fits = (entry) => /** @type {const} */ (["top", "left"]).every((edge) => entry.shown.label[edge] === newest.shown.label[edge]);
/** @param {Mode} mode */
const laid = (mode) => mode !== "side" && (fits(state.entry) || mode === "difference");

// The earlier pictures on the stage, the newest of them first.
function shown() {
  if (state.mode !== "side" || !state.all) return [state.entry];
  const others = entries.filter((entry) => entry !== state.entry).slice(0, BESIDE - 1);
  return entries.filter((entry) => entry === state.entry || others.includes(entry));
}

function build() {
  stage.dataset.mode = state.mode;
  const now = newest.shown.label;
  if (state.mode === "side") {
    panes = [...shown().reverse(), newest].map((entry) => {
      const pane = new Pane(entry.shown.label, entry);
      pane.heads.append(heading(entry.shown.label));
      pane.alt = entry.shown.label.alt;
      return pane;
    });
  } else {
    const then = state.entry.shown.label;
    panes = [new Pane(now, newest)];
    panes[0].heads.append(...[then, now].map(heading));
    panes[0].alt = `${t(`compare.mode_${state.mode}`)}: ${then.alt}; ${now.alt}`;
  }
  stage.dataset.panes = String(panes.length);
  stage.replaceChildren(...panes.map((pane) => pane.element));
  if (state.mode === "seam") panes[0].frame.append(seam.element);
  for (const under of every(root, "[data-under]", HTMLElement)) under.hidden = under.dataset.under !== state.mode;
  blinking.active(state.mode === "blink");
  mark();
  draw();
}

function mark() {
  if (state.mode !== "blink") return;
  for (const [n, head] of [...panes[0].heads.children].entries()) {
    const here = (n ? "newest" : "earlier") === state.showing;
    head.classList.toggle("is-here", here);
    head.classList.toggle("is-away", !here);
  }
  stage.dataset.showing = state.showing;
}

function paint() {
  asked = false;
  const ratio = devicePixelRatio;
  if (!panes.every((pane) => pane.resize(ratio))) return;
  view.resize(panes[0].wide, panes[0].high);
  stage.dataset.drawn = drawing.paint(panes, view, ratio, state) ? "whole" : "part";
  zoomed.textContent = t("compare.zoom_now", { percent: Math.round(view.scale * ratio * 100) });
}

// -- alignment

const notices = one(root, "[data-notices]", HTMLElement);
const told = one(root, "[data-figures]", HTMLElement);
const working = new Working(one(root, "[data-working]", HTMLElement), { stop: () => cancel(comparison.task).catch(sayTrouble), go: begin });

function tell() {
  const seen = shown();
  /** @param {Entry} entry */
  const dated = (entry) => (seen.length > 1 ? `${entry.shown.label.date}: ` : "");
  const doubted = seen.flatMap((entry) => doubts(entry.facts, dated(entry)));
  const facts = state.entry.facts;
  if (state.mode === "difference" && facts && !facts.aligned)
    doubted.push(notice(t("compare.difference_none"), "attention"));
  notices.replaceChildren(...doubted);
  told.replaceChildren(...seen.flatMap((entry) => figures(entry.facts, dated(entry))));
  stage.dataset.aligned = facts ? (facts.aligned ? "yes" : "no") : "working";
}

/** @param {Entry} entry */
async function outcome(entry) {
  /** @type {NonNullable<Entry["facts"]>} */
  const facts = await callJson(`/compare/outcome/${uid(newest)}/${uid(entry)}`);
  entry.facts = facts;
  if (!shown().includes(entry)) return;
  if (entry !== state.entry) {
    tell();
    draw();
    return;
  }
  const apart = !facts.aligned || !fits(entry);
  if (apart && !state.chosen) choose("side");
  tell();
  draw();
}

async function align() {
  working.begin(entries.length);
  tell();
  // The server has begun already, unless the person has much else going on.
  comparison.task ||= (await callJson("/compare/align", { method: "POST", body: { of: all } })).task;
  let known = 0;
  /** @type {Promise<void>[]} */
  const coming = [];
  const end = await follow(comparison.task, ({ done, total }) => {
    working.at(done, total || entries.length);
    while (known < done) coming.push(outcome(entries[known++]));
    tell();
  });
  comparison.task = "";
  if (end.state === "cancelled") {
    working.stopped(known, entries.length);
    return;
  }
  working.end();
  if (end.state !== "done") throw new Error(end.problems?.join(" ") || t("task.lost"));
  while (known < entries.length) coming.push(outcome(entries[known++]));
  await Promise.all(coming);
  stage.dataset.ready = "yes";
}

function begin() {
  align().catch((error) => {
    working.end();
    tell();
    notices.append(notice(t("compare.failed", { why: reason(error) }), "bad"));
  });
}

// -- what can be pressed

const zoomed = one(root, "[data-zoom-now]", HTMLElement);

/**
 * @param {string} name
 * @param {string} value
 */
const check = (name, value) => (one(root, `[name="${name}"][value="${value}"]`, HTMLInputElement).checked = true);

/** @param {Mode} mode */
function choose(mode) {
  state.mode = mode;
  check("mode", mode);
  build();
  tell();
}

/** @param {Entry} entry */
function show(entry) {
  state.entry = entry;
  check("earlier", uid(entry));
  if (!laid(state.mode) || (entry.facts && !entry.facts.aligned && !state.chosen)) state.mode = "side";
  choose(state.mode);
}

root.addEventListener("change", ({ target }) => {
  if (!(target instanceof HTMLInputElement)) return;
  if (target.name === "mode") {
    state.chosen = true;
    choose(/** @type {Mode} */ (target.value));
  } else if (target.name === "earlier") {
    const entry = entries.find((each) => uid(each) === target.value);
    if (entry) show(entry);
  } else if (target.matches("[data-outline]")) {
    state.outline = target.checked;
    draw();
  } else if (target.matches("[data-all]")) {
    state.all = target.checked;
    choose("side");
  }
});
const strengthField = one(root, "[data-strength]", HTMLInputElement);
strengthField.addEventListener("input", () => {
  state.strength = Number(strengthField.value) / 100;
  draw();
});

byButtons(root, view, draw);

/** @param {number} step */
function another(step) {
  // The dates stand from the oldest to the newest; entries the other way round.
  const at = entries.indexOf(state.entry) - step;
  if (entries[at]) show(entries[at]);
}

/** @type {Record<string, Mode>} */
const modes = { s: "seam", b: "blink", t: "side", d: "difference" };
stage.addEventListener("keydown", (event) => {
  // The seam has taken its own keys already.
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (modes[key]) {
    state.chosen = true;
    choose(modes[key]);
  } else if (key === "[" || key === "]") seam.step(key === "[" ? -1 : 1);
  else if (key === "," || key === ".") another(key === "," ? -1 : 1);
  else if (key === " " && state.mode === "blink") blinking.swap();
  else if (byKey(view, key)) draw();
  else return;
  event.preventDefault();
});

/** @param {HTMLButtonElement} button */
async function keep(button) {
  const { entry, mode, showing, strength, outline, all: several } = state;
  const body = { of: all, earlier: uid(entry), mode, showing, strength, outline, all: several, seam: state.seam };
  Object.assign(body, { x: view.x, y: view.y, scale: view.scale, wide: view.wide, high: view.high });
  button.disabled = true;
  try {
    const answer = await call(`/compare/${button.dataset.keep}`, { method: "POST", body });
    const link = make("a");
    link.href = URL.createObjectURL(await answer.blob());
    link.download = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") ?? "")?.[1] ?? "comparison.png";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    say(t("compare.kept"), "good");
  } catch (error) {
    sayTrouble(error);
  } finally {
    button.disabled = false;
  }
}
for (const button of every(root, "[data-keep]", HTMLButtonElement)) button.addEventListener("click", () => keep(button));

byHand(stage, view, draw, (target) => panes.find((pane) => pane.canvas === target)?.canvas ?? null);
new ResizeObserver(draw).observe(stage);
check("mode", "seam");
drawing.changed = draw;
show(entries[0]);
begin();
