// Short messages at the edge of the page, read out by screen readers. `kind`: "", "good", "bad".
import { t } from "./words.js";
import { icon } from "./icons.js";

const STAYS = 7000;

export function say(text, kind = "") {
  const region = document.getElementById("messages");
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

export function sayTrouble(error) {
  say(error.message, "bad");
}
