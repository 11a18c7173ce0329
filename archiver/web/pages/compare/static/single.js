// One picture in full.
import { one } from "/static/elements.js";
import { say } from "/static/messages.js";
import { t } from "/static/words.js";
import { Pane } from "./pane.js";
import { TiledPicture, TileStore } from "./tiles.js";
import { View, byButtons, byHand, byKey } from "./view.js";

/** @import { Shown } from "./tiles.js" */

const stage = one(document, "[data-single]", HTMLElement);
/** @type {Shown} */
const shown = JSON.parse(stage.dataset.single ?? "");
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
const now = one(document, "[data-zoom-now]", HTMLElement);

function paint() {
  asked = false;
  const ratio = devicePixelRatio;
  if (!pane.resize(ratio)) return;
  view.resize(pane.wide, pane.high);
  const context = pane.begin();
  /** @type {string[]} */
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
byButtons(document, view, draw);
new ResizeObserver(draw).observe(stage);
draw();
