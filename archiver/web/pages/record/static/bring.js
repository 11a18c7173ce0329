// Files are brought one after the other, each as it is; what became of it stands beside its name.
import { call, reason } from "/static/calling.js";
import { one } from "/static/elements.js";
import { t } from "/static/words.js";

const chosen = one(document, "#files", HTMLInputElement);
const list = one(document, "#fates", HTMLElement);
const state = one(document, "#fate-state", HTMLElement);

/**
 * @param {File} file
 * @param {HTMLElement} told
 */
async function bring(file, told) {
  try {
    const headers = { "Content-Type": "application/dicom" };
    const fate = await (await call("/record/bring/file", { method: "POST", body: file, headers })).json();
    told.textContent = [fate.words, ...fate.problems].join(": ");
    return fate.kept;
  } catch (error) {
    told.textContent = reason(error);
    return false;
  }
}

async function bringAll() {
  const files = [...(chosen.files ?? [])];
  if (!files.length) return;
  chosen.disabled = true;
  let kept = 0;
  for (const [number, file] of files.entries()) {
    state.textContent = t("task.of", { done: number, total: files.length });
    const name = document.createElement("dt");
    name.append(Object.assign(document.createElement("bdi"), { textContent: file.name }));
    const told = document.createElement("dd");
    list.append(name, told);
    if (await bring(file, told)) kept += 1;
  }
  state.textContent = t("record.bring_done", { kept, n: files.length });
  chosen.value = "";
  chosen.disabled = false;
}

chosen.addEventListener("change", bringAll);
// Somebody may have been quicker than this module.
bringAll();
