// Long work: follows a task by server-sent events until it has ended, and can cancel it.
// `changed` gets every snapshot {state, done, total, words, problems, result}.
import { call } from "./calling.js";

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
      if (source.readyState === EventSource.CLOSED) resolve({ state: "lost", problems: [] });
    });
  });
}

export function cancel(id) {
  return call(`/tasks/${id}/cancel`, { method: "POST" });
}
