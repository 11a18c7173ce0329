// A picture with its label, the same as the macro of picture.html draws.
import { icon } from "./icons.js";
import { t } from "./words.js";

/**
 * What archiver.web.labels.Label.to_json() gives.
 * @typedef {object} Label
 * @property {string} uid
 * @property {string} study
 * @property {string} source
 * @property {string} top
 * @property {string} right
 * @property {string} bottom
 * @property {string} left
 * @property {string} tooth
 * @property {string} view
 * @property {string} date
 * @property {"confirmed" | "unconfirmed" | "doubted" | "none"} side
 * @property {string} side_words
 * @property {string} mirror
 * @property {string} rejected
 * @property {number} columns
 * @property {number} rows
 * @property {string} alt
 * @property {Partial<Record<Edge, string>>} words what lies at the edges, in the words of the trade
 * @property {string} certainty
 * @property {string} code
 */

/** @typedef {"top" | "right" | "bottom" | "left"} Edge */

/** @type {Edge[]} */
export const EDGES = ["top", "right", "bottom", "left"];

/**
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {string} className
 * @param {string} [text]
 */
function part(tag, className, text) {
  const made = document.createElement(tag);
  made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

/** @param {Label} label */
export function sideMark(label) {
  if (label.side === "none") return null;
  const side = label.side === "doubted" ? "unconfirmed" : label.side;
  const mark = part("span", `side side-${side}`);
  mark.append(icon(side), label.side_words);
  return mark;
}

/**
 * The letter of an edge and, behind it, the word of the trade.
 * @param {HTMLElement} place
 * @param {string} letter
 * @param {string} [word]
 */
export function letterEdge(place, letter, word = "") {
  place.textContent = letter;
  place.translate = false;
  place.dataset.word = word;
}

// Letters round anything that is shown within a plate: [top, right, bottom, left].
/** @param {Label} label */
export function edges(label) {
  return EDGES.map((name) => {
    const letter = part("span", `edge edge-${name}`);
    letterEdge(letter, label[name], label.words[name]);
    letter.setAttribute("aria-hidden", "true");
    return letter;
  });
}

/** @param {Label} label */
export function caption(label) {
  const words = document.createElement("figcaption");
  const tooth = part("span", "tooth", label.tooth || t("picture.whole_mouth"));
  tooth.translate = false;
  words.append(tooth);
  words.append(part("span", "what", label.view));
  const when = part("time", "when", label.date || t("picture.no_date"));
  if (label.date) when.dateTime = label.date;
  words.append(when);
  const mark = sideMark(label);
  if (mark) words.append(mark);
  if (label.mirror) words.append(part("span", "mirror", label.mirror));
  if (label.rejected) {
    const rejected = part("span", "rejected");
    rejected.append(icon("warning"), t("picture.rejected", { why: label.rejected }));
    words.append(rejected);
  }
  return words;
}

/**
 * @param {Label} label
 * @param {{ side?: number, href?: string, source?: string }} [how]
 */
export function drawPicture(label, { side = 320, href = "", source = "" } = {}) {
  const figure = part("figure", `picture${label.rejected ? " picture-rejected" : ""}`);
  figure.dataset.uid = label.uid;
  const plate = part(href ? "a" : "div", "plate");
  if (plate instanceof HTMLAnchorElement) plate.href = href;
  const image = document.createElement("img");
  image.src = source || `${label.source}?side=${side}`;
  image.alt = label.alt;
  image.loading = "lazy";
  image.decoding = "async";
  if (label.columns) {
    image.width = label.columns;
    image.height = label.rows;
  }
  plate.append(...edges(label), image);
  figure.append(plate, caption(label));
  return figure;
}
