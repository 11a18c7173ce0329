// The page of one draft: files come in, are told what they show, and are archived.
import { sayTrouble } from "../messages.js";
import { t } from "../words.js";
import { Archiving } from "./archiving.js";
import { Asking } from "./asking.js";
import { Cropping } from "./cropping.js";
import { find, make } from "./dom.js";
import { dropped, pictures, putInOrder, send } from "./files.js";
import { Keys } from "./keys.js";
import { Meaning } from "./meaning.js";
import { Model } from "./model.js";
import { Reducing } from "./reducing.js";
import { Stage } from "./stage.js";
import { Strip } from "./strip.js";
import { begin } from "./turning.js";
import { Wanted } from "./wanted.js";
import { Whom } from "./whom.js";

// Pictures that are drawn as each arrives, and the milliseconds between drawings of the others.
const AT_ONCE = 4;
const PAUSE = 250;

class Page {
  constructor() {
    const root = find("draft");
    const known = JSON.parse(root.dataset.known);
    begin(known);
    this.model = new Model(root.dataset.id, known);
    this.asking = new Asking(this.model);
    this.strip = new Strip(this.model);
    this.stage = new Stage(this.model, this.asking);
    this.cropping = new Cropping(this.model, this.stage);
    this.meaning = new Meaning(this.model, this.asking);
    this.wanted = new Wanted(this.model);
    this.whom = new Whom(this.model, this.wanted);
    this.archiving = new Archiving(this.model);
    this.keys = new Keys(this);
    this.reducing = new Reducing();
    this.due = false;
    this.model.addEventListener("changed", () => this.soon());
    this.model.addEventListener("arrived", () => this.later());
    this.model.addEventListener("trouble", (event) => sayTrouble(event.detail));
    this.listen();
  }

  listen() {
    find("undo").addEventListener("click", () => this.model.change({ undo: true }).catch(() => {}));
    find("redo").addEventListener("click", () => this.model.change({ redo: true }).catch(() => {}));
    find("pick-folder").addEventListener("click", () => find("folder").click());
    find("pick-files").addEventListener("click", () => find("files").click());
    find("add-files").addEventListener("click", () => find("files").click());
    find("refused-close").addEventListener("click", () => {
      find("refused").hidden = true;
      find("refused-list").replaceChildren();
    });
    for (const id of ["folder", "files"]) {
      find(id).addEventListener("change", (event) => {
        const files = [...event.target.files];
        event.target.value = "";
        this.add(files);
      });
    }
    for (const button of document.querySelectorAll("[data-close]")) {
      button.addEventListener("click", () => button.closest("dialog").close());
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
      this.add(await dropped(event.dataTransfer));
    });
    window.addEventListener("beforeunload", (event) => {
      if (this.model.busy) event.preventDefault();
    });
  }

  async add(files) {
    const wanted = pictures(files);
    if (this.model.state !== "open" || wanted.length === 0) return;
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
        this.refuse(row.file.name, error.message);
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
      this.waiting = null;
      this.soon();
    }, PAUSE);
  }

  draw() {
    const { model } = this;
    const empty = model.order.length === 0 && model.coming.every((row) => row.done);
    find("drop").hidden = !empty;
    find("work").hidden = empty;
    find("work").classList.toggle("work-waiting", model.order.length === 0);
    find("undo").disabled = !model.undo || model.state !== "open";
    find("redo").disabled = !model.redo || model.state !== "open";
    find("add-files").hidden = empty || model.state !== "open";
    const kept = model.away ? "take_in.away" : model.unsent || model.busy ? "take_in.keeping" : "take_in.kept";
    find("kept").textContent = empty ? "" : t(model.state === "archived" ? "take_in.all_archived" : kept);
    find("kept").classList.toggle("kept-away", model.away);
    for (const part of [this.stage, this.cropping, this.asking, this.meaning]) part.draw();
    // The picture that is worked on comes first, the row of all pictures behind it.
    clearTimeout(this.rest);
    this.rest = setTimeout(() => {
      for (const part of [this.strip, this.whom, this.wanted, this.archiving]) part.draw();
    });
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
    const every = model.chosen.size === model.order.length;
    model.chosen = new Set(every ? [model.current] : model.order);
    model.tell();
  }

  mirror() {
    if (this.asking.otherWay()) return;
    this.meaning.say({ mirror: !(this.model.shown.said.mirror ?? false) });
  }

  behind() {
    this.asking.turnRound();
  }

  gridStep(event) {
    const keys = [...event.target.closest(".teeth-row").querySelectorAll(".tooth-key")];
    const rows = [...document.querySelectorAll(".teeth-row")];
    const at = keys.indexOf(event.target);
    const row = rows.indexOf(event.target.closest(".teeth-row"));
    event.preventDefault();
    if (event.key === "ArrowRight") keys[at + 1]?.focus();
    if (event.key === "ArrowLeft") keys[at - 1]?.focus();
    const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    const other = rows[row + by]?.querySelectorAll(".tooth-key");
    if (other) other[Math.round((at / (keys.length - 1)) * (other.length - 1))].focus();
  }
}

const page = new Page();
try {
  await page.model.load();
  page.model.resume();
  if (page.model.task) await page.archiving.watch(page.model.task);
  else if (page.model.state === "archived") page.archiving.finished();
  find("draft").dataset.ready = "yes";
} catch (error) {
  sayTrouble(error);
}
