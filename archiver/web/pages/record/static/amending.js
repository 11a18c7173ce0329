// An archived photograph on the stage of Take in: it turns as what is right is said, and is cropped
// there. Nothing is kept before the form is sent; what follows then is told by the server.
import { one } from "/static/elements.js";
import { t } from "/static/words.js";
import { Cropping } from "/static/take_in/cropping.js";
import { find } from "/static/take_in/dom.js";
import { Model } from "/static/take_in/model.js";
import { Stage } from "/static/take_in/stage.js";
import { begin, judge, read, recropped } from "/static/take_in/turning.js";

/** @import { Box, DraftState, Given, Picture, Said, Turns } from "/static/take_in/draft_shapes.js" */

/**
 * What the page is told, by archiver.web.pages.record.amending.
 * @typedef {object} Kept
 * @property {string} uid
 * @property {string} edges
 * @property {number} columns
 * @property {number} rows
 * @property {[number, number]} block
 * @property {number} exif from the stored pixels to what the camera showed
 * @property {Said & { crop: Box | null }} said
 * @property {Turns} turns
 */

const UNCROPPED = "none";

class Amended extends Model {
  /** @param {Kept} kept */
  constructor(kept) {
    const known = { turns: kept.turns, who: "", habits: {}, today: "", edges: kept.edges, numbering: "ISO 3950" };
    begin(known);
    super(kept.uid, known);
    this.kept = kept;
    this.state = "open";
    this.form = one(document, "#amend", HTMLFormElement);
    this.cropped = this.field("crop") !== "";
    const { crop, ...said } = kept.said;
    const shown = this.cropped ? this.written() : crop;
    this.turned = !this.cropped;
    /** @type {Picture} */
    const picture = {
      digest: kept.uid, name: "", columns: kept.columns, rows: kept.rows, exif: kept.exif, captured: "",
      block: kept.block, notes: [], said: shown ? { ...said, crop: shown } : said, result: null, doubts: [], again: [],
      turn: 1, edges: null, lacks: [], problems: [],
    };
    this.pictures.set(kept.uid, picture);
    this.order = [kept.uid];
    this.current = kept.uid;
    this.teethNow = said.teeth ?? [];
    this.ensure(this.teethNow);
  }

  /**
   * @override
   * @param {string} digest
   */
  source(digest) {
    return `/record/amend/${digest}/stored`;
  }

  /** @param {string} name */
  field(name) {
    const field = this.form.elements.namedItem(name);
    return field instanceof HTMLInputElement || field instanceof HTMLSelectElement ? field.value : "";
  }

  // The crop that the form says.
  written() {
    const [left, top, width, height] = this.field("crop").split(",").map(Number);
    return height ? { left, top, width, height } : null;
  }

  /**
   * What is drawn goes into the form; nothing is sent.
   * @override
   * @param {string[]} digests
   * @param {Given} given
   * @returns {Promise<DraftState>}
   */
  say(digests, given) {
    this.assume({ pictures: Object.fromEntries(digests.map((digest) => [digest, given])) });
    this.cropped = true;
    this.write();
    this.tell();
    return new Promise(() => {});
  }

  write() {
    const { crop } = this.picture(this.current).said;
    const field = this.form.elements.namedItem("crop");
    if (!this.cropped || !(field instanceof HTMLInputElement)) return;
    field.value = crop ? [crop.left, crop.top, crop.width, crop.height].join(",") : UNCROPPED;
  }

  // Shows the picture as the form has it.
  async update() {
    const text = this.field("teeth");
    const { kept } = this;
    this.teethNow = kept.said.teeth ?? [];
    if (text) {
      try {
        this.teethNow = (await read(text)).teeth.map((tooth) => tooth.iso);
      } catch {
        // Told when what follows is asked for.
      }
    }
    await read(this.teethNow).catch(() => {});
    const picture = this.picture(this.current);
    // A crop that the form came with is of the picture as the form turns it.
    const before = this.turned ? judge(picture.said, picture.exif) : null;
    this.turned = true;
    const { after, flips } = kept.turns;
    const top = this.field("top");
    const shown = top ? 1 : kept.exif;
    const flip = this.field("flipped");
    const exif = flip ? after[shown][flips[flip]] : shown;
    const mirror = this.field("mirror");
    /** @type {Said} */
    const said = { ...picture.said, teeth: this.teethNow, view: this.field("view") || kept.said.view, mirror: mirror ? mirror === "yes" : kept.said.mirror, top };
    const now = judge(said, exif);
    if (said.crop && before && now && before.turn !== now.turn) said.crop = recropped(said.crop, picture, before.turn, now.turn);
    this.pictures.set(this.current, { ...picture, said, exif });
    this.write();
    this.tell();
  }
}

const model = new Amended(JSON.parse(find("stage").dataset.kept ?? ""));
const stage = new Stage(model, { proposed: () => null });
const cropping = new Cropping(model, stage);
model.addEventListener("changed", () => {
  stage.draw();
  cropping.draw();
  find("stage-title").textContent = t("record.amend_stage");
  find("stage-state").textContent = model.follows(model.current).problem;
});
model.form.addEventListener("change", (event) => {
  if (event.target instanceof HTMLElement && event.target.id === "crop") {
    const written = model.written();
    model.say([model.current], { crop: written });
  } else {
    model.update();
  }
});
await model.update();
find("stage").dataset.ready = "yes";
