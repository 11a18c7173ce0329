// Changes on their way to the server, one after the other. One that is refused stops no other:
// each is kept, or told, by itself.
import { callJson, Trouble } from "/static/calling.js";
import { t } from "/static/words.js";

/** @import { Change, Conflict, DraftState } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

/**
 * A change that waits.
 * @typedef {object} Queued
 * @property {Change} change
 * @property {number} [since] the revision that it was made on, where the page has taken in a later one of another window
 * @property {(state: DraftState) => void} good
 * @property {(error: unknown) => void} bad
 */

const AGAIN = 1500;

export class Changes {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.stored = `archiver-draft-${model.id}`;
    /** @type {Queued[]} */
    this.queue = [];
    /** @type {Queued | null} */
    this.underWay = null;
    this.sending = false;
    this.unsent = false;
  }

  // What is not kept yet, in order.
  get waiting() {
    return [...(this.underWay ? [this.underWay] : []), ...this.queue].map((one) => one.change);
  }

  /**
   * @param {Change} change
   * @returns {Promise<DraftState>}
   */
  send(change) {
    return new Promise((good, bad) => {
      this.queue.push({ change, good, bad });
      this.unsent = true;
      this.store();
      this.pump();
    });
  }

  // Waits until nothing is on its way any more.
  async settled() {
    while (this.sending) await new Promise((done) => this.model.addEventListener("changed", done, { once: true }));
  }

  // What is not kept yet survives this page too: a server that starts anew may ask for log-in first.
  store() {
    const open = this.waiting.filter((change) => !change.undo && !change.redo);
    if (open.length) sessionStorage.setItem(this.stored, JSON.stringify(open));
    else sessionStorage.removeItem(this.stored);
  }

  // Sends what an earlier page of this draft could not.
  resume() {
    for (const change of JSON.parse(sessionStorage.getItem(this.stored) ?? "[]")) {
      this.send(change).catch(() => {});
    }
  }

  async pump() {
    if (this.sending) return;
    this.sending = true;
    for (let one = this.queue.shift(); one; one = this.queue.shift()) {
      this.underWay = one;
      try {
        const state = await this.post(one);
        this.underWay = null;
        this.rebase(one.change);
        this.model.take(state, Boolean(one.change.undo || one.change.redo));
        one.good(state);
      } catch (error) {
        // The page is left for the log-in and comes back with what is stored.
        if (error instanceof Trouble && error.status === 401) return;
        this.underWay = null;
        await this.refuse(one, error);
      }
      this.store();
    }
    this.sending = false;
    this.unsent = false;
    this.model.tell();
  }

  /**
   * Sends one change until it is kept or refused: a server that is away may come back, and a
   * change that somebody else made meanwhile is taken in first.
   * @param {Queued} one
   * @returns {Promise<DraftState>}
   */
  async post(one) {
    const { model } = this;
    const { change } = one;
    for (let again = 0; ; again += 1) {
      try {
        const body = { revision: one.since ?? model.revision, ...change };
        const state = await callJson(`/take-in/${model.id}/changes`, { method: "POST", body });
        model.away = false;
        return state;
      } catch (error) {
        const lost = error instanceof Trouble && error.status === 0;
        const late = error instanceof Trouble && error.status === 409 && again < 3;
        if (!lost && (!late || change.undo || change.redo)) throw error;
        if (lost) {
          model.away = true;
          model.tell();
          await new Promise((done) => setTimeout(done, AGAIN));
        } else {
          const state = await callJson(`/take-in/${model.id}/state`);
          this.compare(error, state, change);
          this.hold(model.revision);
          one.since = undefined;
          model.take(state);
        }
      }
    }
  }

  /**
   * What another window said of the same is never put over in silence: the change is refused and
   * told. Whoever confirms saw the patient, too.
   * @param {Trouble} error
   * @param {DraftState} state
   * @param {Change} change
   */
  compare(error, state, change) {
    /** @type {Conflict[] | null} */
    const over = error.answer.conflicts ?? null;
    const lines = (over ?? []).map((one) => t("take_in.conflict", {
      name: one.name || t("take_in.whom"), before: plain(one.before), now: plain(one.now),
    }));
    const { patient } = this.model;
    if (change.confirm && JSON.stringify(state.patient) !== JSON.stringify(patient)) lines.push(t("take_in.conflict_patient"));
    if (lines.length) throw new Trouble([error.message, ...lines].join(" "), 409, lines, error.answer);
  }

  /**
   * What waits was said of the draft as it was then: it is compared with what became of it since.
   * @param {number} revision
   */
  hold(revision) {
    for (const one of this.queue) one.since ??= revision;
  }

  /**
   * What is kept now was compared; a later word of the same here has nobody else's beneath it.
   * @param {Change} kept
   */
  rebase(kept) {
    for (const one of this.queue) if (isWithin(one.change, kept)) one.since = undefined;
  }

  /**
   * Tells that a change was refused and takes in what holds instead. To take back or make again
   * would now hit another change than was meant.
   * @param {Queued} refused
   * @param {unknown} error
   */
  async refuse(refused, error) {
    const { model } = this;
    const meant = this.queue.filter(({ change }) => change.undo || change.redo);
    this.queue = this.queue.filter((one) => !meant.includes(one));
    const { revision } = model;
    model.dispatchEvent(new CustomEvent("trouble", { detail: error }));
    try {
      await model.load();
    } catch {
      // told already
    }
    if (model.revision !== revision) this.hold(revision);
    for (const one of [refused, ...meant]) one.bad(error);
  }
}

/**
 * Whether all that a change says of pictures was said by an earlier one, too.
 * @param {Change} later
 * @param {Change} earlier
 */
function isWithin(later, earlier) {
  const { pictures = {}, ...rest } = later;
  const keys = Object.entries(pictures).map(([digest, given]) => Object.keys(given).every((key) => key in (earlier.pictures?.[digest] ?? {})));
  return keys.every(Boolean) && Object.keys(rest).every((key) => key in earlier);
}

/**
 * A value that is said, in one line.
 * @param {unknown} value
 * @returns {string}
 */
function plain(value) {
  if (value === null || value === undefined || value === "") return t("take_in.not_said");
  if (typeof value !== "object") return String(value);
  return Object.values(value).map(plain).join(" ");
}
