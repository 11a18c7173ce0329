// Pictures that come by themselves: from which folder, and each as soon as the server has it.
import { callJson, reasons } from "/static/calling.js";
import { t } from "/static/words.js";
import { find, make, press } from "./dom.js";
import { qrCode } from "./qr_code.js";

/** @import { ArrivalState, Folder } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */

export class Arrivals {
  /**
   * @param {Model} model
   * @param {(name: string, words: string) => void} refuse tells of a file that was not taken
   */
  constructor(model, refuse) {
    this.model = model;
    this.refuse = refuse;
    /** @type {Folder[]} */
    this.folders = [];
    /** @type {EventSource | null} */
    this.source = null;
    this.telephone = false; // whether one brings pictures
    this.coded = false; // whether a code was shown, which one may open
    /** @type {Set<string>} */
    this.told = new Set();
    this.box = find("receive");
    find("receive-code").addEventListener("click", () => this.showCode());
    find("receive-separator").addEventListener("click", () => this.showSeparator());
    find("receive-open").addEventListener("click", () => this.open());
    find("receiving-stop").addEventListener("click", () => this.ask({ on: false }));
  }

  async load() {
    this.take(await callJson(`/take-in/${this.model.id}/arrivals`));
  }

  draw() {
    const open = this.model.state === "open";
    find("receive-open").disabled = find("receive-code").disabled = find("receive-separator").disabled = !open;
    find("receiving-stop").disabled = !open;
    if (!open) this.follow(false);
    const on = open ? this.folders.find((one) => one.on) : undefined;
    const words = on ? [t("take_in.receiving", { name: on.name })] : [];
    if (open && this.telephone) words.push(t("take_in.receiving_telephone"));
    find("receiving").hidden = !words.length;
    if (find("receiving-words").textContent !== words.join(" ")) find("receiving-words").textContent = words.join(" ");
    const lines = (on?.waiting ?? []).map((name) => make("li", "", t("take_in.receive_waiting", { name })));
    find("receiving-waiting").replaceChildren(...lines);
  }

  async showCode() {
    try {
      /** @type {{ url: string, code: string[], here_only: boolean }} */
      const { url, code, here_only } = await callJson(`/take-in/${this.model.id}/telephone`, { method: "POST", body: {} });
      const lines = [make("p", "", t("take_in.receive_code_hint")), make("p", "quiet", url)];
      if (here_only) lines.push(make("p", "problems", t("take_in.receive_code_here")));
      find("receive-drawn").replaceChildren(qrCode(code, t("take_in.receive_code_drawn")), ...lines);
      this.coded = true;
      this.follow(true);
    } catch (error) {
      this.problems(error);
    }
  }

  async showSeparator() {
    try {
      /** @type {{ code: string[] }} */
      const { code } = await callJson(`/take-in/${this.model.id}/separator`);
      find("receive-drawn").replaceChildren(qrCode(code, t("take_in.separator_drawn")), make("p", "", t("take_in.separator_hint")));
    } catch (error) {
      this.problems(error);
    }
  }

  async open() {
    find("receive-drawn").replaceChildren();
    find("receive-problems").replaceChildren();
    this.box.showModal();
    try {
      await this.load();
    } catch (error) {
      this.problems(error);
    }
  }

  /** @param {unknown} error */
  problems(error) {
    find("receive-problems").replaceChildren(...reasons(error).map((line) => make("li", "", line)));
  }

  /** @param {{ on: boolean, folder?: string, with_those_there?: boolean }} body */
  async ask(body) {
    try {
      if (!body.on) this.coded = false;
      this.take(await callJson(`/take-in/${this.model.id}/arrivals`, { method: "POST", body }));
      this.box.close();
    } catch (error) {
      this.problems(error);
    }
  }

  /** @param {ArrivalState} state */
  take(state) {
    this.folders = state.folders;
    this.model.separators = state.separators;
    this.model.pauses = state.pauses;
    const rows = this.folders.filter((one) => !one.on).map((one) => this.row(one));
    find("receive-folders").replaceChildren(...rows);
    for (const one of this.folders) for (const { name, words } of one.refused) {
      if (this.told.has(name)) continue;
      this.told.add(name);
      this.refuse(name, words);
    }
    this.telephone = state.telephone;
    this.follow(this.telephone || this.coded || this.folders.some((one) => one.on));
    this.draw();
  }

  /** @param {Folder} one */
  row(one) {
    const item = make("li", "cluster");
    item.append(press(t("take_in.receive_from", { name: one.name }), "button-main", () => this.ask({ on: true, folder: one.name })));
    if (one.there) {
      item.append(press(t("take_in.receive_with", { n: one.there }), "", () => this.ask({ on: true, folder: one.name, with_those_there: true })));
    }
    const words = one.missing ? "take_in.receive_missing" : one.elsewhere ? "take_in.receive_elsewhere" : "";
    if (words) item.append(make("span", "quiet", t(words)));
    return item;
  }

  // The server tells of every picture that has come, and of every one that it has judged.
  /** @param {boolean} wanted */
  follow(wanted) {
    if (!wanted) {
      this.source?.close();
      this.source = null;
      return;
    }
    if (this.source) return;
    this.source = new EventSource(`/take-in/${this.model.id}/events`);
    this.source.addEventListener("message", (event) => this.heard(JSON.parse(event.data)));
  }

  /** @param {ArrivalState} state */
  async heard(state) {
    this.take(state);
    const { model } = this;
    const again = Object.entries(state.again ?? {});
    // What this page itself sends it learns of by the answers.
    if (!model.busy && again.some(([digest]) => !model.pictures.has(digest))) await model.load().catch(() => {});
    for (const [digest, words] of again) {
      const picture = model.pictures.get(digest);
      if (picture) picture.again = words;
    }
    model.tell();
  }
}
