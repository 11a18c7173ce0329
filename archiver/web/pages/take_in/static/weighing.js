// What speaks against the pictures of the draft: asked for while the server weighs, for the tiles.
import { callJson } from "/static/calling.js";

/** @import { Doubt, Picture } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

const AGAIN = 3000;
const PAUSE = 300;

/** @param {Doubt[] | null} doubts */
export const unanswered = (doubts) => (doubts ?? []).filter((doubt) => !doubt.answered);

export class Weighing {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.asking = false;
    this.patient = "";
    model.addEventListener("changed", () => this.ask());
  }

  /** @param {Picture} picture */
  lacks(picture) {
    if (picture.said.left_out || this.model.state !== "open") return false;
    // Judging decodes: it waits until the files of a card are here.
    return picture.again === null ? !this.model.busy : picture.doubts === null && Boolean(this.model.follows(picture.digest).edges);
  }

  async ask() {
    const { model } = this;
    const { id = "", issuer = "" } = model.patient;
    const patient = JSON.stringify([id, issuer]);
    if (this.patient && this.patient !== patient) for (const picture of model.pictures.values()) picture.doubts = null;
    this.patient = patient;
    if (this.asking || ![...model.pictures.values()].some((one) => this.lacks(one))) return;
    this.asking = true;
    try {
      const told = await callJson(`/take-in/${model.id}/doubts`);
      const late = told.revision - model.revision;
      if (late > 0 && !model.changes.waiting.length) await model.load();
      model.separators = told.separators;
      model.pauses = told.pauses;
      // What was said meanwhile is weighed anew.
      for (const [digest, doubts] of late ? [] : Object.entries(told.pictures)) {
        const picture = model.pictures.get(digest);
        if (picture && doubts) picture.doubts = doubts;
        if (picture) picture.again = told.again[digest] ?? picture.again;
      }
      await new Promise((done) => setTimeout(done, PAUSE));
    } catch {
      // told by whatever a person does next
      await new Promise((done) => setTimeout(done, AGAIN));
    }
    this.asking = false;
    model.tell();
  }
}
