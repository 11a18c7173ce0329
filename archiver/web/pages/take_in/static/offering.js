// What a picture may be of which nothing is said yet: the view that the rules want next.

/** @import { More, WantedRow } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

/**
 * @typedef {object} Offered
 * @property {WantedRow} row
 * @property {{ view: string, mirror: boolean, teeth?: string[], operator?: string } & More} given
 * @property {boolean} open whether it may as well be taken the other way
 * @property {boolean} several whether something else may be offered
 */

export class Offering {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.skipped = 0;
    /** @type {Map<string, boolean>} */
    this.ways = new Map(); // by view: through a mirror or direct, where the rules leave it open
    this.last = ""; // the row that was taken last
    /** @type {{ digest: string, given: Offered["given"] } | null} */
    this.assumed = null; // of the picture before one that is looked ahead to
    model.addEventListener("shown", () => {
      this.skipped = 0;
    });
  }

  /**
   * What the rules want next and this picture may therefore be; null where it is said already.
   * @returns {Offered | null}
   */
  offer() {
    return this.offerOf(this.model.current, null);
  }

  /**
   * What is going to be offered of another picture, once the current one is what is offered of it.
   * @param {string} digest
   * @param {Offered | null} taken
   * @returns {Offered | null}
   */
  offerOf(digest, taken) {
    const { model } = this;
    const picture = model.pictures.get(digest);
    if (!picture || picture.said.view || picture.said.left_out || model.state !== "open") return null;
    this.assumed = taken && { digest: model.current, given: taken.given };
    const rows = model.wanted.filter((row) => row.offer && !(row === taken?.row && row.by.length + 1 >= row.count));
    const last = taken ? rowKey(taken.row) : this.last;
    const all = [...this.after(rows.filter((row) => !row.optional), last), ...rows.filter((row) => row.optional)];
    if (all.length === 0) return null;
    const row = all[(digest === model.current ? this.skipped : 0) % all.length];
    if (!row.offer) return null;
    const offer = { ...row.offer };
    if (offer.open) offer.mirror = this.ways.get(offer.view) ?? this.before(offer.view) ?? offer.mirror;
    if (picture.said.mirror !== undefined) offer.mirror = picture.said.mirror;
    /** @type {Offered["given"]} */
    const given = { view: offer.view, mirror: offer.mirror, ...offer.more };
    const teeth = picture.said.teeth ?? offer.teeth;
    if (teeth.length) given.teeth = teeth;
    if (picture.said.operator === undefined && picture.said.top === undefined) {
      const like = this.operatorBefore(offer.mirror);
      if (like) given.operator = like;
    }
    return { row, given, open: offer.open, several: all.length > 1 };
  }

  /**
   * Whoever left views of the rules out goes on behind the one that was taken last.
   * @param {WantedRow[]} rows
   * @param {string} taken its key
   */
  after(rows, taken) {
    const order = this.model.wanted.map(rowKey);
    const last = order.indexOf(taken);
    const at = rows.findIndex((row) => order.indexOf(rowKey(row)) >= last);
    return at > 0 ? [...rows.slice(at), ...rows.slice(0, at)] : rows;
  }

  /** @param {string} digest */
  said(digest) {
    const said = this.model.said(digest);
    return this.assumed?.digest === digest ? { ...said, ...this.assumed.given } : said;
  }

  /**
   * How views of a side were taken so far in this draft.
   * @param {string} view
   */
  before(view) {
    const family = view.includes("buccal") ? "buccal" : view;
    for (const digest of [...this.model.order].reverse()) {
      const said = this.said(digest);
      if (said.view?.includes(family) && said.mirror !== undefined) return said.mirror;
    }
    return undefined;
  }

  /** @param {boolean} mirror */
  operatorBefore(mirror) {
    for (const digest of [...this.model.order].reverse()) {
      const said = this.said(digest);
      if (said.view && said.mirror === mirror) return said.operator;
    }
    return undefined;
  }

  /**
   * Until the server answers, the row counts as there, so that the next one is offered at once.
   * @param {WantedRow} row
   * @param {string} digest
   */
  fulfil(row, digest) {
    this.last = rowKey(row);
    row.by = [...row.by, digest];
    if (row.by.length >= row.count) {
      row.there = true;
      row.offer = null;
    }
    this.model.tell();
  }

  otherWay() {
    const offer = this.offer();
    if (!offer?.open) return false;
    this.ways.set(offer.given.view, !offer.given.mirror);
    this.model.tell();
    return true;
  }

  skip() {
    this.skipped += 1;
    this.model.tell();
  }
}

/** @param {WantedRow} row */
const rowKey = (row) => `${row.name}|${row.target}`;
