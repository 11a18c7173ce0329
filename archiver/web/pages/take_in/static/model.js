// The draft as the page knows it: what the server keeps, and changes on their way to it.
// A change shows at once and is sent at once; the server's answer replaces what was assumed.
import { callJson, Trouble } from "/static/calling.js";
import { t } from "/static/words.js";
import { judge, read, recropped } from "./turning.js";

/** @import { Label } from "/static/picture.js" */
/** @import { Follows } from "./turning.js" */

/** @typedef {Pick<Label, "top" | "right" | "bottom" | "left">} Edges letters of directions */
/** @typedef {{ left: number, top: number, width: number, height: number }} Box */
/** @typedef {{ operator?: string, top?: string, mirror?: boolean, flipped?: string, exif_orientation?: string }} Habits the practice's own defaults */
/** @typedef {{ after: Record<number, Record<number, number>>, swaps: number[], words: Record<number, string>, flips: Record<string, number> }} Turns */
/** @typedef {Record<string, string>} Table keys of a session sheet and their texts */
/** @typedef {{ purposes?: string[], noted_by?: string, until?: string }} Consent */

/**
 * What the page is told at first, by archiver.web.pages.take_in.pages.
 * @typedef {object} Known
 * @property {Turns} turns
 * @property {string} who confirms sides; empty for one who may not
 * @property {Habits} habits
 * @property {string} today
 * @property {string} edges
 * @property {string} numbering
 */

/**
 * What is said of a picture.
 * @typedef {object} Said
 * @property {string} [view]
 * @property {boolean} [mirror]
 * @property {string[]} [teeth] by ISO 3950
 * @property {string} [top]
 * @property {string} [operator]
 * @property {string} [flipped] how, before it came
 * @property {string} [exif_orientation] "ignore" where the camera's was wrong
 * @property {Box} [crop] in pixels of the turned picture
 * @property {boolean} [left_out]
 * @property {string} [confirmed_by]
 * @property {string} [colour_frame]
 * @property {string} [stage]
 * @property {string} [retraction]
 * @property {string} [contraster]
 * @property {string} [light]
 * @property {string} [polariser]
 * @property {string} [purpose]
 * @property {string} [consent]
 * @property {string} [comment]
 */

/** @typedef {{ [K in keyof Said]?: Said[K] | null }} Given null for what is said no more */

/**
 * What became of a picture when it was last archived.
 * @typedef {object} Result
 * @property {string} status
 * @property {string[]} problems
 * @property {string[]} warnings
 * @property {{ words: string }[]} findings
 */

/**
 * @typedef {object} Picture
 * @property {string} digest
 * @property {string} name
 * @property {number} columns
 * @property {number} rows
 * @property {number} exif orientation, 1 to 8
 * @property {string} captured ISO 8601; empty where the camera does not say
 * @property {[number, number]} block
 * @property {string[]} notes
 * @property {Said} said
 * @property {Result | null} result
 * @property {number} turn
 * @property {Edges | null} edges
 * @property {string} [laterality]
 * @property {string[]} lacks
 * @property {string[]} problems
 */

/** @typedef {{ view: string, teeth: string[], mirror: boolean, open: boolean }} Offer */

/**
 * A view that the rules want.
 * @typedef {object} WantedRow
 * @property {string} name
 * @property {string} target
 * @property {number} count
 * @property {string[]} by
 * @property {boolean} there
 * @property {boolean} optional
 * @property {Offer | null} offer
 */

/** @typedef {{ canvas: HTMLCanvasElement, columns: number, rows: number }} Look */

/**
 * A file on its way; what its first bytes tell, and a small picture, come later.
 * @typedef {object} Row
 * @property {File} file
 * @property {boolean} [done]
 * @property {string} [time]
 * @property {number} [turn]
 * @property {Blob | null} [preview]
 * @property {Look} [look]
 * @property {HTMLElement} [node]
 */

