// The list of drafts: throwing one away asks first.
import { callJson } from "../calling.js";
import { sayTrouble } from "../messages.js";
import { t } from "../words.js";

for (const button of document.querySelectorAll("[data-discard]")) {
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
