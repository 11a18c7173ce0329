// Follows an audit: how far it is, cancel, and on to the report.
import { sayTrouble } from "/static/messages.js";
import { cancel, follow } from "/static/task.js";
import { t } from "/static/words.js";

const box = document.querySelector("[data-task]");
const words = document.getElementById("task-words");
const bar = document.getElementById("task-bar");
const count = document.getElementById("task-count");
const stop = document.getElementById("task-cancel");
const state = document.getElementById("task-state");

stop.addEventListener("click", async () => {
  stop.disabled = true;
  try {
    await cancel(box.dataset.task);
  } catch (error) {
    stop.disabled = false;
    sayTrouble(error);
  }
});

stop.disabled = false;
const last = await follow(box.dataset.task, (now) => {
  if (now.words) words.textContent = now.words;
  if (now.total) {
    bar.max = now.total;
    bar.value = now.done;
    count.textContent = t("task.of", { done: now.done, total: now.total });
  }
});
if (last.state === "done") {
  location.replace(last.result.where);
} else {
  const told = last.problems?.length ? last.problems.join(" ") : t(`task.${last.state}`);
  words.textContent = told;
  state.textContent = told;
  bar.hidden = true;
  count.hidden = true;
  stop.hidden = true;
  document.getElementById("task-back").hidden = false;
}
