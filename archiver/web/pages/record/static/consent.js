// A scanned form is kept as soon as it is chosen, and is then the paper of the consent.
import { call, reason } from "/static/calling.js";
import { one } from "/static/elements.js";

const scan = one(document, "#scan", HTMLInputElement);
const papers = one(document, "#form", HTMLSelectElement);
const told = one(document, "#scan-told", HTMLElement);

async function attach() {
  const file = scan.files?.[0];
  if (!file) return;
  try {
    const path = `${location.pathname}/form${location.search}`;
    const headers = { "Content-Type": "application/pdf" };
    const { uid } = await (await call(path, { method: "POST", body: file, headers })).json();
    papers.add(new Option(scan.dataset.new ?? "", uid, false, true));
    papers.value = uid;
    told.textContent = scan.dataset.new ?? "";
  } catch (error) {
    told.textContent = reason(error);
  }
}

scan.addEventListener("change", attach);
// Somebody may have been quicker than this module.
attach();
