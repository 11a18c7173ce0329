// Short messages at the edge of the page, read out by screen readers. `kind`: "", "good", "bad".
import { reason } from "./calling.js";
import { one } from "./elements.js";
import { t } from "./words.js";
import { icon } from "./icons.js";

const STAYS = 7000;

/**
 * @param {string} text
 * @param {"" | "good" | "bad"} [kind]
 */
export function say(text, kind = "") {
  const region = one(document, "#messages", HTMLElement);
  const box = document.createElement("div");
  box.className = `message${kind ? ` message-${kind}` : ""}`;
  const words = document.createElement("p");
  words.textContent = text;
  const close = document.createElement("button");
  close.type = "button";
  close.className = "button-quiet";
  close.setAttribute("aria-label", t("site.close"));
  close.append(icon("close"));
  close.addEventListener("click", () => box.remove());
  box.append(words, close);
  region.append(box);
  // What went wrong stays until it is closed.
  if (kind !== "bad") setTimeout(() => box.remove(), STAYS);
  return box;
}

/** @param {unknown} error */
export function sayTrouble(error) {
  say(reason(error), "bad");
}
