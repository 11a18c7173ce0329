// The draft as the page knows it: what the server keeps, and what its changes on their way assume.
import { callJson } from "/static/calling.js";
import { Changes } from "./changes.js";
import { judge, read, recropped } from "./turning.js";

/** @import { Change, Confirm, Consent, DraftState, Drawn, Given, Known, Look, Picture, Row, Said, Pause, Separator, StepContents, Table, WantedRow, Whose } from "./draft_shapes.js" */
/** @import { Follows } from "./turning.js" */

/** @type {(keyof Said)[]} */
const TURNING = ["view", "mirror", "teeth", "top", "operator", "flipped", "exif_orientation", "lingual_fronts"];
/** @type {Drawn[]} */
const DRAWN = ["crop", "grey_card", "tab_region", "tooth_region", "scale_region"];
/**
 * @param {unknown} a
 * @param {unknown} b
 */
export const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

export class Model extends EventTarget {
  /**
   * @param {string} id
   * @param {Known} known
   */
  constructor(id, known) {
    super();
    this.id = id;
    this.who = known.who;
    this.habits = known.habits;
    this.edges = known.edges;
    this.today = known.today;
    this.state = "";
    /** @type {Table} */
    this.patient = {};
    /** @type {Table} */
    this.visit = {};
    /** @type {Table} */
    this.study = {};
    this.rules = "";
    /** @type {string[]} */
    this.teeth = [];
    this.stage = "";
    /** @type {string | null} */
    this.task = null;
    /** @type {StepContents | null} */
    this.undo = null;
    /** @type {StepContents | null} */
    this.redo = null;
    /** @type {Map<string, Picture>} */
    this.pictures = new Map();
    /** @type {Map<string, HTMLCanvasElement>} */
    this.looks = new Map(); // by digest: a small picture that this page made itself
    /** @type {string[]} */
    this.order = [];
    /** @type {Row[]} */
    this.coming = [];
    this.current = "";
    /** @type {Set<string>} */
    this.chosen = new Set();
    this.revision = 0;
    /** @type {WantedRow[]} */
    this.wanted = [];
    /** @type {Consent} */
    this.consent = {};
    /** @type {Table} */
    this.same_person = {};
    /** @type {Whose} */
    this.whose = { doubt: null, notes: [] };
    this.changes = new Changes(this);
    /** @type {Separator[]} */
    this.separators = [];
    /** @type {Pause[]} */
    this.pauses = [];
    this.away = false;
    this.touched = false;
  }

  tell() {
    this.dispatchEvent(new Event("changed"));
  }

  async load() {
    this.take(await callJson(`/take-in/${this.id}/state`), true);
  }

  /**
   * What the server tells may be older than changes that still wait; what these say stays shown.
   * @param {DraftState} state
   * @param {boolean} [whole] whether it has all pictures
   */
  take(state, whole = false) {
    const { pictures, wanted, ...kept } = state;
    Object.assign(this, kept);
    const { waiting } = this.changes;
    if (!waiting.length) this.wanted = wanted;
    if (whole) this.pictures.clear();
    for (const [digest, picture] of Object.entries(pictures)) this.pictures.set(digest, picture);
    for (const change of waiting) this.assume(change);
    this.settle();
  }

  // Keeps the choice within what there is, and fetches readings that are missing.
  settle() {
    if (!this.pictures.has(this.current)) this.current = this.order[0] ?? "";
    this.chosen = new Set([...this.chosen].filter((digest) => this.pictures.has(digest)));
    if (this.chosen.size === 0 && this.current) this.chosen.add(this.current);
    const lists = [...this.pictures.values()].map((picture) => picture.said.teeth ?? []);
    lists.push(...this.wanted.map((row) => row.offer?.teeth ?? []));
    for (const teeth of lists) this.ensure(teeth);
    this.tell();
  }

  /** @param {string[]} teeth */
  ensure(teeth) {
    if (judge({ view: "face", teeth, mirror: false }, 1) !== null) return;
    read(teeth).then(() => this.tell(), () => {});
  }

  /**
   * Where a picture comes from, small and in stored orientation; large with `?large`.
   * @param {string} digest
   */
  source(digest) {
    return `/take-in/${this.id}/pictures/${digest}`;
  }

  // Whether files are on their way.
  get busy() {
    return this.coming.some((row) => !row.done);
  }

  get shown() {
    return this.pictures.get(this.current);
  }

  /** @param {string} digest */
  picture(digest) {
    const found = this.pictures.get(digest);
    if (!found) throw new Error(`no picture ${digest}`);
    return found;
  }

  /** @param {string} digest */
  said(digest) {
    return this.picture(digest).said;
  }

  /**
   * What follows from what is said, by the server's tables; the server's own answer until these are here.
   * @param {string} digest
   * @returns {Follows}
   */
  follows(digest) {
    const picture = this.picture(digest);
    const judged = judge(picture.said, picture.exif);
    if (judged) return judged;
    return { turn: picture.turn, edges: picture.edges, laterality: picture.laterality ?? "", lacks: picture.lacks, problem: picture.problems[0] ?? "" };
  }

