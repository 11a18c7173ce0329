// Long work: follows a task by server-sent events until it has ended, and can cancel it.
import { call } from "./calling.js";

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
 * @returns {Promise<Snapshot>} the last one
 */
export function follow(id, changed) {
  return new Promise((resolve) => {
    const source = new EventSource(`/tasks/${id}/events`);
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
      if (source.readyState === EventSource.CLOSED) resolve({ state: "lost", done: 0, total: 0, problems: [] });
    });
  });
}

/** @param {string} id */
export function cancel(id) {
  return call(`/tasks/${id}/cancel`, { method: "POST" });
}
