// The page of one draft: files come in, are told what they show, and are archived.
import { reason } from "/static/calling.js";
import { every } from "/static/elements.js";
import { say, sayTrouble } from "/static/messages.js";
import { t } from "/static/words.js";
import { Archiving } from "./archiving.js";
import { Arrivals } from "./arrivals.js";
import { Asking } from "./asking.js";
import { Cropping } from "./cropping.js";
import { Days } from "./days.js";
import { find, make } from "./dom.js";
import { dropped, films, pictures, putInOrder, send } from "./files.js";
import { Framing } from "./framing.js";
import { Keys } from "./keys.js";
import { Meaning } from "./meaning.js";
import { Model } from "./model.js";
import { Reducing } from "./reducing.js";
import { Stage } from "./stage.js";
import { Strip } from "./strip.js";
import { begin } from "./turning.js";
import { Weighing } from "./weighing.js";
import { Wanted } from "./wanted.js";
import { Whom } from "./whom.js";

// Pictures that are drawn as each arrives, and the milliseconds between drawings of the others.
const AT_ONCE = 4;
const PAUSE = 250;

/** @type {("undo" | "redo")[]} */
const WAYS = ["undo", "redo"];
// Where what is said is changed, if not at an element of its name.
/** @type {Record<string, string>} */
const PLACES = {
  confirmed_by: "stage-title", checked: "stage-title", left_out: "leave-out",
  crop: "crop-open", grey_card: "crop-open", tab_region: "crop-open", tooth_region: "crop-open", scale_region: "crop-open",
  visit_patient: "whom-open", visit_visit: "whom-open", visit_study: "whom-open", visit_same_person: "whom-open",
  visit_consent: "whom-open", visit_rules: "rules", visit_stage: "rules", visit_teeth: "visit-teeth",
};
/** Milliseconds for which a place is pointed at. */
const POINTS = 3000;

/** @import { Known, Row } from "./draft_shapes.js" */

export class Page {
  constructor() {
    const root = find("draft");
    /** @type {Known} */
    const known = JSON.parse(root.dataset.known ?? "");
    begin(known);
    this.model = new Model(root.dataset.id ?? "", known);
    this.asking = new Asking(this.model);
    this.weighing = new Weighing(this.model);
    this.strip = new Strip(this.model);
    this.stage = new Stage(this.model, this.asking);
    this.cropping = new Cropping(this.model, this.stage);
    this.framing = new Framing(this.model, this.asking, this.stage, this.cropping);
    this.meaning = new Meaning(this.model, this.asking);
    this.wanted = new Wanted(this.model);
    this.whom = new Whom(this.model, this.wanted);
    this.archiving = new Archiving(this.model);
    this.arrivals = new Arrivals(this.model, (name, words) => this.refuse(name, words));
    this.days = new Days(this.model);
    this.keys = new Keys(this);
    this.reducing = new Reducing();
    this.due = false;
    /** @type {ReturnType<typeof setTimeout> | undefined} drawing of what has arrived */
    this.waiting = undefined;
    /** @type {ReturnType<typeof setTimeout> | undefined} drawing of what is not worked on */
    this.rest = undefined;
    this.model.addEventListener("changed", () => this.soon());
    this.model.addEventListener("arrived", () => this.later());
    this.model.addEventListener("trouble", (event) => {
      if (event instanceof CustomEvent) sayTrouble(event.detail);
    });
    this.listen();
  }

  listen() {
    for (const way of WAYS) find(way).addEventListener("click", () => this.takeBack(way));
    find("pick-folder").addEventListener("click", () => find("folder").click());
    find("pick-files").addEventListener("click", () => find("files").click());
    find("add-files").addEventListener("click", () => find("files").click());
    find("refused-close").addEventListener("click", () => {
      find("refused").hidden = true;
      find("refused-list").replaceChildren();
    });
    for (const field of [find("folder"), find("files")]) {
      field.addEventListener("change", () => {
        const files = [...(field.files ?? [])];
        field.value = "";
        this.add(files);
      });
    }
    for (const button of every(document, "[data-close]", HTMLElement)) {
      button.addEventListener("click", () => button.closest("dialog")?.close());
    }
    document.addEventListener("dragover", (event) => {
      event.preventDefault();
      document.body.classList.add("dragging");
    });
    document.addEventListener("dragleave", (event) => {
      if (!event.relatedTarget) document.body.classList.remove("dragging");
    });
    document.addEventListener("drop", async (event) => {
      event.preventDefault();
      document.body.classList.remove("dragging");
      if (event.dataTransfer) this.add(await dropped(event.dataTransfer));
    });
    window.addEventListener("beforeunload", (event) => {
      if (this.model.busy) event.preventDefault();
    });
  }

  /** @param {File[]} files */
  async add(files) {
    for (const film of films(files)) this.refuse(film.name, t("take_in.is_film"));
    const wanted = pictures(files);
    if (this.model.state !== "open" || wanted.length === 0) return;
    /** @type {Row[]} */
    const rows = wanted.map((file) => ({ file }));
    const ordered = putInOrder(rows);
    const looking = this.reducing.make([...rows], async (some) => {
      await ordered;
      some.forEach((row) => this.strip.seen(row));
    });
    await ordered;
    this.model.coming = [...this.model.coming.filter((row) => !row.done), ...rows];
    this.model.tell();
    this.draw();
    find("tiles").focus();
    await send(this.model.id, rows, {
      looking,
      hurried: () => this.model.touched,
      arrived: (row, picture) => {
        row.done = true;
        this.model.away = false;
        this.model.arrived(picture, row.look);
      },
      failed: (row, error) => {
        row.done = true;
        this.refuse(row.file.name, reason(error));
        this.model.tell();
      },
      away: () => {
        this.model.away = true;
        this.model.tell();
      },
    });
    this.model.coming = this.model.coming.filter((row) => !row.done);
    // The rules count pictures; the server knows them all now.
    await this.model.load().catch(sayTrouble);
  }

