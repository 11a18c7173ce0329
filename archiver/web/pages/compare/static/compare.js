// Two or more dates of a tooth: seam, blink, side by side, difference; one view for all of them.
import { call, callJson } from "/static/calling.js";
import { say, sayTrouble } from "/static/messages.js";
import { cancel, follow } from "/static/task.js";
import { t } from "/static/words.js";
import { Blinking } from "./blinking.js";
import { Drawing } from "./drawing.js";
import { Pane, heading, make } from "./pane.js";
import { Seam } from "./seam.js";
import { Working, doubts, figures, notice } from "./telling.js";
import { TiledPicture, TileStore } from "./tiles.js";
import { View, byHand, byKey, steps } from "./view.js";

const root = document.querySelector("[data-comparing]");
const comparison = JSON.parse(root.dataset.comparing);
const stage = root.querySelector("[data-stage]");
const entries = comparison.earlier.map((one) => ({ ...one, picture: new TiledPicture(one.shown) }));
const newest = { ...comparison.newest, picture: new TiledPicture(comparison.newest.shown) };
const uid = (entry) => entry.shown.label.uid;
const all = [newest, ...entries].map(uid);

const view = new View(newest.picture.columns, newest.picture.rows);
// Earlier pictures that stand beside the newest at once.
const BESIDE = 3;
const state = { entry: entries[0], mode: "seam", seam: 0.5, showing: "newest", strength: 1, outline: false, all: false, chosen: false };
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

const fits = (entry) => ["top", "left"].every((edge) => entry.shown.label[edge] === newest.shown.label[edge]);
const laid = (mode) => mode !== "side" && (fits(state.entry) || mode === "difference");

// The earlier pictures on the stage, the newest of them first.
function shown() {
  if (state.mode !== "side" || !state.all) return [state.entry];
  const others = entries.filter((one) => one !== state.entry).slice(0, BESIDE - 1);
  return entries.filter((one) => one === state.entry || others.includes(one));
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
  stage.dataset.panes = panes.length;
  stage.replaceChildren(...panes.map((pane) => pane.element));
  if (state.mode === "seam") panes[0].frame.append(seam.element);
  for (const under of root.querySelectorAll("[data-under]")) under.hidden = under.dataset.under !== state.mode;
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

const notices = root.querySelector("[data-notices]");
const told = root.querySelector("[data-figures]");
const working = new Working(root.querySelector("[data-working]"), { stop: () => cancel(comparison.task).catch(sayTrouble), go: begin });

function tell() {
  const seen = shown();
  const dated = (entry) => (seen.length > 1 ? `${entry.shown.label.date}: ` : "");
  const doubted = seen.flatMap((entry) => doubts(entry.facts, dated(entry)));
  const facts = state.entry.facts;
  if (state.mode === "difference" && facts && !facts.aligned)
    doubted.push(notice(t("compare.difference_none"), "attention"));
  notices.replaceChildren(...doubted);
  told.replaceChildren(...seen.flatMap((entry) => figures(entry.facts, dated(entry))));
  stage.dataset.aligned = facts ? (facts.aligned ? "yes" : "no") : "working";
}

async function outcome(entry) {
  entry.facts = await callJson(`/compare/outcome/${uid(newest)}/${uid(entry)}`);
  if (!shown().includes(entry)) return;
  if (entry !== state.entry) {
    tell();
    draw();
    return;
  }
  const apart = !entry.facts.aligned || !fits(entry);
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
    notices.append(notice(t("compare.failed", { why: error.message }), "bad"));
  });
}

// -- what can be pressed

const zoomed = root.querySelector("[data-zoom-now]");

function choose(mode) {
  state.mode = mode;
  root.querySelector(`[name="mode"][value="${mode}"]`).checked = true;
  build();
  tell();
}

function show(entry) {
  state.entry = entry;
  root.querySelector(`[name="earlier"][value="${uid(entry)}"]`).checked = true;
  if (!laid(state.mode) || (entry.facts && !entry.facts.aligned && !state.chosen)) state.mode = "side";
  choose(state.mode);
}

root.addEventListener("change", ({ target }) => {
  if (target.name === "mode") {
    state.chosen = true;
    choose(target.value);
  } else if (target.name === "earlier") show(entries.find((one) => uid(one) === target.value));
  else if (target.matches("[data-outline]")) {
    state.outline = target.checked;
    draw();
  } else if (target.matches("[data-all]")) {
    state.all = target.checked;
    choose("side");
  }
});
root.querySelector("[data-strength]").addEventListener("input", ({ target }) => {
  state.strength = target.value / 100;
  draw();
});

for (const button of root.querySelectorAll("[data-zoom]"))
  button.addEventListener("click", () => {
    const deeds = { in: () => view.zoom(steps.in), out: () => view.zoom(steps.out), fit: () => view.fit(), full: () => byKey(view, "1") };
    deeds[button.dataset.zoom]();
    draw();
  });

function another(step) {
  // The dates stand from the oldest to the newest; entries the other way round.
  const at = entries.indexOf(state.entry) - step;
  if (entries[at]) show(entries[at]);
}

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

async function keep(button) {
  const { entry, mode, showing, strength, outline, all: several } = state;
  const body = { of: all, earlier: uid(entry), mode, showing, strength, outline, all: several, seam: state.seam };
  Object.assign(body, { x: view.x, y: view.y, scale: view.scale, wide: view.wide, high: view.high });
  button.disabled = true;
  try {
    const answer = await call(`/compare/${button.dataset.keep}`, { method: "POST", body });
    const link = make("a");
    link.href = URL.createObjectURL(await answer.blob());
    link.download = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition"))?.[1] ?? "comparison.png";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    say(t("compare.kept"), "good");
  } catch (error) {
    sayTrouble(error);
  } finally {
    button.disabled = false;
  }
}
for (const button of root.querySelectorAll("[data-keep]")) button.addEventListener("click", () => keep(button));

byHand(stage, view, draw, (target) => panes.find((pane) => pane.canvas === target)?.canvas ?? null);
new ResizeObserver(draw).observe(stage);
root.querySelector(`[name="mode"][value="seam"]`).checked = true;
drawing.changed = draw;
show(entries[0]);
begin();
