// Patient and visit: from today's worklist, from the archive, or by hand.
import { callJson, reason, reasons } from "/static/calling.js";
import { t } from "/static/words.js";
import { find, make } from "./dom.js";

const PAUSE = 250;

/** @import { Change, Consent, Table } from "./draft_shapes.js" */
/** @import { Model } from "./model.js" */
/** @import { Wanted } from "./wanted.js" */

/** @typedef {{ patient: Table, visit: Table, study: Table, last?: string }} Person from archiver.web.pages.take_in.patient_choice */

export class Whom {
  /**
   * @param {Model} model
   * @param {Wanted} wanted
   */
  constructor(model, wanted) {
    this.model = model;
    this.wanted = wanted;
    this.box = find("whom");
    this.form = find("whom-form");
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.timer = undefined;
    this.toldOf = "";
    this.asked = ""; // days to come that were asked about
    find("whom-open").addEventListener("click", () => this.open());
    find("whom-search").addEventListener("input", () => this.later());
    find("whom-from")?.addEventListener("change", () => this.today());
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.takeForm();
    });
  }

  open() {
    if (this.model.state !== "open") return;
    this.fill(this.model);
    this.tellDoubt();
    this.box.showModal();
    if (find("whom-today")) this.today();
  }

  /** @param {{ patient?: Table, visit?: Table, consent?: Consent }} what */
  fill({ patient = {}, visit = {}, consent = {} }) {
    const name = (patient.name ?? "").split("^");
    /** @type {Record<string, string>} */
    const values = {
      family: name[0] ?? "",
      given: name.slice(1).filter(Boolean).join(" "),
    };
    for (const [key, value] of Object.entries(patient)) values[`patient.${key}`] = value;
    for (const [key, value] of Object.entries(visit)) values[`visit.${key}`] = value;
    values["visit.date"] ||= this.firstDay();
    values["consent.until"] = consent.until ?? "";
    find("consent").open = Boolean(consent.purposes);
    for (const field of this.form.elements) {
      if (!(field instanceof HTMLInputElement || field instanceof HTMLSelectElement)) continue;
      if (field instanceof HTMLInputElement && field.type === "checkbox") field.checked = (consent.purposes ?? []).includes(field.value);
      else if (field.name) field.value = values[field.name] ?? "";
    }
  }

  // The day on which the first picture was taken; today where none says.
  firstDay() {
    const captured = [...this.model.pictures.values()].map((one) => one.captured).filter(Boolean).sort();
    return captured.length ? captured[0].slice(0, 10) : this.model.today;
  }

  async today() {
    const list = find("whom-today");
    if (!list) return;
    const from = find("whom-from")?.value ?? list.dataset.worklist ?? "";
    list.replaceChildren(make("li", "quiet", t("site.loading")));
    try {
      /** @type {{ visits: Person[], left_out: string[] }} */
      const { visits, left_out } = await callJson(`/take-in/scheduled?${new URLSearchParams({ from })}`);
      list.replaceChildren(...visits.map((one) => this.person(one)));
      if (visits.length === 0) list.append(make("li", "quiet", t("take_in.nobody_today")));
      list.append(...left_out.map((line) => make("li", "problems", line)));
    } catch (error) {
      list.replaceChildren(make("li", "problems", reason(error)));
    }
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.search(), PAUSE);
  }

  async search() {
    const words = find("whom-search").value.trim();
    const list = find("whom-found");
    if (words.length < 2) {
      list.replaceChildren();
      return;
    }
    try {
      /** @type {{ patients: Person[] }} */
      const { patients } = await callJson("/take-in/patients", { method: "POST", body: { words } });
      if (find("whom-search").value.trim() !== words) return;
      list.replaceChildren(...patients.map((one) => this.person(one)));
      if (patients.length === 0) list.append(make("li", "quiet", t("take_in.nobody_found")));
    } catch (error) {
      list.replaceChildren(make("li", "problems", reason(error)));
    }
  }

  /** @param {Person} one */
  person(one) {
    const { patient, visit } = one;
    const item = make("li");
    const button = make("button", "person");
    button.type = "button";
    button.append(
      make("bdi", "whom-found", nameWords(patient.name) || patient.id),
      make("span", "quiet", [patient.id, patient.birth_date, patient.sex].filter(Boolean).join(" · ")),
      make("span", "quiet", visit.time || visit.description
        ? [visit.time?.slice(0, 5), visit.description].filter(Boolean).join(" · ")
        : one.last ? t("take_in.last_visit", { date: one.last }) : ""),
    );
    button.addEventListener("click", () => this.take(one));
    item.append(button);
    return item;
  }

  takeForm() {
    // The form has no files, only texts.
    const given = /** @type {Record<string, string>} */ (Object.fromEntries(new FormData(this.form)));
    /** @type {[Table, Table]} */
    const [patient, visit] = [{}, {}];
    for (const [key, value] of Object.entries(given)) {
      const [table, name] = key.split(".");
      if (table === "patient") patient[name] = value.trim();
      if (table === "visit") visit[name] = value.trim();
    }
    const names = [given.family.trim(), given.given.trim()];
    patient.name = names[0] || names[1] ? names.join("^") : "";
    // A study that was joined stays joined where the person stays the same.
    const isSame = patient.id === this.model.patient.id && (patient.issuer ?? "") === (this.model.patient.issuer ?? "");
    const consent = { purposes: new FormData(this.form).getAll("consent").map(String), until: given["consent.until"] };
    this.take({ patient, visit, study: isSame ? this.model.study : {} }, consent);
  }

  /**
   * Days to come are asked about once: the same press again says that they are right.
   * @param {Table} patient
   * @param {Table} visit
   */
  asksAboutTheFuture(patient, visit) {
    const { today } = this.model;
    const days = [["take_in.p_birth", patient.birth_date], ["take_in.v_date", visit.date]].filter(([, day]) => day && day > today);
    const asked = days.join();
    if (!asked || asked === this.asked) return false;
    this.asked = asked;
    const lines = days.map(([key, date]) => make("li", "", t("take_in.future", { what: t(key ?? ""), date })));
    find("whom-problems").replaceChildren(...lines);
    find("whom-problems").scrollIntoView({ block: "nearest" });
    return true;
  }

  /**
   * What is chosen from a list says nothing of consent; what was said stays while the patient does.
   * @param {Person} person
   * @param {Consent | null} [consent]
   */
  async take({ patient, visit, study }, consent = null) {
    const kept = { ...visit };
    kept.date ||= this.firstDay();
    if (this.asksAboutTheFuture(patient, kept)) return;
    /** @type {Change} */
    const change = { patient, visit: kept, study };
    if (consent && !same(consent, this.model.consent)) change.consent = consent;
    const rules = this.model.rules || this.wanted.guess(kept.description);
    if (rules !== this.model.rules) change.rules = rules;
    // As it stood when it was sent: what is typed while the server thinks belongs to the next press.
    const why = find("same-person").value.trim();
    try {
      await this.model.change(change);
      const wasTold = this.tellDoubt();
      const said = this.model.same_person.same_person_reason ?? "";
      if (this.model.whose.doubt && why !== said) await this.model.change({ same_person: why });
      if (!wasTold || (this.model.whose.doubt && !why)) {
        this.fill(this.model);
        return;
      }
      this.box.close();
      if (this.model.order.length) find("tiles").focus();
    } catch (error) {
      find("whom-problems").replaceChildren(...reasons(error).map((words) => make("li", "", words)));
      if (!consent) this.fill({ patient, visit: kept, consent: this.model.consent });
    }
  }

  // Tells whom the archive knows under the identifier; true once it was told before.
  tellDoubt() {
    const { doubt, notes } = this.model.whose;
    const lines = [...(doubt ? [doubt] : []), ...notes];
    const wasTold = lines.join("\n") === this.toldOf;
    this.toldOf = lines.join("\n");
    find("whom-problems").replaceChildren(...lines.map((words) => make("li", "", words)));
    find("same-person-field").hidden = !doubt;
    // A reason that was written for somebody else is nobody's.
    if (!wasTold) find("same-person").value = this.model.same_person.same_person_reason ?? "";
    return wasTold || lines.length === 0;
  }

  draw() {
    const { patient, visit } = this.model;
    find("whom-name").textContent = patient.id ? nameWords(patient.name) || patient.id : t("take_in.nobody");
    find("whom-name").translate = !patient.id;
    const words = [patient.name ? patient.id : "", patient.birth_date ? t("take_in.born", { date: patient.birth_date }) : "", visit.date ? t("take_in.visit_of", { date: visit.date }) : "", visit.description, this.model.consent.purposes ? t("take_in.consent_noted") : ""];
    find("whom-visit").textContent = words.filter(Boolean).join(" · ") || t("take_in.whom_hint");
  }
}

/**
 * Who noted a consent stays who did unless something else is said.
 * @param {Consent} given
 * @param {Consent} kept
 */
function same(given, kept) {
  /** @param {Consent} one */
  const purposes = (one) => [...(one.purposes ?? [])].sort().join();
  return purposes(given) === purposes(kept) && (!purposes(given) || (given.until || "") === (kept.until || ""));
}

/** @param {string} [name] */
export function nameWords(name) {
  const [family, ...rest] = (name ?? "").split("^");
  return [family, rest.filter(Boolean).join(" ")].filter(Boolean).join(", ");
}
