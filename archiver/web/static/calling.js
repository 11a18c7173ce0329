// Asking the server: the session's token goes along, and an ended session is begun again or
// leads to log-in. Errors are told as `Trouble`, whose message is for the person; `answer` is all
// that the server told in JSON.
import { t } from "./words.js";

export class Trouble extends Error {
  constructor(message, status, problems = [], answer = {}) {
    super(message);
    this.status = status;
    this.problems = problems;
    this.answer = answer;
  }
}

const meta = () => document.querySelector('meta[name="csrf"]');

async function renew() {
  const answer = await fetch("/session", { headers: { Accept: "application/json" } });
  if (!answer.ok) {
    const to = encodeURIComponent(location.pathname + location.search);
    location.assign(`/login?to=${to}`);
    throw new Trouble(t("errors.login"), 401);
  }
  meta().content = (await answer.json()).csrf;
}

// `body` may be a Blob, FormData, string, or values that JSON has. Returns the Response.
export async function call(path, { method = "GET", body, headers = {}, signal } = {}) {
  for (let again = false; ; again = true) {
    const sent = { Accept: "application/json", ...headers };
    if (method !== "GET") sent["X-CSRF-Token"] = meta().content;
    let payload = body;
    const plain = body !== null && typeof body === "object";
    if (plain && !(body instanceof Blob) && !ArrayBuffer.isView(body) && !(body instanceof ArrayBuffer)) {
      payload = JSON.stringify(body);
      sent["Content-Type"] = "application/json";
    }
    let answer;
    try {
      answer = await fetch(path, { method, headers: sent, body: payload, signal });
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw new Trouble(t("errors.connection"), 0);
    }
    if (answer.ok) return answer;
    if (answer.headers.get("X-Session") === "ended" && !again) {
      await renew();
      continue;
    }
    let told = {};
    try {
      told = await answer.json();
    } catch {
      told = {};
    }
    const problems = told.problems ?? [];
    throw new Trouble(problems.join(" ") || t("errors.unexpected"), answer.status, problems, told);
  }
}

export async function callJson(path, options) {
  const answer = await call(path, options);
  return answer.status === 204 ? null : answer.json();
}
