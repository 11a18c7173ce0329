// How a picture is told in words.
import { t } from "/static/words.js";

/** @import { More, Picture } from "./draft_shapes.js" */

/** @param {string} word a sheet's, as keys of the catalogue have it */
const keyOf = (word) => word.replaceAll(/[ -]/g, "_");

/** @param {string} view */
export const viewWords = (view) => t(`views.${keyOf(view)}`);

/**
 * What else than view and teeth a picture would be said to be.
 * @param {More} given
 */
export function moreWords(given) {
  const words = [];
  if (given.colour_frame) words.push(t(`take_in.colour_${keyOf(given.colour_frame)}`));
  if (given.functional_state) words.push(t(`take_in.function_${keyOf(given.functional_state)}`));
  if (given.seen_from) words.push(t("take_in.seen_from_words", { side: t(`take_in.seen_from_${given.seen_from}`) }));
  if (given.magnification) words.push(given.magnification);
  return words;
}

/** @param {string[]} [teeth] */
export function teethWords(teeth) {
  return (teeth ?? []).join(", ");
}

/**
 * @param {Picture} picture
 * @param {string} [view]
 */
export function said(picture, view) {
  const name = view || picture.said.view;
  if (!name) return "";
  const teeth = teethWords(picture.said.teeth);
  return teeth ? `${viewWords(name)} ${t("picture.iso", { teeth })}` : viewWords(name);
}

/** @param {string} edge */
export const edgeWords = (edge) => t(`take_in.edge_${edge}`);

/** @param {string} captured */
export function clock(captured) {
  return captured ? captured.slice(11, 19) : t("take_in.no_time");
}
