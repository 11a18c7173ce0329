// A picture with its label, the same as the macro of picture.html draws.
// `label` is what archiver.web.labels.Label.to_json() gives.
import { icon } from "./icons.js";
import { t } from "./words.js";

function part(tag, className, text) {
  const made = document.createElement(tag);
  made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

export function sideMark(label) {
  if (label.side === "none") return null;
  const mark = part("span", `side side-${label.side}`);
  mark.append(icon(label.side), label.side_words);
  return mark;
}

// Letters round anything that is shown within a plate: [top, right, bottom, left].
export function edges(label) {
  return ["top", "right", "bottom", "left"].map((name) => {
    const letter = part("span", `edge edge-${name}`, label[name]);
    letter.setAttribute("aria-hidden", "true");
    return letter;
  });
}

export function caption(label) {
  const words = document.createElement("figcaption");
  words.append(part("span", "tooth", label.tooth || t("picture.whole_mouth")));
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

export function drawPicture(label, { side = 320, href = "", source = "" } = {}) {
  const figure = part("figure", `picture${label.rejected ? " picture-rejected" : ""}`);
  figure.dataset.uid = label.uid;
  const plate = part(href ? "a" : "div", "plate");
  if (href) plate.href = href;
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
