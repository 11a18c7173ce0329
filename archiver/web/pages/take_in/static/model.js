// The draft as the page knows it: what the server keeps, and changes on their way to it.
// A change shows at once and is sent at once; the server's answer replaces what was assumed.
import { callJson, Trouble } from "../calling.js";
import { judge, read, recropped } from "./turning.js";

const TURNING = ["view", "mirror", "teeth", "top", "operator"];
const AGAIN = 1500;
const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

export class Model extends EventTarget {
  constructor(id, known) {
    super();
    this.id = id;
    this.stored = `archiver-draft-${id}`;
    this.who = known.who;
    this.habits = known.habits;
    this.edges = known.edges;
    this.today = known.today;
    this.pictures = new Map();
    this.looks = new Map(); // by digest: a small picture that this page made itself
    this.order = [];
    this.coming = []; // {name, time}: files on their way
    this.current = "";
    this.chosen = new Set();
    this.revision = 0;
    this.wanted = [];
    this.consent = {};
    this.queue = [];
    this.sending = false;
    this.unsent = false;
    this.away = false;
    this.underWay = null;
    this.touched = false;
  }

  tell() {
    this.dispatchEvent(new Event("changed"));
  }

  async load() {
    this.take(await callJson(`/take-in/${this.id}/state`), true);
  }

  take(state, whole = false) {
    for (const key of ["revision", "state", "patient", "visit", "consent", "study", "rules", "teeth", "stage", "wanted", "task", "undo", "redo", "order"]) {
      this[key] = state[key];
    }
    if (whole) this.pictures.clear();
    for (const [digest, picture] of Object.entries(state.pictures)) this.pictures.set(digest, picture);
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

  said(digest) {
    return this.pictures.get(digest).said;
  }

  // What follows from what is said, by the server's tables; the server's own answer until these are here.
  follows(digest) {
    const picture = this.pictures.get(digest);
    const judged = judge(picture.said, picture.exif);
    if (judged) return judged;
    return { turn: picture.turn, edges: picture.edges, laterality: picture.laterality ?? "", lacks: picture.lacks, problem: picture.problems[0] ?? "" };
  }

  arrived(picture, look) {
    this.pictures.set(picture.digest, picture);
    if (look && !this.looks.has(picture.digest)) this.looks.set(picture.digest, look.canvas);
    if (!this.order.includes(picture.digest)) {
      const key = (one) => [one.captured ? 0 : 1, one.captured, one.name.toLowerCase(), one.digest];
      const before = (a, b) => {
        const [x, y] = [key(a), key(b)];
        for (let n = 0; n < 4; n += 1) if (x[n] !== y[n]) return x[n] < y[n];
        return false;
      };
      let at = this.order.length;
      while (at > 0 && before(picture, this.pictures.get(this.order[at - 1]))) at -= 1;
      this.order.splice(at, 0, picture.digest);
    }
    // Until somebody has chosen one, the first in time is shown.
    if (!this.touched && this.current !== this.order[0]) {
      this.current = this.order[0];
      this.chosen = new Set([this.current]);
    }
    this.dispatchEvent(new Event("arrived"));
  }

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

  step(by, options = {}) {
    const at = this.order.indexOf(this.current);
    const next = Math.min(Math.max(at + by, 0), this.order.length - 1);
    if (next !== at) this.show(this.order[next], options);
  }

  // Changes what is said of pictures: at once here, then at the server.
  say(digests, given, more = {}) {
    this.touched = true;
    const pictures = {};
    for (const digest of digests) {
      const picture = this.pictures.get(digest);
      const said = { ...picture.said };
      for (const [key, value] of Object.entries(given)) {
        if (value === null || value === "" || (Array.isArray(value) && value.length === 0)) delete said[key];
        else said[key] = value;
      }
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
    const open = [this.underWay, ...this.queue].filter((one) => one && !one.change.undo && !one.change.redo);
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
    while (this.queue.length) {
      const one = this.queue.shift();
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

  // Sends one change until it is kept or refused: a server that is away may come back, and a
  // change that somebody else made meanwhile is taken in first.
  async post(change) {
    for (let again = 0; ; again += 1) {
      try {
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
          this.keepAssumed(state, [{ change }, ...this.queue]);
          this.take(state);
        }
      }
    }
  }

  // An answer is older than changes that still wait; what these say stays shown.
  keepAssumed(state, waiting) {
    if (waiting.length) state.wanted = this.wanted;
    for (const { change } of waiting) {
      for (const digest of Object.keys(change.pictures ?? {})) delete state.pictures[digest];
      if (change.confirm) delete state.pictures[change.confirm.picture];
    }
  }

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

  nextUnsaid(after) {
    const at = this.order.indexOf(after);
    const ring = [...this.order.slice(at + 1), ...this.order.slice(0, at)];
    return ring.find((digest) => {
      const said = this.said(digest);
      return !said.left_out && (this.follows(digest).lacks.length > 0 || this.follows(digest).problem);
    });
  }
}
