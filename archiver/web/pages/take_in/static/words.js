// How a picture is told in words.
import { t } from "../words.js";

export const viewWords = (view) => t(`views.${view.replaceAll(" ", "_").replaceAll("-", "_")}`);

// Neighbours of one arch as a range, as a person writes them.
export function teethWords(teeth) {
  return (teeth ?? []).join(", ");
}

export function said(picture, view) {
  const name = view || picture.said.view;
  if (!name) return "";
  const teeth = teethWords(picture.said.teeth);
  return teeth ? `${viewWords(name)} ${t("picture.iso", { teeth })}` : viewWords(name);
}

export const edgeWords = (edge) => t(`take_in.edge_${edge}`);

export function clock(captured) {
  return captured ? captured.slice(11, 19) : t("take_in.no_time");
}
