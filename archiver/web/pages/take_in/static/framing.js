// The prior of the same teeth and view: beside the new picture, over it where the two align, in
// words how the framing differs; and crops that are proposed, by the teeth or as the prior is framed.
import { callJson } from "/static/calling.js";
import { say, sayTrouble } from "/static/messages.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";
import { drawEarlier } from "./question.js";
import { showing } from "./seeing.js";

/** @import { Label } from "/static/picture.js" */
/** @import { Asking } from "./asking.js" */
/** @import { Cropping } from "./cropping.js" */
/** @import { Box, Framed } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */
/** @import { Stage } from "./stage.js" */

/** Longer side of the prior that is laid over the picture. */
const SIDE = 1280;

export class Framing {
  /**
   * @param {Model} model
   * @param {Asking} asking
   * @param {Stage} stage
   * @param {Cropping} cropping
   */
  constructor(model, asking, stage, cropping) {
    this.model = model;
    this.asking = asking;
    this.stage = stage;
    this.cropping = cropping;
    this.asked = "";
    this.drawn = "";
    /** @type {Framed | null} */
    this.found = null;
    this.over = false; // whether the prior lies over the picture
    this.ghost = make("img", "ghost");
    this.ghost.alt = "";
    this.ghost.hidden = true;
    find("large").after(this.ghost);
    find("ghost").addEventListener("click", () => this.lay());
    find("ghost-strength").addEventListener("input", () => this.place());
    find("crop-propose").addEventListener("click", () => this.propose());
    find("crop-prior").addEventListener("click", () => this.asBefore());
    stage.fitted.push(() => this.place());
    model.addEventListener("shown", () => this.lay(false));
  }

  draw() {
    const { model } = this;
    const picture = model.shown;
    if (!picture) return;
    const locked = model.state !== "open" || Boolean(picture.said.left_out);
    const given = this.asking.offering.offer()?.given ?? {};
    const pictures = showing(picture, given);
    const asked = this.stage.follows().edges && model.patient.id && !locked ? JSON.stringify([{ ...pictures[picture.digest], crop: null }, picture.digest, model.patient]) : "";
    if (asked !== this.asked) {
      this.asked = asked;
      this.found = null;
      if (asked) this.ask(asked, pictures);
    }
    const { found } = this;
    find("crop-propose").disabled = locked;
    find("crop-prior").hidden = !found?.frame;
    find("ghost").hidden = !found?.matrix;
    if (!found?.matrix) this.over = false;
    find("ghost").setAttribute("aria-pressed", String(this.over));
    find("ghost-line").hidden = !this.over;
    this.place();
    this.panel();
  }

  // The prior stands beside the picture, in the question or here.
  panel() {
    const { found } = this;
    const asks = Boolean(this.asking.seeing.earlier) && !(find("side").hidden && find("offer").hidden);
    const drawn = JSON.stringify([found, asks]);
    if (drawn === this.drawn) return;
    this.drawn = drawn;
    find("framing-words").textContent = found ? t("take_in.prior_words", { day: found.label.date || t("picture.no_date"), words: found.words }) : "";
    find("prior").hidden = !found || asks;
    if (found && !asks) find("prior").replaceChildren(make("h2", "", t("take_in.prior")), drawEarlier(found.label));
  }

  /**
   * @param {string} asked
   * @param {Record<string, Record<string, unknown>>} pictures
   */
  async ask(asked, pictures) {
    const [digest] = Object.keys(pictures);
    try {
      const told = await callJson(`/take-in/${this.model.id}/framing`, { method: "POST", body: { pictures } });
      if (this.asked !== asked) return;
      this.found = told.pictures[digest];
      this.model.tell();
    } catch {
      // Nothing depends on it; it is asked again for the next picture.
    }
  }

  lay(over = !this.over) {
    this.over = over && Boolean(this.found?.matrix);
    if (this.over && this.found) this.ghost.src = `${this.found.label.source}?side=${SIDE}`;
    find("ghost").setAttribute("aria-pressed", String(this.over));
    find("ghost-line").hidden = !this.over;
    this.place();
  }

  place() {
    const matrix = this.found?.matrix;
    this.ghost.hidden = !(this.over && matrix);
    if (!this.found || !matrix || !this.over) return;
    const { label } = this.found;
    // The picture lies as large as it was asked for, and grows with the transform.
    const small = SIDE / Math.max(label.columns, label.rows, SIDE);
    this.ghost.style.width = `${label.columns * small}px`;
    this.ghost.style.height = `${label.rows * small}px`;
    this.ghost.style.opacity = String(Number(find("ghost-strength").value) / 100);
    this.ghost.style.transform = css(matrix, this.stage.scale, small);
  }

  async propose() {
    const { model } = this;
    const { digest } = model.picture(model.current);
    const given = this.asking.offering.offer()?.given ?? {};
    try {
      const body = { pictures: showing(model.picture(digest), given) };
      const { what } = this.cropping;
      if (what !== "crop") {
        const parts = what === "tab_region" || what === "tooth_region"
          ? (await callJson(`/take-in/${model.id}/parts`, { method: "POST", body })).pictures[digest] : {};
        if (model.current !== digest) return;
        /** @type {Box | null} */
        const part = parts[what] ?? null;
        if (part) this.cropping.mark(part);
        say(t(part ? "take_in.part_proposed" : "take_in.part_none"));
        return;
      }
      const told = await callJson(`/take-in/${model.id}/crop`, { method: "POST", body });
      if (model.current !== digest) return;
      /** @type {Box | null} */
      const box = told.pictures[digest];
      if (box) this.cropping.take(box);
      say(t(box ? "take_in.crop_proposed" : "take_in.crop_no_teeth"));
    } catch (error) {
      sayTrouble(error);
    }
  }

  asBefore() {
    const frame = this.found?.frame;
    if (!frame) return;
    const whole = this.cropping.take(frame, true);
    say(t(whole ? "take_in.crop_as_prior" : "take_in.crop_as_prior_cut"));
  }
}

/**
 * A transform between pixels of whole pictures, as CSS has it for what is shown smaller.
 * @param {number[]} m nine numbers, row by row
 * @param {number} scale pixels of the screen for one of the new picture
 * @param {number} small shown pixels for one of the prior
 */
function css(m, scale, small) {
  const [a, b, c, d, e, f, g, h, i] = m;
  const columns = [
    (scale * a) / small, (scale * d) / small, 0, g / small,
    (scale * b) / small, (scale * e) / small, 0, h / small,
    0, 0, 1, 0,
    scale * c, scale * f, 0, i,
  ];
  return `matrix3d(${columns.join(",")})`;
}
