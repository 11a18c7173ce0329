// Which views the rules want of this visit, and which of them are there.
import { icon } from "/static/icons.js";
import { t } from "/static/words.js";
import { find, make, press } from "./dom.js";
import { numberingName } from "./turning.js";
import { teethWords } from "./words.js";

/** @import { WantedRow } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

export class Wanted {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.drawn = "";
    const [rules, teeth] = [find("rules"), find("visit-teeth")];
    rules.addEventListener("change", () => model.change({ rules: rules.value }).catch(() => {}));
    teeth.addEventListener("change", () => {
      model.change({ teeth: teeth.value, numbering: numberingName() }).catch(() => {});
    });
  }

  /**
   * Rules whose words stand in the description of the visit.
   * @param {string} [description]
   */
  guess(description) {
    const text = (description ?? "").toLowerCase();
    for (const option of find("rules").options) {
      const words = (option.dataset.words ?? "").split("|").filter(Boolean);
      if (words.some((word) => text.includes(word))) return option.value;
    }
    return "";
  }

  draw() {
    const { model } = this;
    if (document.activeElement !== find("rules")) find("rules").value = model.rules;
    if (document.activeElement !== find("visit-teeth")) find("visit-teeth").value = teethWords(model.teeth);
    const rows = model.wanted;
    const signature = JSON.stringify([model.rules, rows, model.order]);
    if (signature === this.drawn) return;
    this.drawn = signature;
    const required = rows.filter((row) => !row.optional);
    const there = required.filter((row) => row.there).length;
    let sum = "";
    if (model.rules && rows.length === 0) sum = t("take_in.wanted_teeth");
    else if (rows.length) sum = there === required.length ? t("take_in.wanted_all", { of: required.length }) : t("take_in.wanted_sum", { n: there, of: required.length });
    find("wanted-sum").textContent = sum;
    find("wanted-list").replaceChildren(...rows.map((row) => this.row(row)));
  }

  /** @param {WantedRow} row */
  row(row) {
    const item = make("li", row.there ? "wanted-there" : "wanted-missing");
    // The number of a tooth is never bare.
    const target = /^\d/.test(row.target) ? t("picture.iso", { teeth: row.target }) : row.target;
    const words = target ? `${row.name} (${target})` : row.name;
    item.append(icon(row.there ? "confirmed" : "missing"), make("span", "", words));
    const more = [];
    if (row.count > 1) more.push(t("take_in.some_of", { n: Math.min(row.by.length, row.count), of: row.count }));
    if (row.optional) more.push(t("take_in.optional"));
    if (more.length) item.append(make("span", "quiet", more.join(", ")));
    for (const digest of row.by) {
      const n = this.model.order.indexOf(digest) + 1;
      if (n > 0) item.append(press(String(n), "button-quiet wanted-go", () => this.model.show(digest)));
    }
    for (const go of item.querySelectorAll(".wanted-go")) {
      go.setAttribute("aria-label", t("take_in.show_n", { n: go.textContent }));
    }
    return item;
  }
}
