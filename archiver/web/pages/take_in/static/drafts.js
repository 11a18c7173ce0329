// The list of drafts: throwing one away asks first.
import { callJson } from "/static/calling.js";
import { every } from "/static/elements.js";
import { sayTrouble } from "/static/messages.js";
import { t } from "/static/words.js";

for (const button of every(document, "[data-discard]", HTMLElement)) {
  button.addEventListener("click", async () => {
    const { discard, state, pictures } = button.dataset;
    const asked = state === "archived" || window.confirm(t("take_in.discard_sure", { n: pictures }));
    if (!asked) return;
    try {
      await callJson(`/take-in/${discard}/discard`, { method: "POST", body: {} });
      location.reload();
    } catch (error) {
      sayTrouble(error);
    }
  });
}
