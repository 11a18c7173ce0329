// What the server says of the picture in question, asked for when it is shown: what is shown, which
// is sent back with the answer, so that a Yes is of what was seen; an earlier picture to hold beside
// it; and what speaks against it.
import { callJson, Trouble } from "/static/calling.js";
import { saidAfter } from "./model.js";

/** @import { Label } from "/static/picture.js" */
/** @import { Doubt, Given, Picture, Said, Shown } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

// What is said of a picture that shows.
/** @type {(keyof Said)[]} */
const SHOWING = ["view", "mirror", "teeth", "top", "operator", "flipped", "exif_orientation", "lingual_fronts", "checked", "crop"];
const AGAIN = 1500;
// Milliseconds that a question waits for what speaks against it; it is told later, too.
const PATIENCE = 3000;

export class Seeing extends EventTarget {
  /** @param {Model} model */
  constructor(model) {
    super();
    this.model = model;
    this.asked = "";
    this.foreseen = "";
    /** @type {Shown | null} */
    this.shown = null; // null until the server has answered
    /** @type {Label | null} */
    this.earlier = null;
    /** @type {Doubt[] | null} */
    this.doubts = null;
    this.waited = false;
  }

  // Whether a person can know what they are asked.
  get ready() {
    return this.shown !== null && (this.doubts !== null || this.waited);
  }

  /**
   * Notes what the page shows now; asks anew where that is something else.
   * @param {Picture} picture
   * @param {Given} given what is offered beside what is said
   */
  see(picture, given) {
    const { model } = this;
    const pictures = showing(picture, given);
    const asked = JSON.stringify([pictures, model.patient]);
    if (asked === this.asked) return;
    this.asked = asked;
    this.shown = this.earlier = this.doubts = null;
    this.waited = false;
    this.ask(asked, "shown", pictures, (told) => {
      this.shown = told.pictures[picture.digest];
      this.earlier = told.earlier[picture.digest] ?? null;
      // Another window has been at it: this one shows what holds now.
      if (told.revision > model.revision && !model.changes.waiting.length) model.load().catch(() => {});
    });
    this.ask(asked, "weigh", pictures, (told) => {
      this.doubts = told.pictures[picture.digest];
    });
    setTimeout(() => {
      if (this.asked !== asked) return;
      this.waited = true;
      this.dispatchEvent(new Event("changed"));
    }, PATIENCE);
  }

  /**
   * Has the server weigh what will be asked about next, so that nobody waits for it then.
   * @param {Picture} picture
   * @param {Given} given what is going to be offered of it
   */
  ahead(picture, given) {
    const pictures = showing(picture, given);
    const asked = JSON.stringify([pictures, this.model.patient]);
    if (asked === this.foreseen) return;
    this.foreseen = asked;
    // Where this fails it is weighed when it is asked about.
    callJson(`/take-in/${this.model.id}/weigh`, { method: "POST", body: { pictures, ahead: true } }).catch(() => {});
  }

  /**
   * @param {string} asked
   * @param {string} what
   * @param {Record<string, Record<string, unknown>>} pictures
   * @param {(told: any) => void} answered
   */
  async ask(asked, what, pictures, answered) {
    while (this.asked === asked) {
      try {
        const told = await callJson(`/take-in/${this.model.id}/${what}`, { method: "POST", body: { pictures } });
        if (this.asked !== asked) return;
        answered(told);
        this.dispatchEvent(new Event("changed"));
        return;
      } catch (error) {
        if (!(error instanceof Trouble) || error.status !== 0) return;
        await new Promise((done) => setTimeout(done, AGAIN));
      }
    }
  }
}

/**
 * What shows of a picture if it is what is given.
 * @param {Picture} picture
 * @param {Given} given
 */
export function showing(picture, given) {
  const said = saidAfter(picture, given);
  return { [picture.digest]: Object.fromEntries(SHOWING.map((key) => [key, said[key] ?? null])) };
}