/**
 * A draft as the server tells it.
 * @typedef {object} DraftState
 * @property {string} id
 * @property {number} revision
 * @property {string} state
 * @property {Table} patient
 * @property {Table} visit
 * @property {Consent} consent
 * @property {Table} same_person
 * @property {Whose} whose
 * @property {Table} study
 * @property {string} rules
 * @property {string[]} teeth
 * @property {string} stage
 * @property {WantedRow[]} wanted
 * @property {string | null} task
 * @property {boolean} undo
 * @property {boolean} redo
 * @property {string[]} order
 * @property {Record<string, Picture>} pictures
 */

/** @typedef {{ doubt: string | null, notes: string[] }} Whose what the archive has against the patient */
/**
 * What the server says is shown of a picture; sent back with the answer of who looked at it.
 * @typedef {{ digest: string, code: string, facts: Record<string, unknown> }} Shown
 */

/** @typedef {{ picture: string, turn: number, shown?: Shown }} Confirm */

/**
 * A change of the draft, as archiver.web.pages.take_in.draft_changes takes it.
 * @typedef {object} Change
 * @property {Record<string, Given>} [pictures]
 * @property {Confirm} [confirm]
 * @property {string} [numbering]
 * @property {Table} [patient]
 * @property {Table} [visit]
 * @property {Consent} [consent]
 * @property {string} [same_person]
 * @property {Table} [study]
 * @property {string} [rules]
 * @property {string} [teeth]
 * @property {boolean} [undo]
 * @property {boolean} [redo]
 */

/** @typedef {{ picture: string, name: string, key: string, before: unknown, now: unknown }} Conflict */
/** @typedef {{ change: Change, good: (state: DraftState) => void, bad: (error: unknown) => void }} Queued */

/** @type {(keyof Said)[]} */
const TURNING = ["view", "mirror", "teeth", "top", "operator", "flipped", "exif_orientation"];
const AGAIN = 1500;
/**
 * @param {unknown} a
 * @param {unknown} b
 */
const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

export class Model extends EventTarget {
  /**
   * @param {string} id
   * @param {Known} known
   */
  constructor(id, known) {
    super();
    this.id = id;
    this.stored = `archiver-draft-${id}`;
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
    this.undo = false;
    this.redo = false;
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
    /** @type {Queued[]} */
    this.queue = [];
    this.sending = false;
    this.unsent = false;
    this.away = false;
    /** @type {Queued | null} */
    this.underWay = null;
    this.touched = false;
  }

  tell() {
    this.dispatchEvent(new Event("changed"));
  }

  async load() {
    this.take(await callJson(`/take-in/${this.id}/state`), true);
  }

  /**
   * @param {DraftState} state
   * @param {boolean} [whole] whether it has all pictures
   */
  take(state, whole = false) {
    const { pictures, ...kept } = state;
    Object.assign(this, kept);
    if (whole) this.pictures.clear();
    for (const [digest, picture] of Object.entries(pictures)) this.pictures.set(digest, picture);
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
    for (const digest of digests) {
      const picture = this.picture(digest);
      const said = changed(picture.said, given);
      if (TURNING.some((key) => !same(said[key], picture.said[key]))) delete said.confirmed_by;
      if (said.crop && !("crop" in given)) {
        const [before, after] = [judge(picture.said, picture.exif), judge(said, picture.exif)];
        if (before && after && before.turn !== after.turn) said.crop = recropped(said.crop, picture, before.turn, after.turn);
      }
      if (more.confirm?.picture === digest) said.confirmed_by = this.who;
      this.pictures.set(digest, { ...picture, said, result: null });
      if (Object.keys(given).length) pictures[digest] = given;
      this.ensure(said.teeth ?? []);
    }
    this.tell();
    return this.change({ pictures, ...more });
  }

  /**
   * @param {Change} change
   * @returns {Promise<DraftState>}
   */
  change(change) {
    return new Promise((good, bad) => {
      this.queue.push({ change, good, bad });
      this.unsent = true;
      this.store();
      this.pump();
    });
  }

  // What is not kept yet survives this page too: a server that starts anew may ask for log-in first.
  store() {
    const under = this.underWay ? [this.underWay] : [];
    const open = [...under, ...this.queue].filter((one) => !one.change.undo && !one.change.redo);
    if (open.length) sessionStorage.setItem(this.stored, JSON.stringify(open.map((one) => one.change)));
    else sessionStorage.removeItem(this.stored);
  }

