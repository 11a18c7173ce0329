// How a picture is told in words.
import { t } from "/static/words.js";

/** @import { Picture } from "./draft_shapes.js" */

/** @param {string} view */
export const viewWords = (view) => t(`views.${view.replaceAll(" ", "_").replaceAll("-", "_")}`);

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
