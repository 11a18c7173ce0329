// What the server says is shown of the picture in question: asked for when it is shown, and sent
// back with the answer, so that a Yes is of what was seen.
import { callJson, Trouble } from "/static/calling.js";
import { saidAfter } from "./model.js";

/** @import { Given, Picture, Said, Shown } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

// What is said of a picture that shows.
/** @type {(keyof Said)[]} */
const SHOWING = ["view", "mirror", "teeth", "top", "operator", "flipped", "exif_orientation", "crop"];
const AGAIN = 1500;

export class Seeing extends EventTarget {
  /** @param {Model} model */
  constructor(model) {
    super();
    this.model = model;
    this.asked = "";
    /** @type {Shown | null} */
    this.shown = null; // null until the server has answered
  }

  /**
   * Notes what the page shows now; asks anew where that is something else.
   * @param {Picture} picture
   * @param {Given} given what is offered beside what is said
   */
  see(picture, given) {
    const { model } = this;
    const said = saidAfter(picture, given);
    const pictures = { [picture.digest]: Object.fromEntries(SHOWING.map((key) => [key, said[key] ?? null])) };
    const asked = JSON.stringify([pictures, model.patient]);
    if (asked === this.asked) return;
    this.asked = asked;
    this.shown = null;
    this.ask(asked, picture.digest, pictures);
  }

  /**
   * @param {string} asked
   * @param {string} digest
   * @param {Record<string, Record<string, unknown>>} pictures
   */
  async ask(asked, digest, pictures) {
    const { model } = this;
    while (this.asked === asked) {
      try {
        const told = await callJson(`/take-in/${model.id}/shown`, { method: "POST", body: { pictures } });
        if (this.asked !== asked) return;
        this.shown = told.pictures[digest];
        this.dispatchEvent(new Event("changed"));
        // Another window has been at it: this one shows what holds now.
        if (told.revision > model.revision && !model.changes.waiting.length) await model.load();
        return;
      } catch (error) {
        if (!(error instanceof Trouble) || error.status !== 0) return;
        await new Promise((done) => setTimeout(done, AGAIN));
      }
    }
  }
}
