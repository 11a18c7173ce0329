// How a picture is told in words.
import { t } from "/static/words.js";

/** @import { Picture } from "./draft_shapes.js" */

/** @param {string} word a sheet's, as keys of the catalogue have it */
const keyOf = (word) => word.replaceAll(/[ -]/g, "_");

/** @param {string} view */
export const viewWords = (view) => t(`views.${keyOf(view)}`);

/** @param {string} frame */
export const frameWords = (frame) => t(`take_in.colour_${keyOf(frame)}`);

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
