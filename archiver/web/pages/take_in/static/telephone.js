// The page of a telephone that was let in by a link: pictures go to the visit, one after the other.
import { call, reason, Trouble } from "/static/calling.js";
import { every } from "/static/elements.js";
import { t } from "/static/words.js";
import { make } from "./dom.js";

// Milliseconds until a file is sent again to a server that did not answer.
const AGAIN = 1500;

/** @type {Promise<void>} */
let before = Promise.resolve();

/** @param {File} file */
function bring(file) {
  const line = make("li", "", t("telephone.sending", { name: file.name }));
  document.getElementById("brought")?.prepend(line);
  before = before.then(() => send(file, line));
}

/**
 * @param {File} file
 * @param {HTMLElement} line
 */
async function send(file, line) {
  for (;;) {
    try {
      const headers = { "X-File-Name": encodeURIComponent(file.name), "Content-Type": "application/octet-stream" };
      await call("/telephone", { method: "PUT", body: file, headers });
      line.textContent = t("telephone.there", { name: file.name });
      return;
    } catch (error) {
      const isAway = error instanceof Trouble && error.status === 0;
      line.textContent = isAway ? t("telephone.waiting", { name: file.name }) : `${file.name}: ${reason(error)}`;
      line.className = isAway ? "" : "line-bad";
      if (!isAway) return;
      await new Promise((done) => setTimeout(done, AGAIN));
    }
  }
}

for (const field of every(document, ".telephone-way input", HTMLInputElement)) {
  field.disabled = false;
  field.addEventListener("change", () => {
    const files = [...(field.files ?? [])];
    field.value = "";
    files.forEach(bring);
  });
}
