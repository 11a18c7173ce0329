// Follows long work: how far it is, cancel, and on to what came of it.
import { one } from "/static/elements.js";
import { sayTrouble } from "/static/messages.js";
import { cancel, follow } from "/static/task.js";
import { t } from "/static/words.js";

const task = one(document, "[data-task]", HTMLElement).dataset.task ?? "";
const words = one(document, "#task-words", HTMLElement);
const bar = one(document, "#task-bar", HTMLProgressElement);
const count = one(document, "#task-count", HTMLElement);
const stop = one(document, "#task-cancel", HTMLButtonElement);
const state = one(document, "#task-state", HTMLElement);

stop.addEventListener("click", async () => {
  stop.disabled = true;
  try {
    await cancel(task);
  } catch (error) {
    stop.disabled = false;
    sayTrouble(error);
  }
});

stop.disabled = false;
const last = await follow(task, (now) => {
  if (now.words) words.textContent = now.words;
  if (now.total) {
    bar.max = now.total;
    bar.value = now.done;
    count.textContent = t("task.of", { done: now.done, total: now.total });
  }
});
if (last.state === "done") {
  location.replace(last.result.where ?? location.href);
} else {
  const told = last.problems?.length ? last.problems.join(" ") : t(`task.${last.state}`);
  words.textContent = told;
  state.textContent = told;
  bar.hidden = true;
  count.hidden = true;
  stop.hidden = true;
  one(document, "#task-back", HTMLElement).hidden = false;
}
