// What a question about a picture is made of: the words, the drawing, an earlier picture to hold
// beside it, and what speaks against it.
import { icon } from "/static/icons.js";
import { drawPicture, sideMark } from "/static/picture.js";
import { t } from "/static/words.js";
import { make, press } from "./dom.js";
import { edgeOf, sideDrawing } from "./side_drawing.js";

/** @import { Edge, Label } from "/static/picture.js" */
/** @import { Doubt, Edges, Given } from "./draft_shapes.js" */
/** @import { Follows } from "./turning.js" */

/** @typedef {Follows & { edges: Edges }} Settled */

const SIDE = 640;

/**
 * @param {string} name
 * @param {string} words
 * @param {string} className
 * @param {() => unknown} done
 * @param {string} [key]
 */
export function act(name, words, className, done, key) {
  const button = press(words, className, done);
  button.dataset.act = name;
  if (key) button.append(make("kbd", "", key));
  return button;
}

/**
 * The question in words, what to compare with, and how long to look.
 * @param {Settled} follows
 * @param {Label | null} earlier
 */
export function question(follows, earlier) {
  const { edges, laterality = "" } = follows;
  const across = edgeOf(edges, "R");
  const forward = edgeOf(edges, "A");
  /** @param {Edge | undefined} name */
  const edge = (name) => t(`take_in.edge_${name}`);
  let words;
  if (across && forward) {
    words = t("take_in.ask_arch", { front: edge(forward), edge: edge(across) });
  } else if (across) {
    words = t("take_in.ask_across", { edge: edge(across) });
  } else {
    words = t("take_in.ask_side", { side: t(`directions.${laterality}`), edge: edge(forward) });
  }
  return [beside(follows, earlier, make("p", "ask-words", words)), make("p", "quiet ask-wait")];
}

/**
 * What a person compares the picture with: how the patient lies in it, and an earlier picture.
 * @param {Settled} follows
 * @param {Label | null} earlier
 * @param {HTMLElement[]} words that stand above the drawing
 */
export function beside({ edges, laterality = "" }, earlier, ...words) {
  const both = make("div", "ask-beside");
  const drawn = make("div", "ask-drawn");
  drawn.append(...words, sideDrawing(edges, laterality), make("p", "quiet ask-hint", t("take_in.ask_hint")));
  both.append(drawn);
  if (earlier) both.append(drawEarlier(earlier));
  return both;
}

/** @param {Label} label */
export function drawEarlier(label) {
  const figure = drawPicture(label, { side: SIDE });
  figure.classList.add("earlier");
  const words = make("figcaption");
  const when = make("time", "when", label.date || t("picture.no_date"));
  words.append(t("take_in.earlier"), " ", when, make("span", "what", [label.tooth, label.view].filter(Boolean).join(" · ")));
  const mark = sideMark(label);
  if (mark) words.append(mark);
  figure.querySelector("figcaption")?.replaceWith(words);
  return figure;
}

/**
 * What speaks against what is said of a picture.
 * @param {Doubt[]} doubts
 */
export function doubtLines(doubts) {
  const list = make("ul", "doubts");
  for (const doubt of doubts) {
    const line = make("li", doubt.answered ? "doubt-answered" : "doubt-open");
    const words = make("span", "", t(doubt.answered ? "take_in.doubt_answered" : "take_in.doubt", { words: doubt.words }));
    line.append(icon(doubt.answered ? "confirmed" : "warning"), words);
    if (!doubt.answered && doubt.asks === "checked") words.append(" ", make("span", "quiet", t("take_in.doubt_look")));
    list.append(line);
  }
  return doubts.length ? [list] : [];
}

/**
 * The answers to doubts that a person may give beside what flips the picture.
 * @param {Doubt[]} doubts
 * @param {string[]} checked what is said already to have been checked
 * @param {(given: Given) => unknown} say
 */
export function doubtActs(doubts, checked, say) {
  const open = doubts.filter((one) => !one.answered);
  const asks = new Set(open.map((one) => one.asks));
  const acts = [];
  if (asks.has("flipped")) acts.push(act("not-flipped", t("take_in.not_flipped"), "", () => say({ flipped: "no" })));
  if (asks.has("exif_orientation")) {
    acts.push(act("exif-ignore", t("take_in.turn_wrong"), "", () => say({ exif_orientation: "ignore" })));
    acts.push(act("exif-use", t("take_in.turn_good"), "", () => say({ exif_orientation: "use" })));
  }
  for (const { against } of open) {
    if (against) acts.push(act(`checked-${against}`, t(`take_in.checked_${against}`), "", () => say({ checked: [...checked, against] })));
  }
  return acts;
}