  /**
   * @param {Picture} picture
   * @param {Look} [look]
   */
  arrived(picture, look) {
    this.pictures.set(picture.digest, picture);
    if (look && !this.looks.has(picture.digest)) this.looks.set(picture.digest, look.canvas);
    if (!this.order.includes(picture.digest)) {
      /** @param {Picture} one */
      const key = (one) => [one.captured ? 0 : 1, one.captured, one.name.toLowerCase(), one.digest];
      /**
       * @param {Picture} a
       * @param {Picture} b
       */
      const before = (a, b) => {
        const [x, y] = [key(a), key(b)];
        for (let n = 0; n < 4; n += 1) if (x[n] !== y[n]) return x[n] < y[n];
        return false;
      };
      let at = this.order.length;
      while (at > 0 && before(picture, this.picture(this.order[at - 1]))) at -= 1;
      this.order.splice(at, 0, picture.digest);
    }
    // Until somebody has chosen one, the first in time is shown.
    if (!this.touched && this.current !== this.order[0]) {
      this.current = this.order[0];
      this.chosen = new Set([this.current]);
    }
    this.dispatchEvent(new Event("arrived"));
  }

  /**
   * @param {string} digest
   * @param {{ add?: boolean, range?: boolean }} [how]
   */
  show(digest, { add = false, range = false } = {}) {
    if (!this.pictures.has(digest)) return;
    this.touched = true;
    if (range) {
      const [a, b] = [this.order.indexOf(this.current), this.order.indexOf(digest)].sort((x, y) => x - y);
      for (const one of this.order.slice(a, b + 1)) this.chosen.add(one);
    } else if (add) {
      if (this.chosen.has(digest) && this.chosen.size > 1) {
        this.chosen.delete(digest);
        if (digest === this.current) this.current = [...this.chosen][0];
        this.tell();
        return;
      }
      this.chosen.add(digest);
    } else {
      this.chosen = new Set([digest]);
    }
    this.current = digest;
    this.dispatchEvent(new Event("shown"));
    this.tell();
  }

  /**
   * @param {number} by
   * @param {{ add?: boolean, range?: boolean }} [options]
   */
  step(by, options = {}) {
    const at = this.order.indexOf(this.current);
    const next = Math.min(Math.max(at + by, 0), this.order.length - 1);
    if (next !== at) this.show(this.order[next], options);
  }

  /**
   * Changes what is said of pictures: at once here, then at the server.
   * @param {string[]} digests
   * @param {Given} given
   * @param {{ confirm?: Confirm }} [more]
   */
  say(digests, given, more = {}) {
    this.touched = true;
    /** @type {Record<string, Given>} */
    const pictures = {};
    if (Object.keys(given).length) for (const digest of digests) pictures[digest] = given;
    const change = { pictures, ...more };
    this.assume(change);
    this.tell();
    return this.change(change);
  }

  /**
   * Shows what a change says before the server has it.
   * @param {Change} change
   */
  assume({ pictures = {}, confirm }) {
    for (const digest of new Set([...Object.keys(pictures), ...(confirm ? [confirm.picture] : [])])) {
      const picture = this.pictures.get(digest);
      if (!picture) continue;
      const said = saidAfter(picture, pictures[digest] ?? {});
      if (confirm?.picture === digest) said.confirmed_by = this.who;
      this.pictures.set(digest, { ...picture, said, result: null });
      this.ensure(said.teeth ?? []);
    }
  }

  /** @param {Change} change */
  change(change) {
    return this.changes.send(change);
  }

  // Pictures that will be archived, in order.
  get taken() {
    return this.order.filter((digest) => !this.said(digest).left_out);
  }

  /** @param {string} after */
  nextUnsaid(after) {
    const at = this.order.indexOf(after);
    const ring = [...this.order.slice(at + 1), ...this.order.slice(0, at)];
    return ring.find((digest) => {
      const said = this.said(digest);
      return !said.left_out && (this.follows(digest).lacks.length > 0 || this.follows(digest).problem);
    });
  }
}

/**
 * What is said of a picture after a change; crop and marked parts stay round the same part of the mouth.
 * @param {Picture} picture
 * @param {Given} given
 * @returns {Said}
 */
export function saidAfter(picture, given) {
  /** @type {Said & Record<string, unknown>} */
  const said = { ...picture.said };
  for (const [key, value] of Object.entries(given)) {
    if (value === null || value === "" || (Array.isArray(value) && value.length === 0)) delete said[key];
    else said[key] = value;
  }
  if (TURNING.some((key) => !same(said[key], picture.said[key]))) {
    delete said.confirmed_by;
    if (!("checked" in given)) delete said.checked;
  }
  const drawn = DRAWN.filter((key) => said[key] && !(key in given));
  if (drawn.length > 0) {
    const [before, after] = [judge(picture.said, picture.exif), judge(said, picture.exif)];
    if (!before || !after || before.turn === after.turn) return said;
    for (const key of drawn) {
      const box = said[key];
      if (box) said[key] = recropped(box, picture, before.turn, after.turn);
    }
  }
  return said;
}
