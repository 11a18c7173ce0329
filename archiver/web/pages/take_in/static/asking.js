// The one question about a picture: is it the wanted view, and is that the patient's right?
import { every } from "/static/elements.js";
import { icon } from "/static/icons.js";
import { Looking } from "/static/looking.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";
import { Offering } from "./offering.js";
import { act, beside, doubtActs, doubtLines, question } from "./question.js";
import { Seeing } from "./seeing.js";
import { edgeOf } from "./side_drawing.js";
import { lay } from "./strip.js";
import { judge } from "./turning.js";
import { moreWords, teethWords, viewWords } from "./words.js";

/** @import { Edge } from "/static/picture.js" */
/** @import { Confirm, Given, Picture } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */
/** @import { Offered } from "./offering.js" */
/** @import { Settled } from "./question.js" */
/** @import { Follows } from "./turning.js" */

export class Asking {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.offering = new Offering(model);
    this.seeing = new Seeing(model);
    this.drawn = "";
    this.flips = false; // whether the ways of flipping are offered
    this.bring = false; // whether the picture that was chosen is still to be brought into view
    this.looking = new Looking(find("frame"), find("large"));
    this.looking.addEventListener("changed", () => this.arm());
    this.seeing.addEventListener("changed", () => {
      // The question has grown; whoever writes something below is left there.
      this.bring ||= !find("meaning").contains(document.activeElement);
      model.tell();
    });
    model.addEventListener("shown", () => {
      this.flips = false;
      this.bring = true;
      // Until it is drawn, nobody has seen it.
      this.looking.again();
    });
  }

  /**
   * What follows if the picture is what is offered.
   * @returns {Settled | null}
   */
  proposed() {
    const offer = this.offering.offer();
    if (!offer) return null;
    const picture = this.model.picture(this.model.current);
    this.model.ensure(offer.given.teeth ?? []);
    const follows = judge({ ...picture.said, ...offer.given }, picture.exif);
    return follows && settled(follows);
  }

  draw() {
    const { model } = this;
    const picture = model.shown;
    if (!picture) return;
    const offer = this.offering.offer();
    const follows = offer ? this.proposed() : model.follows(model.current);
    const locked = model.state !== "open";
    const asks = !offer && !locked && follows && !follows.problem && !picture.said.left_out ? settled(follows) : null;
    if (asks || (offer && follows?.edges)) this.seeing.see(picture, offer?.given ?? {});
    if (this.seeing.ready) this.lookAhead(offer);
    const signature = JSON.stringify([model.current, offer?.given, follows?.edges, follows?.problem, picture.said, model.who, model.patient, Boolean(asks), offer?.several, this.flips, this.doubts(), this.seeing.earlier]);
    find("offer").hidden = !offer;
    find("side").hidden = !asks;
    if (this.bring) requestAnimationFrame(() => bringIntoView(find(offer ? "offer" : "side")));
    this.bring = false;
    this.arm();
    if (signature === this.drawn) return;
    this.drawn = signature;
    this.looking.again();
    const held = document.activeElement instanceof HTMLElement && document.activeElement.dataset.act;
    if (offer) this.drawOffer(offer, follows && settled(follows));
    if (asks) this.drawSide(picture, asks);
    this.arm();
    if (!held) return;
    // The button that gave an answer is not the one that gives the next.
    if (ANSWERS.includes(held)) find("stage-title").focus({ preventScroll: true });
    else every(document, `[data-act="${held}"]`, HTMLElement)[0]?.focus();
  }

  /** @param {Offered | null} offer */
  lookAhead(offer) {
    const { model } = this;
    const next = model.nextUnsaid(model.current);
    if (!next || next === model.current) return;
    const offered = this.offering.offerOf(next, offer);
    if (offered) this.seeing.ahead(model.picture(next), offered.given);
  }

  // Whether a Yes counts: the picture has been looked at, and it is known what was shown.
  get ready() {
    return this.looking.ready && this.seeing.ready;
  }

  // What speaks against the picture in question.
  doubts() {
    return this.seeing.doubts ?? this.model.shown?.doubts ?? [];
  }

  arm() {
    const { ready } = this;
    for (const name of ANSWERS) {
      for (const button of every(document, `[data-act="${name}"]`, HTMLButtonElement)) button.disabled = name === "accept-open" ? !this.looking.seen : !ready;
    }
    const weighs = this.looking.seen && this.seeing.shown && !this.seeing.ready;
    for (const line of every(document, ".ask-wait", HTMLElement)) {
      line.classList.toggle("ask-waits", !ready);
      line.textContent = t(weighs ? "take_in.ask_weigh" : "take_in.ask_wait");
    }
  }

  /**
   * @param {Offered} offer
   * @param {Settled | null} follows
   */
  drawOffer(offer, follows) {
    const { given, row } = offer;
    const box = find("offer");
    const title = make("h2", "", t("take_in.offer"));
    const what = make("p", "offer-what");
    const teeth = teethWords(given.teeth);
    what.append(make("strong", "", viewWords(given.view)), teeth ? ` ${teeth}` : "");
    what.append(make("span", "quiet", ` ${t(given.mirror ? "take_in.by_mirror" : "take_in.by_direct")}`));
    for (const words of moreWords(given)) what.append(make("span", "quiet", ` ${words}`));
    if (row.count > 1) what.append(make("span", "quiet", ` ${t("take_in.nth", { n: row.by.length + 1, of: row.count })}`));
    box.replaceChildren(title, what, ...doubtLines(this.doubts()));
    const acts = make("div", "asks");
    if (follows) {
      box.append(...question(follows, this.seeing.earlier));
      if (this.model.who) acts.append(act("accept", t("take_in.yes_take"), "button-main", () => this.accept(true), "Enter"));
      acts.append(act("accept-open", t("take_in.take_open"), "", () => this.accept(false), "U"));
    } else {
      box.append(make("p", "quiet", t("take_in.offer_lacks")));
    }
    if (follows) {
      acts.append(...this.answers());
      this.roundAct(acts, follows, given.mirror);
      this.flipAct(acts, given);
    }
    if (offer.open) acts.append(act("way", t(given.mirror ? "take_in.was_direct" : "take_in.was_mirror"), "", () => this.offering.otherWay(), "M"));
    if (offer.several) acts.append(act("other", t("take_in.other_view"), "", () => this.offering.skip(), "N"));
    box.append(acts);
  }

  /**
   * @param {Picture} picture
   * @param {Settled} follows
   */
  drawSide(picture, follows) {
    const box = find("side");
    const title = make("h2", "", t("take_in.side"));
    if (picture.said.confirmed_by) {
      const line = make("p", "side-done");
      line.append(icon("confirmed"), t("take_in.confirmed_by", { who: picture.said.confirmed_by.replaceAll("^", " ").trim() }));
      box.replaceChildren(title, line, ...doubtLines(this.doubts()), beside(follows, this.seeing.earlier), ...this.answers());
      return;
    }
    const acts = make("div", "asks");
    if (this.model.who) acts.append(act("confirm", t("take_in.yes_confirm"), "button-main", () => this.confirm(), "Enter"));
    acts.append(...this.answers());
    this.roundAct(acts, follows, picture.said.mirror);
    this.flipAct(acts, {});
    acts.append(act("wrong", t("take_in.no_wrong"), "", () => this.wrong()));
    box.replaceChildren(title, ...doubtLines(this.doubts()), ...question(follows, this.seeing.earlier), acts);
  }

  answers() {
    const { model } = this;
    return doubtActs(this.doubts(), model.said(model.current).checked ?? [], (given) => model.say([model.current], given).catch(() => {}));
  }

  /**
   * A mirror picture that comes out the wrong way up was taken from elsewhere than was assumed.
   * @param {HTMLElement} acts
   * @param {Settled} follows
   * @param {boolean} [mirror]
   */
  roundAct(acts, { edges }, mirror) {
    if (!mirror) return;
    const forward = edgeOf(edges, "A");
    const words = forward
      ? t("take_in.turn_round", { edge: t(`take_in.edge_${OPPOSITE[forward]}`) })
      : t("take_in.turn_upside");
    acts.append(act("round", words, "", () => this.turnRound(), "B"));
  }

  /**
   * The third answer: one picture for each way in which it may have been flipped.
   * @param {HTMLElement} acts
   * @param {Partial<Offered["given"]>} given what is offered beside it
   */
  flipAct(acts, given) {
    const button = act("flips", t("take_in.was_flipped"), "", () => {
      this.flips = !this.flips;
      this.model.tell();
    });
    button.setAttribute("aria-expanded", String(this.flips));
    acts.append(button);
    if (!this.flips) return;
    const picture = this.model.picture(this.model.current);
    const ways = make("div", "flips");
    for (const flipped of FLIPS) {
      const follows = judge({ ...picture.said, ...given, flipped }, picture.exif);
      if (!follows) continue;
      const image = make("img");
      image.alt = "";
      image.src = `/take-in/${this.model.id}/pictures/${picture.digest}`;
      lay(image, picture, follows.turn);
      const plate = make("span", "tile-plate");
      plate.append(image);
      const way = act(`flip-${flipped}`, "", "flip", () => {
        this.flips = false;
        this.model.say([picture.digest], { flipped }).catch(() => {});
      });
      way.append(plate, t(`take_in.flipped_${flipped.replace("-", "_")}`));
      ways.append(way);
    }
    acts.append(ways);
  }

  turnRound() {
    const { model } = this;
    const offered = this.offering.offer()?.given.operator;
    const { said } = model.picture(model.current);
    const now = said.operator ?? offered ?? model.habits.operator ?? "front";
    /** @type {Given} */
    const given = { operator: now === "front" ? "behind" : "front" };
    if (said.top) given.top = null;
    model.say([...model.chosen], given).catch(() => {});
  }

  /** @param {boolean} confirmed */
  async accept(confirmed) {
    const offer = this.offering.offer();
    const follows = this.proposed();
    if (!offer || !follows) return false;
    if (!(confirmed ? this.ready : this.looking.seen)) return true;
    if (confirmed && !this.model.who) return false;
    const digest = this.model.current;
    const more = confirmed ? { confirm: this.answer(follows) } : {};
    const kept = this.model.say([digest], offer.given, more);
    this.offering.fulfil(offer.row, digest);
    this.go(digest);
    await kept.catch(() => {});
    return true;
  }

  /**
   * @param {Follows} follows
   * @returns {Confirm}
   */
  answer({ turn }) {
    return { picture: this.model.current, turn, shown: this.seeing.shown ?? undefined };
  }

  async confirm() {
    const { model } = this;
    const digest = model.current;
    const follows = model.follows(digest);
    if (!follows.edges || model.said(digest).confirmed_by || !model.who || !this.ready) return false;
    const kept = model.say([digest], {}, { confirm: this.answer(follows) });
    this.go(digest);
    await kept.catch(() => {});
    return true;
  }

  /** @param {string} digest */
  go(digest) {
    this.looking.answered();
    const next = this.model.nextUnsaid(digest);
    if (next) this.model.show(next);
  }

  wrong() {
    const note = find("side").querySelector(".side-wrong") ?? make("p", "side-wrong");
    note.textContent = t("take_in.wrong_hint");
    find("side").append(note);
    find("view").focus();
  }
}

/**
 * What follows, where it says how the picture lies.
 * @param {Follows} follows
 * @returns {Settled | null}
 */
const settled = (follows) => (follows.edges ? { ...follows, edges: follows.edges } : null);

/**
 * Where a window is too small for all of the page, a chosen picture comes with its question.
 * @param {HTMLElement} panel
 */
function bringIntoView(panel) {
  const { top, bottom } = find("frame").getBoundingClientRect();
  const asked = panel.getBoundingClientRect();
  if (!panel.hidden && (top < 0 || bottom > innerHeight || asked.top > innerHeight / 2 || asked.bottom > innerHeight)) panel.scrollIntoView({ block: "start" });
}

// Answers that say what a person saw.
const ANSWERS = ["accept", "accept-open", "confirm"];
const FLIPS = ["left-right", "top-bottom", "turned"];

/** @type {Record<Edge, Edge>} */
const OPPOSITE = { top: "bottom", bottom: "top", left: "right", right: "left" };
