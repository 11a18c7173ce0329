// The dentition by keyboard, what is chosen of it, and how many pictures are chosen to compare.
import { every, one } from "/static/elements.js";
import { t } from "/static/words.js";

/** @param {ParentNode} chart */
const teethOf = (chart) => every(chart, 'input[name="tooth"]', HTMLInputElement);

// One tooth of a chart is in the order of the Tab key; arrows go from tooth to tooth.
/**
 * @param {HTMLInputElement[]} teeth
 * @param {HTMLInputElement} only
 */
function reach(teeth, only) {
  for (const tooth of teeth) tooth.tabIndex = tooth === only ? 0 : -1;
}

/**
 * @param {HTMLInputElement[]} teeth
 * @param {HTMLInputElement} from
 * @param {string} key
 */
function beside(teeth, from, key) {
  const arch = teeth.filter((tooth) => tooth.dataset.arch === from.dataset.arch);
  const other = teeth.filter((tooth) => tooth.dataset.arch !== from.dataset.arch);
  const at = arch.indexOf(from);
  switch (key) {
    case "ArrowLeft":
      return arch[Math.max(0, at - 1)];
    case "ArrowRight":
      return arch[Math.min(arch.length - 1, at + 1)];
    case "Home":
      return arch[0];
    case "End":
      return arch[arch.length - 1];
    case "ArrowUp":
      return from.dataset.arch === "lower" ? other[at] : from;
    case "ArrowDown":
      return from.dataset.arch === "upper" ? other[at] : from;
    default:
      return null;
  }
}

for (const chart of every(document, "[data-dentition]", HTMLElement)) {
  const teeth = teethOf(chart);
  reach(teeth, teeth.find((tooth) => tooth.checked) ?? teeth[0]);
  chart.addEventListener("focusin", (event) => {
    const tooth = teeth.find((each) => each === event.target);
    if (tooth) reach(teeth, tooth);
  });
  chart.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const from = teeth.find((each) => each === event.target);
    const found = from && beside(teeth, from, event.key);
    if (found) {
      event.preventDefault();
      found.focus();
    }
  });
}

document.querySelector("[data-question]")?.addEventListener("change", () => {
  const told = one(document, "[data-chosen-teeth]", HTMLElement);
  const chosen = every(document, 'input[name="tooth"]:checked', HTMLInputElement);
  one(document, "[data-numberings]", HTMLElement).hidden = chosen.length === 0;
  told.textContent = chosen.map((tooth) => tooth.dataset.short).join(", ") || (told.dataset.none ?? "");
});

const choosing = document.querySelector("[data-choosing]");
const bar = choosing?.querySelector("[data-bar]");
if (choosing && bar) {
  const count = one(bar, "[data-count]", HTMLElement);
  const go = one(bar, "[data-go]", HTMLButtonElement);
  const update = () => {
    const n = choosing.querySelectorAll('input[name="of"]:checked').length;
    count.textContent = n ? t("find.chosen", { n }) : (count.dataset.none ?? "");
    go.disabled = n < 2;
  };
  choosing.addEventListener("change", update);
  // A browser that comes back to this page may have kept what was chosen.
  addEventListener("pageshow", update);
  update();
}

if (new URLSearchParams(location.search).size) document.getElementById("answers-title")?.focus({ preventScroll: true });
