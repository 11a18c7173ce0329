// Long work: follows a task by server-sent events until it has ended, and can cancel it.
import { call } from "./calling.js";

// Milliseconds without an answer after which a server is told to be away.
const SILENT = 2500;

/**
 * @typedef {object} Snapshot
 * @property {string} state
 * @property {number} done
 * @property {number} total
 * @property {string} [words]
 * @property {string[]} [problems]
 * @property {any} [result] values of JSON, which the task of each kind gives when it is done
 */

/**
 * @param {string} id
 * @param {(snapshot: Snapshot) => void} changed gets every snapshot
 * @param {(away: boolean) => void} [away] is told when the server does not answer, and when it does again
 * @returns {Promise<Snapshot>} the last one
 */
export function follow(id, changed, away = () => {}) {
  return new Promise((resolve) => {
    const source = new EventSource(`/tasks/${id}/events`);
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    let silent;
    source.addEventListener("open", () => {
      clearTimeout(silent);
      silent = undefined;
      away(false);
    });
    source.addEventListener("message", (event) => {
      const snapshot = JSON.parse(event.data);
      changed(snapshot);
      if (snapshot.state !== "running") {
        source.close();
        resolve(snapshot);
      }
    });
    // The server ends a stream now and then; the browser comes back by itself, except after a
    // refusal, when there is nothing to come back to.
    source.addEventListener("error", () => {
      silent ??= setTimeout(() => away(true), SILENT);
      if (source.readyState === EventSource.CLOSED) resolve({ state: "lost", done: 0, total: 0, problems: [] });
    });
  });
}

/** @param {string} id */
export function cancel(id) {
  return call(`/tasks/${id}/cancel`, { method: "POST" });
}
