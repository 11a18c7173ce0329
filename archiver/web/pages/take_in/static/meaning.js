// The fields that say what one or several pictures show.
import { reasons } from "/static/calling.js";
import { around, every, one } from "/static/elements.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";
import { numberingName, read } from "./turning.js";
import { teethWords } from "./words.js";

/** @import { Asking } from "./asking.js" */
/** @import { Given, Picture, Said } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

const toothKeys = () => every(document, ".tooth-key", HTMLElement);
const moreFields = () => [...every(document, "[data-more]", HTMLInputElement), ...every(document, "[data-more]", HTMLSelectElement)];
/** @typedef {"colour_frame" | "functional_state" | "magnification" | "seen_from" | "stage" | "retraction" | "contraster" | "light" | "polariser" | "purpose" | "consent" | "comment" | "restoration" | "state" | "material" | "tab_system" | "tab_name" | "tab_place" | "tab_number" | "implant" | "pontic" | "edentulous" | "scale_length" | "stump_shade" | "surface_texture" | "translucency" | "gloss" | "instructions"} More */
/** @param {HTMLElement} field */
const moreOf = (field) => /** @type {More} */ (field.dataset.more);

export class Meaning {
  /**
   * @param {Model} model
   * @param {Asking} asking
   */
  constructor(model, asking) {
    this.model = model;
    this.asking = asking;
    /** @type {string | null} */
    this.written = null; // text of the teeth that cannot be read
    find("meaning").addEventListener("submit", (event) => event.preventDefault());
    const [view, top, operator, teeth] = [find("view"), find("top"), find("operator"), find("teeth")];
    view.addEventListener("change", () => this.say({ view: view.value || null }));
    top.addEventListener("change", () => this.say({ top: top.value || null }));
    operator.addEventListener("change", () => this.say({ operator: operator.value }));
    const [flipped, exif] = [find("flipped"), find("exif_orientation")];
    flipped.addEventListener("change", () => this.say({ flipped: flipped.value || null }));
    exif.addEventListener("change", () => this.say({ exif_orientation: exif.value || null }));
    find("direct").addEventListener("click", () => this.way(false));
    find("mirror").addEventListener("click", () => this.way(true));
    teeth.addEventListener("change", () => this.teeth(teeth.value));
    find("teeth-open").addEventListener("click", () => this.grid());
    find("teeth-grid").addEventListener("click", (event) => {
      const iso = around(event, ".tooth-key")?.dataset.iso;
      if (iso) this.tooth(iso);
    });
    find("leave-out").addEventListener("click", () => this.leaveOut());
    for (const field of moreFields()) {
      field.addEventListener("change", () => this.say({ [moreOf(field)]: field.value.trim() || null }));
    }
    find("teeth-hint").textContent = t("take_in.teeth_hint", { numbering: numberingName() });
  }

  /** @param {Given} given */
  say(given) {
    return this.model.say([...this.model.chosen], given).catch(() => {});
  }

  /** @param {boolean} mirror */
  way(mirror) {
    const all = [...this.model.chosen].every((digest) => this.model.said(digest).mirror === mirror);
    this.say({ mirror: all ? null : mirror });
  }

  leaveOut() {
    const out = !this.model.said(this.model.current).left_out;
    return this.say({ left_out: out || null });
  }

  /** @param {string} text */
  async teeth(text) {
    const problems = find("meaning-problems");
    this.written = null;
    // Those it was typed for: others may be chosen by the time it has been read.
    const chosen = [...this.model.chosen];
    if (!text.trim()) {
      this.say({ teeth: [] });
      return;
    }
    try {
      const found = await read(text, numberingName());
      this.model.say(chosen, { teeth: found.teeth.map((tooth) => tooth.iso) }).catch(() => {});
    } catch (error) {
      this.written = text;
      find("teeth").setAttribute("aria-invalid", "true");
      problems.replaceChildren(...reasons(error).map((words) => make("li", "", words)));
    }
  }

