// Pictures of another day or patient: told, and taken into their own visit by one press.
import { callJson } from "/static/calling.js";
import { sayTrouble } from "/static/messages.js";
import { t } from "/static/words.js";
import { find, make, press } from "./dom.js";

/** @import { Model } from "./model.js" */

export class Days {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.drawn = "";
    /** @type {string[]} */
    this.where = [];
  }

  /** The days that are not the visit's, each with its number of pictures. */
  others() {
    /** @type {Map<string, number>} */
    const days = new Map();
    for (const { captured } of this.model.pictures.values()) {
      const day = captured.slice(0, 10);
      if (day) days.set(day, (days.get(day) ?? 0) + 1);
    }
    // Until the visit is known, the latest day is taken for its own.
    const own = this.model.visit.date || [...days.keys()].sort().at(-1);
    const others = [...days].filter(([day]) => day !== own).sort();
    return others.filter(([, n]) => n < this.model.pictures.size);
  }

  draw() {
    const others = this.model.state === "open" && !this.model.busy ? this.others() : [];
    const separators = this.model.state === "open" && !this.model.busy ? this.model.separators : [];
    const pauses = this.model.state === "open" && !this.model.busy ? this.model.pauses : [];
    const signature = JSON.stringify([others, separators, pauses, this.model.pictures.size, this.where]);
    if (signature === this.drawn) return;
    this.drawn = signature;
    const lines = others.map(([day, n]) => {
      const item = make("li", "", t("take_in.other_day", { n, of: this.model.pictures.size, day: dayWords(day) }));
      item.append(press(t("take_in.own_visit", { n }), "", () => this.split({ day })));
      return item;
    });
    for (const { separator, n, mine, whose } of separators) {
      const words = mine ? "take_in.separator_mine" : whose ? "take_in.separator_of" : "take_in.separator_unknown";
      const item = make("li", "", t(words, { n, whose }));
      if (mine || whose) item.append(press(t(mine ? "take_in.leave_out" : "take_in.separator_take", { n }), "", () => this.split({ separator })));
      lines.push(item);
    }
    for (const { pause, n, minutes, whose } of pauses) {
      const item = make("li", "", t(whose ? "take_in.pause_of" : "take_in.pause_before", { n, minutes, whose }));
      item.append(press(t("take_in.own_visit", { n }), "", () => this.split({ pause })));
      lines.push(item);
    }
    for (const where of this.where) {
      const item = make("li", "", t("take_in.own_visit_made"));
      const link = make("a", "button", t("take_in.go_there"));
      link.href = where;
      item.append(link);
      lines.push(item);
    }
    find("days").hidden = !lines.length;
    find("days-list").replaceChildren(...lines);
  }

  /** @param {{ day?: string, separator?: string, pause?: string }} body */
  async split(body) {
    try {
      const { where } = await callJson(`/take-in/${this.model.id}/split`, { method: "POST", body });
      if (!where.endsWith(this.model.id) && !this.where.includes(where)) this.where.push(where);
      this.model.separators = this.model.separators.filter((one) => one.separator !== body.separator);
      this.model.pauses = this.model.pauses.filter((one) => one.pause !== body.pause);
      await this.model.load();
    } catch (error) {
      sayTrouble(error);
    }
  }
}

/** @param {string} day ISO 8601 */
const dayWords = (day) => new Intl.DateTimeFormat(document.documentElement.lang, { dateStyle: "long", timeZone: "UTC" }).format(new Date(`${day}T00:00:00Z`));