  // Sends what an earlier page of this draft could not.
  resume() {
    for (const change of JSON.parse(sessionStorage.getItem(this.stored) ?? "[]")) {
      this.change(change).catch(() => {});
    }
  }

  async pump() {
    if (this.sending) return;
    this.sending = true;
    for (let one = this.queue.shift(); one; one = this.queue.shift()) {
      this.underWay = one;
      try {
        const state = await this.post(one.change);
        this.keepAssumed(state, this.queue);
        this.take(state, Boolean(one.change.undo || one.change.redo));
        one.good(state);
      } catch (error) {
        // The page is left for the log-in and comes back with what is stored.
        if (error instanceof Trouble && error.status === 401) return;
        await this.recover(error);
        one.bad(error);
      }
      this.underWay = null;
      this.store();
    }
    this.sending = false;
    this.unsent = false;
    this.tell();
  }

  /**
   * Sends one change until it is kept or refused: a server that is away may come back, and a
   * change that somebody else made meanwhile is taken in first.
   * @param {Change} change
   * @returns {Promise<DraftState>}
   */
  async post(change) {
    for (let again = 0; ; again += 1) {
      try {
        const { confirm } = change;
        if (confirm && !confirm.shown) confirm.shown = await this.askShown(confirm.picture, change);
        const body = { revision: this.revision, ...change };
        const state = await callJson(`/take-in/${this.id}/changes`, { method: "POST", body });
        this.away = false;
        return state;
      } catch (error) {
        const lost = error instanceof Trouble && error.status === 0;
        const late = error instanceof Trouble && error.status === 409 && again < 3;
        if (!lost && (!late || change.undo || change.redo)) throw error;
        if (lost) {
          this.away = true;
          this.tell();
          await new Promise((done) => setTimeout(done, AGAIN));
        } else {
          const state = await callJson(`/take-in/${this.id}/state`);
          this.compare(error, state, change);
          this.keepAssumed(state, [{ change }, ...this.queue]);
          this.take(state);
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
    if (change.confirm && !same(state.patient, this.patient)) lines.push(t("take_in.conflict_patient"));
    if (lines.length) throw new Trouble([error.message, ...lines].join(" "), 409, lines, error.answer);
  }

  /**
   * Asks what would be shown of a picture after a change.
   * @param {string} digest
   * @param {Change} change
   * @returns {Promise<Shown>}
   */
  async askShown(digest, change) {
    const pictures = { [digest]: {}, ...change.pictures };
    const told = await callJson(`/take-in/${this.id}/shown`, { method: "POST", body: { pictures } });
    return told.pictures[digest];
  }

  /**
   * An answer is older than changes that still wait; what these say stays shown.
   * @param {DraftState} state
   * @param {{ change: Change }[]} waiting
   */
  keepAssumed(state, waiting) {
    if (waiting.length) state.wanted = this.wanted;
    for (const { change } of waiting) {
      for (const digest of Object.keys(change.pictures ?? {})) delete state.pictures[digest];
      if (change.confirm) delete state.pictures[change.confirm.picture];
    }
  }

  /** @param {unknown} error */
  async recover(error) {
    this.queue.splice(0).forEach((one) => one.bad(error));
    this.dispatchEvent(new CustomEvent("trouble", { detail: error }));
    try {
      await this.load();
    } catch {
      // told already
    }
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
 * A value that is said, in one line.
 * @param {unknown} value
 * @returns {string}
 */
function plain(value) {
  if (value === null || value === undefined || value === "") return t("take_in.not_said");
  if (typeof value !== "object") return String(value);
  return Object.values(value).map(plain).join(" ");
}

/**
 * What is said after a change.
 * @param {Said} before
 * @param {Given} given
 * @returns {Said}
 */
function changed(before, given) {
  /** @type {Record<string, unknown>} */
  const said = { ...before };
  for (const [key, value] of Object.entries(given)) {
    if (value === null || value === "" || (Array.isArray(value) && value.length === 0)) delete said[key];
    else said[key] = value;
  }
  return said;
}
