// The dentition by keyboard, what is chosen of it, and how many pictures are chosen to compare.
import { t } from "/static/words.js";

function teethOf(chart) {
  return [...chart.querySelectorAll('input[name="tooth"]')];
}

// One tooth of a chart is in the order of the Tab key; arrows go from tooth to tooth.
function reach(teeth, one) {
  for (const tooth of teeth) tooth.tabIndex = tooth === one ? 0 : -1;
}

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

for (const chart of document.querySelectorAll("[data-dentition]")) {
  const teeth = teethOf(chart);
  reach(teeth, teeth.find((tooth) => tooth.checked) ?? teeth[0]);
  chart.addEventListener("focusin", (event) => {
    if (teeth.includes(event.target)) reach(teeth, event.target);
  });
  chart.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const found = teeth.includes(event.target) ? beside(teeth, event.target, event.key) : null;
    if (found) {
      event.preventDefault();
      found.focus();
    }
  });
}

const told = document.querySelector("[data-chosen-teeth]");
document.querySelector("[data-question]")?.addEventListener("change", () => {
  const chosen = [...document.querySelectorAll('input[name="tooth"]:checked')];
  document.querySelector("[data-numberings]").hidden = chosen.length === 0;
  told.textContent = chosen.map((tooth) => tooth.dataset.short).join(", ") || told.dataset.none;
});

const choosing = document.querySelector("[data-choosing]");
const bar = choosing?.querySelector("[data-bar]");
if (bar) {
  const count = bar.querySelector("[data-count]");
  const go = bar.querySelector("[data-go]");
  const update = () => {
    const n = choosing.querySelectorAll('input[name="of"]:checked').length;
    count.textContent = n ? t("find.chosen", { n }) : count.dataset.none;
    go.disabled = n < 2;
  };
  choosing.addEventListener("change", update);
  // A browser that comes back to this page may have kept what was chosen.
  addEventListener("pageshow", update);
  update();
}

if (new URLSearchParams(location.search).size) document.getElementById("answers-title")?.focus({ preventScroll: true });
