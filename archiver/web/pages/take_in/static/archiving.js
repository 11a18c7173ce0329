// Archiving: what is still lacking, how far it is, and what became of each picture.
import { call, callJson, reason, Trouble } from "/static/calling.js";
import { cancel, follow } from "/static/task.js";
import { t } from "/static/words.js";
import { find, make, press } from "./dom.js";
import { unanswered } from "./weighing.js";

/** @import { Snapshot } from "/static/task.js" */
/** @import { Model } from "./model.js" */

export class Archiving {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.task = "";
    this.drawn = "";
    /** @type {Record<string, string[]>} by digest */
    this.lacking = {};
    find("archive").addEventListener("click", () => this.start());
    find("archiving-stop").addEventListener("click", () => this.stop());
    // Escape must not hide work that goes on.
    find("archiving").addEventListener("cancel", (event) => event.preventDefault());
  }

  ready() {
    const { model } = this;
    return model.state === "open" && model.taken.length > 0 && !model.busy;
  }

  draw() {
    const n = this.model.taken.length;
    const done = this.model.state === "archived";
    find("archive").disabled = !done && !this.ready();
    find("archive-words").textContent = done ? t("take_in.close_done") : n ? t("take_in.archive_n", { n }) : t("take_in.archive");
    this.drawResult();
  }

  drawResult() {
    const box = find("result");
    const result = this.model.shown?.result;
    const lacking = this.lacking[this.model.current] ?? [];
    box.hidden = !result && lacking.length === 0;
    const signature = JSON.stringify([result, lacking]);
    if (box.hidden || signature === this.drawn) return;
    this.drawn = signature;
    const lines = [...lacking, ...(result?.problems ?? [])].map((words) => make("li", "line-bad", words));
    lines.push(...(result?.warnings ?? []).map((words) => make("li", "line-look", words)));
    lines.push(...(result?.doubts ?? []).map((one) => make("li", "line-bad", t("take_in.doubt", one))));
    lines.push(...(result?.findings ?? []).map((one) => make("li", "line-look", one.words)));
    const status = result ? t(`take_in.result_${result.status}`) : t("take_in.lacking_here");
    const list = make("ul", "lines");
    list.append(...lines);
    box.replaceChildren(make("h2", "", status), lines.length ? list : make("p", "quiet", t("take_in.no_findings")));
  }

  async start() {
    const { model } = this;
    if (model.state === "archived") {
      await this.close();
      return;
    }
    if (!this.ready()) return;
    const open = model.taken.filter((digest) => !model.said(digest).confirmed_by);
    const lacking = model.taken.filter((digest) => model.follows(digest).lacks.length || model.follows(digest).problem);
    if (!model.patient.id || !model.visit.date) {
      this.tell(t("take_in.not_yet"), [t("take_in.needs_whom")], [[t("take_in.whom"), () => find("whom-open").click()]]);
    } else if (lacking.length) {
      this.tell(t("take_in.not_yet"), [t("take_in.needs_meaning", { n: lacking.length })], [[t("take_in.show_first"), () => model.show(lacking[0])]]);
    } else if (open.length || this.doubted().length) {
      const doubted = this.doubted();
      const lines = open.length ? [t("take_in.open_sides_words", { n: open.length })] : [];
      lines.push(...doubted.flatMap((digest) => this.reasons(digest)));
      this.tell(t(doubted.length ? "take_in.open_doubts" : "take_in.open_sides"), lines,
        [[t("take_in.show_first"), () => model.show(doubted[0] ?? open[0])], [t("take_in.archive_all_the_same"), () => this.begin()]]);
    } else {
      await this.begin();
    }
  }

  // Pictures with doubts that nobody has answered.
  doubted() {
    return this.model.taken.filter((digest) => unanswered(this.model.picture(digest).doubts).length);
  }

  /** @param {string} digest */
  reasons(digest) {
    const { name, doubts } = this.model.picture(digest);
    return unanswered(doubts).map(({ words }) => `${name}: ${t("take_in.doubt", { words })}`);
  }

  async begin() {
    this.lacking = {};
    try {
      const { task } = await callJson(`/take-in/${this.model.id}/archive`, { method: "POST", body: {} });
      await this.watch(task);
    } catch (error) {
      await this.notReady(error);
    }
  }

  /** @param {unknown} error */
  async notReady(error) {
    if (!(error instanceof Trouble)) throw error;
    const lines = [...error.problems];
    if (error.status === 422) {
      this.lacking = error.answer.pictures ?? {};
      const first = this.model.order.find((digest) => this.lacking[digest]);
      if (first) this.model.show(first);
      for (const [digest, words] of Object.entries(this.lacking)) {
        lines.push(`${this.model.pictures.get(digest)?.name ?? ""}: ${words.join(" ")}`);
      }
    }
    this.tell(t("take_in.not_yet"), lines.length ? lines : [error.message], []);
  }

  /** @param {string} task */
  async watch(task) {
    this.task = task;
    const box = find("archiving");
    find("archiving-stop").disabled = false;
    if (!box.open) box.showModal();
    const snapshot = await follow(task, (now) => {
      find("archiving-bar").max = Math.max(1, now.total);
      find("archiving-bar").value = now.done;
      find("archiving-words").textContent = t("take_in.archiving_words", { done: now.done, of: now.total });
    }, (away) => {
      find("archiving-away").hidden = !away;
    });
    find("archiving-away").hidden = true;
    box.close();
    await this.model.load();
    this.ended(snapshot);
  }

  async stop() {
    find("archiving-stop").disabled = true;
    find("archiving-words").textContent = t("take_in.stopping");
    await cancel(this.task).catch(() => {});
  }

  /** @param {Snapshot} snapshot */
  ended(snapshot) {
    const { model } = this;
    const refused = model.taken.filter((digest) => model.picture(digest).result?.status === "refused");
    if (model.state === "archived") {
      this.finished(snapshot.result?.consent ?? []);
    } else if (snapshot.state === "done") {
      model.show(refused[0]);
      this.tell(t("take_in.some_refused"), [t("take_in.some_refused_words", { n: refused.length })], []);
    } else if (snapshot.state === "cancelled") {
      this.tell(t("take_in.stopped"), [t("take_in.stopped_words")], []);
    } else {
      this.tell(t("take_in.failed"), [...(snapshot.problems ?? []), t("take_in.stopped_words")], []);
    }
  }

  /** @param {string[]} [consent] what became of a consent, where it was noted just now */
  finished(consent = []) {
    const { model } = this;
    const n = model.taken.length;
    const look = model.taken.filter((digest) => {
      const { result } = model.picture(digest);
      return result?.warnings.length || result?.findings.length || result?.doubts?.length;
    });
    const lines = [t("take_in.finished_words", { n })];
    if (look.length) lines.push(t("take_in.finished_look", { n: look.length }));
    lines.push(...consent);
    const out = model.order.length - n;
    if (out) lines.push(t("take_in.finished_out", { n: out }));
    /** @type {[string, () => unknown][]} */
    const acts = look.length ? [[t("take_in.show_first"), () => model.show(look[0])]] : [];
    acts.push([t("take_in.close_done"), () => this.close()]);
    this.tell(t("take_in.finished"), lines, acts);
  }

  async close() {
    try {
      const { where } = await (await call(`/take-in/${this.model.id}/discard`, { method: "POST", body: {} })).json();
      location.assign(where);
    } catch (error) {
      this.tell(t("take_in.failed"), [reason(error)], []);
    }
  }

  /**
   * @param {string} title
   * @param {string[]} lines
   * @param {[words: string, act: () => unknown][]} acts
   */
  tell(title, lines, acts) {
    const box = find("ending");
    find("ending-title").textContent = title;
    find("ending-body").replaceChildren(...lines.map((words) => make("p", "", words)));
    const made = acts.map(([words, done], n) => press(words, n === acts.length - 1 ? "button-main" : "", () => {
      box.close();
      done();
    }));
    made.push(press(t("site.close"), acts.length ? "" : "button-main", () => box.close()));
    find("ending-acts").replaceChildren(...made);
    if (!box.open) box.showModal();
  }
}
