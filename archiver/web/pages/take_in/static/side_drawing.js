// A drawing of our own: the patient who faces you, and the picture beside; what is hatched on
// both is the same side of the patient.
import { t } from "/static/words.js";
import { EDGES } from "/static/picture.js";
import { draw } from "./dom.js";

/** @import { Edge } from "/static/picture.js" */
/** @import { Edges } from "./draft_shapes.js" */

let serial = 0;

/**
 * Which edge of the picture has a letter.
 * @param {Edges} edges
 * @param {string} code
 */
export const edgeOf = (edges, code) => EDGES.find((edge) => edges[edge] === code);

/** @param {string} id */
function hatch(id) {
  const lines = draw("path", { d: "M-2 2l4-4M0 8l8-8M6 10l4-4", class: "side-hatch" });
  return draw("pattern", { id, width: 8, height: 8, patternUnits: "userSpaceOnUse" },
    draw("rect", { width: 8, height: 8, class: "side-tint" }), lines);
}

const HEAD = "M60 14c-15 0-24 11-24 27 0 9 3 17 8 23 2 3 3 6 3 10v6c-13 3-25 8-31 18v14h88V98c-6-10-18-15-31-18v-6c0-4 1-7 3-10 5-6 8-14 8-23 0-16-9-27-24-27z";

/**
 * @param {Edges} edges letters of the picture
 * @param {string} laterality the side that it shows
 */
export function sideDrawing(edges, laterality) {
  serial += 1;
  const [fill, clip] = [`hatch-${serial}`, `half-${serial}`];
  const across = edgeOf(edges, "R");
  const left = !across && laterality === "L";
  const svg = draw("svg", { viewBox: "0 0 300 132", class: "side-drawing", role: "img", "aria-label": label(edges, laterality) });
  svg.append(draw("defs", {}, hatch(fill),
    draw("clipPath", { id: clip }, draw("rect", { x: left ? 60 : 0, y: 0, width: 60, height: 132 }))));
  const figure = draw("g", {},
    draw("path", { d: HEAD, fill: `url(#${fill})`, "clip-path": `url(#${clip})` }),
    draw("path", { d: HEAD, class: "side-line" }),
    draw("path", { d: "M50 42h4M66 42h4M60 44v9l-3 1M52 62c5 3 11 3 16 0", class: "side-line side-fine" }),
    draw("path", { d: "M60 8v112", class: "side-middle" }),
    words(left ? 120 : 2, 128, t(left ? "take_in.drawn_left" : "take_in.drawn_right"), "side-words", left ? "end" : "start"));
  svg.append(figure, frame(edges, across, fill),
    draw("path", { d: "M122 66h26m-7-6 7 6-7 6", class: "side-line side-fine" }));
  return svg;
}

/**
 * @param {Edges} edges
 * @param {Edge | undefined} across
 * @param {string} fill
 */
function frame(edges, across, fill) {
  const [x, y, w, h] = [176, 26, 104, 78];
  const group = draw("g");
  const parts = { left: [x, y, w / 2, h], right: [x + w / 2, y, w / 2, h], top: [x, y, w, h / 2], bottom: [x, y + h / 2, w, h / 2] };
  const [px, py, pw, ph] = across ? parts[across] : [x, y, w, h];
  group.append(
    draw("rect", { x: px, y: py, width: pw, height: ph, fill: `url(#${fill})` }),
    draw("rect", { x, y, width: w, height: h, rx: 3, class: "side-line" }),
    words(x + w / 2, y - 7, edges.top), words(x + w / 2, y + h + 17, edges.bottom),
    words(x - 12, y + h / 2 + 5, edges.left), words(x + w + 12, y + h / 2 + 5, edges.right));
  const forward = edgeOf(edges, "A");
  if (forward) group.append(arrow(forward, x + w / 2, y + h / 2));
  return group;
}

/**
 * @param {Edge} edge
 * @param {number} cx
 * @param {number} cy
 */
function arrow(edge, cx, cy) {
  const angle = { right: 0, bottom: 90, left: 180, top: 270 }[edge];
  return draw("path", { d: "M-26 0h52m-11-9 11 9-11 9", class: "side-arrow", transform: `translate(${cx} ${cy}) rotate(${angle})` });
}

/**
 * @param {number} x
 * @param {number} y
 * @param {string} text
 * @param {string} [className]
 * @param {string} [anchor]
 */
function words(x, y, text, className = "side-letter", anchor = "middle") {
  const made = draw("text", { x, y, class: className, "text-anchor": anchor });
  made.textContent = text;
  return made;
}

/**
 * @param {Edges} edges
 * @param {string} laterality
 */
function label(edges, laterality) {
  const across = edgeOf(edges, "R");
  if (across) return t("take_in.drawing_across", { edge: t(`take_in.edge_${across}`) });
  return t("take_in.drawing_side", { side: t(`directions.${laterality === "L" ? "L" : "R"}`) });
}
