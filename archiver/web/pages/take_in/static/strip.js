// All pictures of the draft, small, in order of time.
import { around, one } from "/static/elements.js";
import { icon } from "/static/icons.js";
import { EDGES } from "/static/picture.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";
import { shownSize } from "./turning.js";
import { unanswered } from "./weighing.js";
import { clock, said } from "./words.js";

/** @import { Picture, Row } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */
/** @import { Follows } from "./turning.js" */

/**
 * @typedef {object} Tile
 * @property {HTMLElement} node
 * @property {HTMLElement} image
 * @property {HTMLElement[]} letters
 * @property {HTMLElement} number
 * @property {HTMLElement} words
 * @property {HTMLElement} state
 * @property {HTMLElement} doubt
 * @property {HTMLElement} again
 * @property {string} signature of what is drawn
 */

// The window of a tile is 4 to 3.
const ACROSS = 4;
const DOWN = 3;

export class Strip {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.box = find("tiles");
    /** @type {Map<string, Tile>} */
    this.tiles = new Map();
    this.box.addEventListener("click", (event) => {
      const tile = around(event, ".tile");
      if (!tile?.dataset.digest) return;
      const add = event.ctrlKey || event.metaKey || Boolean(around(event, ".tile-choose"));
      model.show(tile.dataset.digest, { add, range: event.shiftKey });
    });
    find("chosen-none").addEventListener("click", () => model.show(model.current));
    model.addEventListener("shown", () => {
      this.tiles.get(model.current)?.node.scrollIntoView({ block: "nearest", inline: "nearest" });
    });
  }

  draw() {
    const { model } = this;
    const nodes = model.order.map((digest, n) => this.tile(digest, n));
    const coming = model.coming.filter((row) => !row.done).map((row) => this.comingTile(row));
    const wanted = [...nodes, ...coming];
    for (const [digest, tile] of this.tiles) {
      if (!model.pictures.has(digest)) {
        tile.node.remove();
        this.tiles.delete(digest);
      }
    }
    wanted.forEach((node, n) => {
      if (this.box.children[n] !== node) this.box.insertBefore(node, this.box.children[n] ?? null);
    });
    while (this.box.children.length > wanted.length) this.box.lastElementChild?.remove();
    if (model.current) this.box.setAttribute("aria-activedescendant", `tile-${model.current.slice(0, 16)}`);
    find("strip-count").textContent = coming.length
      ? t("take_in.coming", { done: nodes.length, all: wanted.length })
      : t("take_in.count", { n: nodes.length });
    const again = [...model.pictures.values()].filter((picture) => picture.again?.length && !picture.said.left_out).length;
    find("strip-again").hidden = !again;
    find("strip-again").textContent = again ? t("take_in.again_count", { n: again }) : "";
    const many = model.chosen.size > 1;
    find("chosen").hidden = !many;
    if (many) find("chosen-words").textContent = t("take_in.chosen", { n: model.chosen.size });
  }

  /**
   * @param {string} digest
   * @param {number} n
   */
  tile(digest, n) {
    const { model } = this;
    const picture = model.picture(digest);
    const follows = model.follows(digest);
    const signature = JSON.stringify([
      n, follows.turn, follows.edges, picture.said, picture.result?.status, follows.lacks, follows.problem, picture.doubts, picture.again,
    ]);
    let tile = this.tiles.get(digest);
    if (!tile) {
      tile = this.build(digest, picture);
      this.tiles.set(digest, tile);
    }
    if (tile.signature !== signature) {
      tile.signature = signature;
      this.fill(tile, picture, follows, n);
    }
    tile.node.setAttribute("aria-selected", String(model.chosen.has(digest)));
    tile.node.classList.toggle("tile-shown", digest === model.current);
    return tile.node;
  }

  /**
   * @param {string} digest
   * @param {Picture} picture
   * @returns {Tile}
   */
  build(digest, picture) {
    const node = make("div", "tile");
    node.id = `tile-${digest.slice(0, 16)}`;
    node.dataset.digest = digest;
    node.setAttribute("role", "option");
    const plate = make("div", "tile-plate");
    const image = this.model.looks.get(digest) ?? this.fromServer(digest);
    const letters = EDGES.map((edge) => make("span", `tile-edge tile-${edge}`));
    for (const letter of letters) {
      letter.setAttribute("aria-hidden", "true");
      letter.translate = false;
    }
    const number = make("span", "tile-number");
    plate.append(image, ...letters, number);
    const words = make("span", "tile-words");
    const state = make("span", "tile-state");
    const doubt = make("span", "tile-state tile-doubt");
    const again = make("span", "tile-state tile-again");
    const choose = make("span", "tile-choose");
    choose.setAttribute("aria-hidden", "true");
    const time = make("span", "visually-hidden", t("take_in.taken_at", { time: clock(picture.captured) }));
    node.append(plate, choose, words, state, again, doubt, time);
    return { node, image, letters, number, words, state, doubt, again, signature: "" };
  }

  /** @param {string} digest */
  fromServer(digest) {
    const image = make("img");
    image.alt = "";
    image.decoding = "async";
    image.src = `/take-in/${this.model.id}/pictures/${digest}`;
    return image;
  }

  /**
   * @param {Tile} tile
   * @param {Picture} picture
   * @param {Follows} follows
   * @param {number} n
   */
  fill(tile, picture, follows, n) {
    const { image, letters, node } = tile;
    lay(image, picture, follows.turn);
    EDGES.forEach((edge, k) => (letters[k].textContent = follows.edges?.[edge] ?? ""));
    tile.number.textContent = String(n + 1);
    const meaning = said(picture, follows.view);
    tile.words.textContent = meaning || picture.name;
    const [kind, sign, words] = standing(picture, follows);
    tile.state.className = `tile-state state-${kind}`;
    tile.state.replaceChildren(icon(sign), make("span", "", words));
    const doubts = unanswered(picture.doubts).map((doubt) => t("take_in.doubt", { words: doubt.words }));
    tile.doubt.hidden = !doubts.length || Boolean(picture.said.left_out);
    tile.doubt.replaceChildren(icon("warning"), make("span", "tile-doubt-words", doubts.join(" ")));
    const again = picture.said.left_out ? [] : picture.again ?? [];
    tile.again.hidden = !again.length;
    tile.again.replaceChildren(icon("turn"), make("span", "tile-why", again.join(". ")));
    node.classList.toggle("tile-out", Boolean(picture.said.left_out));
    node.title = [picture.name, ...again, ...doubts].join("\n");
  }

  /**
   * A file on its way, with the small picture that the camera put in until it was read itself.
   * @param {Row} row
   */
  comingTile(row) {
    if (!row.node) {
      row.node = make("div", "tile tile-coming");
      row.node.setAttribute("role", "option");
      row.node.setAttribute("aria-selected", "false");
      const plate = make("div", "tile-plate");
      if (row.preview) {
        const image = make("img", `preview turn-${row.turn}`);
        image.alt = "";
        const url = URL.createObjectURL(row.preview);
        for (const end of ["load", "error"]) image.addEventListener(end, () => URL.revokeObjectURL(url));
        image.src = url;
        plate.append(image);
      }
      row.node.append(plate, make("span", "tile-words", row.file.name), make("span", "tile-state state-open", t("take_in.reading")));
    }
    return row.node;
  }

  /**
   * Shows what this page itself made of a file that the server has not got yet.
   * @param {Row} row
   */
  seen(row) {
    if (row.done || !row.look) return;
    const node = this.comingTile(row);
    lay(row.look.canvas, row.look, row.turn ?? 1);
    one(node, ".tile-plate", HTMLElement).prepend(row.look.canvas);
    one(node, ".tile-state", HTMLElement).textContent = t("take_in.not_kept");
  }
}