  grid(open = find("teeth-grid").hidden) {
    find("teeth-grid").hidden = !open;
    find("teeth-open").setAttribute("aria-expanded", String(open));
    const box = find("teeth-grid");
    if (open) (every(box, '[aria-pressed="true"]', HTMLElement)[0] ?? one(box, ".tooth-key", HTMLElement)).focus();
  }

  /** @param {string} iso */
  tooth(iso) {
    const teeth = new Set(this.model.said(this.model.current).teeth ?? []);
    if (!teeth.delete(iso)) teeth.add(iso);
    const order = toothKeys().map((key) => key.dataset.iso);
    this.written = null;
    this.say({ teeth: [...teeth].sort((a, b) => order.indexOf(a) - order.indexOf(b)) });
  }

  draw() {
    const { model } = this;
    const picture = model.shown;
    if (!picture) return;
    const { said } = picture;
    // Where several are chosen and differ, nothing is shown, so that anything can be chosen for all.
    /**
     * @template {keyof Said} K
     * @param {K} key
     * @returns {Said[K]}
     */
    const common = (key) => {
      const values = new Set([...model.chosen].map((digest) => JSON.stringify(model.said(digest)[key] ?? null)));
      return values.size > 1 ? undefined : said[key];
    };
    /** @param {string} id */
    const held = (id) => document.activeElement === find(id);
    if (!held("view")) find("view").value = common("view") ?? "";
    if (!held("top")) find("top").value = common("top") ?? "";
    if (!held("operator")) find("operator").value = said.operator ?? model.habits.operator ?? "front";
    if (!held("flipped")) find("flipped").value = common("flipped") ?? "";
    if (!held("exif_orientation")) find("exif_orientation").value = common("exif_orientation") ?? "";
    const mirror = common("mirror") ?? (said.view ? model.habits.mirror : undefined);
    find("direct").setAttribute("aria-pressed", String(mirror === false));
    find("mirror").setAttribute("aria-pressed", String(mirror === true));
    find("operator").disabled = Boolean(said.top);
    if (!held("teeth") && this.written === null) this.drawTeeth(common("teeth") ?? []);
    for (const key of toothKeys()) {
      key.setAttribute("aria-pressed", String((said.teeth ?? []).includes(key.dataset.iso ?? "")));
    }
    for (const field of moreFields()) {
      if (document.activeElement !== field) field.value = common(moreOf(field)) ?? "";
    }
    const out = find("leave-out");
    out.setAttribute("aria-pressed", String(Boolean(said.left_out)));
    one(out, "span", HTMLElement).textContent = t(said.left_out ? "take_in.take_again" : "take_in.leave_out");
    this.drawProblems(picture);
    for (const control of find("meaning").elements) {
      if (isControl(control) && control.id !== "operator") control.disabled = model.state !== "open";
    }
  }

  /** @param {string[]} teeth */
  drawTeeth(teeth) {
    const field = find("teeth");
    field.removeAttribute("aria-invalid");
    if (numberingName() === "Universal") {
      const names = teeth.map((iso) => toothKeys().find((key) => key.dataset.iso === iso)?.dataset.universal ?? `iso:${iso}`);
      field.value = names.join(", ");
    } else {
      field.value = teethWords(teeth);
    }
  }

  /** @param {Picture} picture */
  drawProblems(picture) {
    if (this.written !== null) return;
    const follows = this.model.follows(this.model.current);
    const server = picture.problems?.length && follows.problem ? picture.problems : [];
    const words = server.length ? server : follows.problem ? [follows.problem] : [];
    const box = find("meaning-problems");
    const lines = words.map((line) => make("li", "", line));
    if (box.textContent !== lines.map(({ textContent }) => textContent).join("")) box.replaceChildren(...lines);
  }
}

const CONTROLS = [HTMLButtonElement, HTMLInputElement, HTMLSelectElement, HTMLFieldSetElement];

/**
 * @param {Element} element
 * @returns {element is HTMLButtonElement | HTMLInputElement | HTMLSelectElement | HTMLFieldSetElement}
 */
const isControl = (element) => CONTROLS.some((kind) => element instanceof kind);
