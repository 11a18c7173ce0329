// Asking the server: the session's token goes along, and an ended session is begun again or
// leads to log-in. Errors are told as `Trouble`, whose message is for the person; `answer` is all
// that the server told in JSON.
import { one } from "./elements.js";
import { t } from "./words.js";

export class Trouble extends Error {
  /**
   * @param {string} message
   * @param {number} status of HTTP; 0 where the server did not answer
   * @param {string[]} [problems]
   * @param {Record<string, any>} [answer]
   */
  constructor(message, status, problems = [], answer = {}) {
    super(message);
    this.status = status;
    this.problems = problems;
    this.answer = answer;
  }
}

const meta = () => one(document, 'meta[name="csrf"]', HTMLMetaElement);

/**
 * What went wrong, for the person.
 * @param {unknown} error
 */
export const reason = (error) => (error instanceof Error ? error.message : String(error));

/**
 * The same, a line for each problem that the server told.
 * @param {unknown} error
 */
export const reasons = (error) => (error instanceof Trouble && error.problems.length ? error.problems : [reason(error)]);

async function renew() {
  const answer = await fetch("/session", { headers: { Accept: "application/json" } });
  if (!answer.ok) {
    const to = encodeURIComponent(location.pathname + location.search);
    location.assign(`/login?to=${to}`);
    throw new Trouble(t("errors.login"), 401);
  }
  meta().content = (await answer.json()).csrf;
}

/**
 * @typedef {object} Asking
 * @property {string} [method]
 * @property {BodyInit | object | null} [body] a Blob, string, buffer, or values that JSON has
 * @property {Record<string, string>} [headers]
 * @property {AbortSignal} [signal]
 */

/**
 * @param {string} path
 * @param {Asking} [asking]
 * @returns {Promise<Response>}
 */
export async function call(path, { method = "GET", body, headers = {}, signal } = {}) {
  for (let again = false; ; again = true) {
    /** @type {Record<string, string>} */
    const sent = { Accept: "application/json", ...headers };
    if (method !== "GET") sent["X-CSRF-Token"] = meta().content;
    const plain = body !== null && typeof body === "object";
    const json = plain && !(body instanceof Blob) && !ArrayBuffer.isView(body) && !(body instanceof ArrayBuffer);
    if (json) sent["Content-Type"] = "application/json";
    const payload = json ? JSON.stringify(body) : /** @type {BodyInit | null | undefined} */ (body);
    let answer;
    try {
      answer = await fetch(path, { method, headers: sent, body: payload, signal });
    } catch (error) {
      if (error instanceof Error && error.name === "AbortError") throw error;
      throw new Trouble(t("errors.connection"), 0);
    }
    if (answer.ok) return answer;
    if (answer.headers.get("X-Session") === "ended" && !again) {
      await renew();
      continue;
    }
    /** @type {Record<string, any>} */
    let told;
    try {
      told = await answer.json();
    } catch {
      told = {};
    }
    const problems = told.problems ?? [];
    throw new Trouble(problems.join(" ") || t("errors.unexpected"), answer.status, problems, told);
  }
}

/**
 * The values of the answer; null where it has none.
 * @param {string} path
 * @param {Asking} [options]
 * @returns {Promise<any>}
 */
export async function callJson(path, options) {
  const answer = await call(path, options);
  return answer.status === 204 ? null : answer.json();
}
