// The picture that is worked on, large, turned as it will be archived, with its letters.
import { icon } from "/static/icons.js";
import { EDGES, letterEdge } from "/static/picture.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";
import { standing } from "./strip.js";
import { shownSize, turnWords } from "./turning.js";
import { clock, edgeWords, said } from "./words.js";

/** @import { Picture } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */
/** @import { Asking } from "./asking.js" */
/** @import { Follows } from "./turning.js" */

export class Stage {
  /**
   * @param {Model} model
   * @param {Pick<Asking, "proposed">} asking
   */
  constructor(model, asking) {
    this.model = model;
    this.asking = asking; // tells what the picture is proposed to be, if it is
    this.image = find("large");
    this.frame = find("frame");
    this.ground = find("plate");
    this.drawn = "";
    this.asked = ""; // the picture whose large image was asked for
    this.turn = 1;
    this.scale = 0;
    /** @type {(() => void)[]} */
    this.fitted = [];
    /** @type {Set<string>} */
    this.ready = new Set();
    new ResizeObserver(() => this.fit()).observe(this.ground);
    this.image.addEventListener("load", () => this.ahead());
  }

  // What is shown: what is said of the picture, or else what it is proposed to be.
  follows() {
    const { model } = this;
    return this.asking.proposed() ?? model.follows(model.current);
  }

  draw() {
    const { model } = this;
    const picture = model.shown;
    if (!picture) return;
    const follows = this.follows();
    const proposed = Boolean(this.asking.proposed());
    this.load(picture);
    this.turn = follows.turn;
    this.image.className = `turn-${follows.turn}`;
    for (const edge of EDGES) {
      const letter = find(`edge-${edge}`);
      const code = follows.edges?.[edge] ?? "";
      letterEdge(letter, code, follows.words?.[edge]);
      letter.title = code ? t(`directions.${code}`) : "";
    }
    find("plate").classList.toggle("plate-proposed", proposed);
    const n = model.order.indexOf(model.current) + 1;
    find("stage-title").textContent = t("take_in.stage", { n, of: model.order.length, name: picture.name, time: clock(picture.captured) });
    const [kind, sign, words] = proposed ? ["open", "missing", t("take_in.state_proposed")] : standing(picture, follows);
    const mark = make("span", `tile-state state-${kind}`);
    mark.append(icon(sign), words);
    find("stage-state").replaceChildren(mark);
    find("turn-words").textContent = this.words(picture, follows);
    this.image.alt = t("take_in.alt", { n, what: said(picture, follows.view) || t("take_in.not_said") });
    this.fit();
  }

  /**
   * @param {Picture} picture
   * @param {Follows} follows
   */
  words(picture, follows) {
    const { edges } = follows;
    if (!edges) return picture.notes.join(" ");
    const letters = /** @type {const} */ (["top", "right"]).map((edge) => t("take_in.edge_is", { edge: edgeWords(edge), what: t(`directions.${edges[edge]}`) }));
    return [turnWords(follows.turn), ...letters].join(" · ");
  }

  /** @param {Picture} picture */
  load(picture) {
    const base = this.model.source(picture.digest);
    const ready = this.ready.has(picture.digest);
    if (this.drawn !== picture.digest) {
      // The small picture is there already; the large one takes its place once it is decoded.
      this.drawn = picture.digest;
      this.image.src = ready ? `${base}?large` : base;
      this.asked = "";
    }
    // Small pictures of files on their way come first, unless somebody wants to see this one.
    if (ready || this.asked === picture.digest || (this.model.busy && !this.model.touched)) return;
    this.asked = picture.digest;
    const large = new Image();
    large.src = `${base}?large`;
    large.decode().then(() => {
      this.ready.add(picture.digest);
      if (this.drawn === picture.digest) this.image.src = large.src;
    }, () => {});
  }

  // Makes the next picture ready, so that it is there when it is wanted.
  ahead() {
    const at = this.model.order.indexOf(this.model.current);
    const next = this.model.order[at + 1];
    if (!next || this.ready.has(next) || this.model.busy) return;
    const large = new Image();
    large.src = `${this.model.source(next)}?large`;
    large.decode().then(() => this.ready.add(next), () => {});
  }

  fit() {
    const picture = this.model.shown;
    if (!picture) return;
    const [across, down] = shownSize(picture, this.turn);
    const letters = 2 * find("edge-top").clientHeight;
    const wide = this.ground.clientWidth - letters;
    const high = this.ground.clientHeight - letters;
    if (wide <= 0 || high <= 0) return;
    this.scale = Math.min(wide / across, high / down);
    this.frame.style.width = `${across * this.scale}px`;
    this.frame.style.height = `${down * this.scale}px`;
    this.image.style.width = `${picture.columns * this.scale}px`;
    this.image.style.height = `${picture.rows * this.scale}px`;
    for (const one of this.fitted) one();
  }
}
