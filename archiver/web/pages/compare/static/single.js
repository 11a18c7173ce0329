// One picture in full.
import { say } from "/static/messages.js";
import { t } from "/static/words.js";
import { Pane } from "./pane.js";
import { TiledPicture, TileStore } from "./tiles.js";
import { View, byHand, byKey, steps } from "./view.js";

const stage = document.querySelector("[data-single]");
const shown = JSON.parse(stage.dataset.single);
const picture = new TiledPicture(shown);
const view = new View(picture.columns, picture.rows);
const pane = new Pane(shown.label);
pane.heads.remove();
pane.alt = shown.label.alt;
stage.append(pane.element);

let asked = false;
function draw() {
  if (!asked) requestAnimationFrame(paint);
  asked = true;
}
const store = new TileStore(draw, () => say(t("compare.tiles_lost"), "bad"));
const now = document.querySelector("[data-zoom-now]");

function paint() {
  asked = false;
  const ratio = devicePixelRatio;
  if (!pane.resize(ratio)) return;
  view.resize(pane.wide, pane.high);
  const context = pane.begin();
  const wanted = [];
  const { width, height } = pane.canvas;
  const whole = picture.draw(context, view.matrix(ratio), [0, 0, width, height], store, wanted);
  store.want(wanted);
  stage.dataset.drawn = whole ? "whole" : "part";
  now.textContent = t("compare.zoom_now", { percent: Math.round(view.scale * ratio * 100) });
}

byHand(stage, view, draw, (target) => (target === pane.canvas ? pane.canvas : null));
stage.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || !byKey(view, event.key)) return;
  event.preventDefault();
  draw();
});
for (const button of document.querySelectorAll("[data-zoom]"))
  button.addEventListener("click", () => {
    const deeds = { in: () => view.zoom(steps.in), out: () => view.zoom(steps.out), fit: () => view.fit(), full: () => byKey(view, "1") };
    deeds[button.dataset.zoom]();
    draw();
  });
new ResizeObserver(draw).observe(stage);
draw();
