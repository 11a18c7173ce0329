// The fields that say what one or several pictures show.
import { t } from "../words.js";
import { find, make } from "./dom.js";
import { numberingName, read } from "./turning.js";
import { teethWords } from "./words.js";

export class Meaning {
  constructor(model, asking) {
    this.model = model;
    this.asking = asking;
    this.written = null; // text of the teeth that cannot be read
    find("meaning").addEventListener("submit", (event) => event.preventDefault());
    find("view").addEventListener("change", (event) => this.say({ view: event.target.value || null }));
    find("top").addEventListener("change", (event) => this.say({ top: event.target.value || null }));
    find("operator").addEventListener("change", (event) => this.say({ operator: event.target.value }));
    find("direct").addEventListener("click", () => this.way(false));
    find("mirror").addEventListener("click", () => this.way(true));
    find("teeth").addEventListener("change", (event) => this.teeth(event.target.value));
    find("teeth-open").addEventListener("click", () => this.grid());
    find("teeth-grid").addEventListener("click", (event) => {
      const key = event.target.closest(".tooth-key");
      if (key) this.tooth(key.dataset.iso);
    });
    find("leave-out").addEventListener("click", () => this.leaveOut());
    for (const field of document.querySelectorAll("[data-more]")) {
      field.addEventListener("change", () => this.say({ [field.dataset.more]: field.value.trim() || null }));
    }
    find("teeth-hint").textContent = t("take_in.teeth_hint", { numbering: numberingName() });
  }

  say(given) {
    return this.model.say([...this.model.chosen], given).catch(() => {});
  }

  way(mirror) {
    const all = [...this.model.chosen].every((digest) => this.model.said(digest).mirror === mirror);
    this.say({ mirror: all ? null : mirror });
  }

  leaveOut() {
    const out = !this.model.shown.said.left_out;
    return this.say({ left_out: out || null });
  }

  async teeth(text) {
    const problems = find("meaning-problems");
    this.written = null;
    if (!text.trim()) {
      this.say({ teeth: [] });
      return;
    }
    try {
      const found = await read(text, numberingName());
      this.say({ teeth: found.teeth.map((tooth) => tooth.iso) });
    } catch (error) {
      this.written = text;
      find("teeth").setAttribute("aria-invalid", "true");
      problems.replaceChildren(...(error.problems?.length ? error.problems : [error.message]).map((words) => make("li", "", words)));
    }
  }

  grid(open = find("teeth-grid").hidden) {
    find("teeth-grid").hidden = !open;
    find("teeth-open").setAttribute("aria-expanded", open);
    const box = find("teeth-grid");
    if (open) (box.querySelector('[aria-pressed="true"]') ?? box.querySelector(".tooth-key")).focus();
  }

  tooth(iso) {
    const teeth = new Set(this.model.shown.said.teeth ?? []);
    if (!teeth.delete(iso)) teeth.add(iso);
    const order = [...document.querySelectorAll(".tooth-key")].map((key) => key.dataset.iso);
    this.written = null;
    this.say({ teeth: [...teeth].sort((a, b) => order.indexOf(a) - order.indexOf(b)) });
  }

  draw() {
    const { model } = this;
    const picture = model.shown;
    if (!picture) return;
    const { said } = picture;
    // Where several are chosen and differ, nothing is shown, so that anything can be chosen for all.
    const common = (key) => {
      const values = new Set([...model.chosen].map((digest) => JSON.stringify(model.said(digest)[key] ?? null)));
      return values.size > 1 ? undefined : said[key];
    };
    const held = (id) => document.activeElement === find(id);
    if (!held("view")) find("view").value = common("view") ?? "";
    if (!held("top")) find("top").value = common("top") ?? "";
    if (!held("operator")) find("operator").value = said.operator ?? model.habits.operator ?? "front";
    const mirror = common("mirror") ?? (said.view ? model.habits.mirror : undefined);
    find("direct").setAttribute("aria-pressed", mirror === false);
    find("mirror").setAttribute("aria-pressed", mirror === true);
    find("operator").disabled = Boolean(said.top);
    if (!held("teeth") && this.written === null) this.drawTeeth(common("teeth") ?? []);
    for (const key of document.querySelectorAll(".tooth-key")) {
      key.setAttribute("aria-pressed", (said.teeth ?? []).includes(key.dataset.iso));
    }
    for (const field of document.querySelectorAll("[data-more]")) {
      if (document.activeElement !== field) field.value = common(field.dataset.more) ?? "";
    }
    const out = find("leave-out");
    out.setAttribute("aria-pressed", Boolean(said.left_out));
    out.lastElementChild.textContent = t(said.left_out ? "take_in.take_again" : "take_in.leave_out");
    this.drawProblems(picture);
    for (const control of find("meaning").elements) {
      if (control.id !== "operator") control.disabled = model.state !== "open";
    }
  }

  drawTeeth(teeth) {
    const field = find("teeth");
    field.removeAttribute("aria-invalid");
    if (numberingName() === "Universal") {
      const names = teeth.map((iso) => document.querySelector(`[data-iso="${iso}"]`)?.dataset.universal ?? `iso:${iso}`);
      field.value = names.join(", ");
    } else {
      field.value = teethWords(teeth);
    }
  }

  drawProblems(picture) {
    if (this.written !== null) return;
    const follows = this.model.follows(this.model.current);
    const server = picture.problems?.length && follows.problem ? picture.problems : [];
    const words = server.length ? server : follows.problem ? [follows.problem] : [];
    const box = find("meaning-problems");
    const lines = words.map((one) => make("li", "", one));
    if (box.textContent !== lines.map((line) => line.textContent).join("")) box.replaceChildren(...lines);
  }
}