  /**
   * @param {string} name
   * @param {string} words
   */
  refuse(name, words) {
    const line = make("li");
    line.append(make("strong", "", name), `: ${words}`);
    find("refused-list").append(line);
    find("refused").hidden = false;
  }

  soon() {
    if (this.due) return;
    this.due = true;
    requestAnimationFrame(() => {
      this.due = false;
      this.draw();
    });
  }

  // Pictures that arrive one after the other are drawn some at a time; the first at once.
  later() {
    if (this.model.order.length <= AT_ONCE) this.soon();
    else this.waiting ??= setTimeout(() => {
      this.waiting = undefined;
      this.soon();
    }, PAUSE);
  }

  draw() {
    const { model } = this;
    const empty = model.order.length === 0 && model.coming.every((row) => row.done);
    find("drop").hidden = !empty;
    find("work").hidden = empty;
    find("work").classList.toggle("work-waiting", model.order.length === 0);
    for (const way of WAYS) {
      const told = model[way];
      find(way).disabled = !told || model.state !== "open";
      find(way).title = told ? t(`take_in.${way}_what`, { what: told.words }) : t(`take_in.${way}`);
      find(way).setAttribute("aria-label", find(way).title);
    }
    find("add-files").hidden = empty || model.state !== "open";
    const kept = model.away ? "take_in.away" : model.changes.unsent || model.busy ? "take_in.keeping" : "take_in.kept";
    find("kept").textContent = empty ? "" : t(model.state === "archived" ? "take_in.all_archived" : kept);
    find("kept").classList.toggle("kept-away", model.away);
    for (const part of [this.stage, this.cropping, this.asking, this.framing, this.meaning]) part.draw();
    // The picture that is worked on comes first, the row of all pictures behind it.
    clearTimeout(this.rest);
    this.rest = setTimeout(() => {
      for (const part of [this.strip, this.whom, this.wanted, this.archiving, this.arrivals, this.days]) part.draw();
    });
  }

  /**
   * Undoes or redoes, says what, and goes there.
   * @param {"undo" | "redo"} way
   */
  async takeBack(way) {
    const { model } = this;
    // Changes on their way come first; what is taken back then is known once they are there.
    await model.changes.settled();
    const told = model[way];
    if (!told) return;
    try {
      await model.change({ [way]: true });
    } catch {
      return; // told
    }
    say(t(way === "undo" ? "take_in.undone" : "take_in.redone", { what: told.words }));
    const [first, ...others] = model.order.filter((digest) => told.pictures.includes(digest));
    if (first) {
      model.show(first);
      others.forEach((digest) => model.chosen.add(digest));
      model.tell();
    }
    this.point(told.keys);
  }

  /**
   * Shows where something is said. The focus stays where it is: letters go on being keys.
   * @param {string[]} keys
   */
  point(keys) {
    for (const key of keys) {
      const place = document.getElementById(PLACES[key] ?? key) ?? document.getElementById(`more-${key}`);
      if (!place) continue;
      const inside = place.closest("details");
      if (inside) inside.open = true;
      place.scrollIntoView({ block: "nearest" });
      place.classList.add("taken-back");
      setTimeout(() => place.classList.remove("taken-back"), POINTS);
    }
  }

  // -- what keys do

  async enter() {
    if (await this.asking.accept(true)) return;
    await this.asking.confirm();
  }

  takeOpen() {
    this.asking.accept(false);
  }

  toggle() {
    this.model.show(this.model.current, { add: true });
  }

  all() {
    const { model } = this;
    const whole = model.chosen.size === model.order.length;
    model.chosen = new Set(whole ? [model.current] : model.order);
    model.tell();
  }

  mirror() {
    if (this.asking.offering.otherWay()) return;
    this.meaning.say({ mirror: !(this.model.shown?.said.mirror ?? false) });
  }

  behind() {
    this.asking.turnRound();
  }

  /**
   * @param {HTMLElement} from the tooth of the grid that has the focus
   * @param {string} key
   */
  gridStep(from, key) {
    const rows = every(document, ".teeth-row", HTMLElement).map((row) => every(row, ".tooth-key", HTMLElement));
    const row = rows.findIndex((keys) => keys.includes(from));
    if (row < 0) return;
    const keys = rows[row];
    const at = keys.indexOf(from);
    if (key === "ArrowRight") keys[at + 1]?.focus();
    if (key === "ArrowLeft") keys[at - 1]?.focus();
    const other = key === "ArrowDown" ? rows[row + 1] : key === "ArrowUp" ? rows[row - 1] : undefined;
    if (other) other[Math.round((at / (keys.length - 1)) * (other.length - 1))].focus();
  }
}

const page = new Page();
try {
  await page.model.load();
  page.model.changes.resume();
  await page.arrivals.load();
  if (page.model.task) await page.archiving.watch(page.model.task);
  else if (page.model.state === "archived") page.archiving.finished();
  find("draft").dataset.ready = "yes";
} catch (error) {
  sayTrouble(error);
}