/**
 * Puts a picture of stored pixels into the window of a tile, turned.
 * @param {HTMLElement} image
 * @param {{ columns: number, rows: number }} picture
 * @param {number} turn
 */
export function lay(image, picture, turn) {
  const [across, down] = shownSize(picture, turn);
  const scale = Math.min(ACROSS / across, DOWN / down);
  image.className = `turn-${turn}`;
  image.style.width = `${(picture.columns * scale * 100) / ACROSS}%`;
  image.style.height = `${(picture.rows * scale * 100) / DOWN}%`;
}

/**
 * How far a picture is.
 * @param {Picture} picture
 * @param {Follows} follows
 * @returns {[kind: string, icon: string, words: string]}
 */
export function standing(picture, follows) {
  const status = picture.result?.status;
  if (picture.said.left_out) return ["out", "missing", t("take_in.state_out")];
  if (status === "refused") return ["bad", "warning", t("take_in.state_refused")];
  if (status) return ["good", "confirmed", t("take_in.state_archived")];
  if (follows.problem) return ["bad", "warning", t("take_in.state_wrong")];
  if (follows.lacks.length) return ["open", "missing", t("take_in.state_open")];
  if (picture.said.confirmed_by) return ["good", "confirmed", t("picture.confirmed")];
  return ["unconfirmed", "unconfirmed", t("picture.unconfirmed")];
}
