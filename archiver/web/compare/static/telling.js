// What the server says of a comparison, as notices and lines.
import { icon } from "/static/icons.js";
import { t } from "/static/words.js";
import { make } from "./pane.js";

// `kind`: "bad" or "attention".
export function notice(words, kind) {
  const box = make("p", `notice notice-${kind} notice-small`);
  box.append(icon("warning"), make("span", "", words));
  return box;
}

// `facts` is what archiver.web.compare.telling.outcome_json gives; undefined while at work.
// `of` stands before each line, where several pictures are told of.
export function doubts(facts, of) {
  return (facts?.doubts ?? []).map(([kind, words]) => notice(of + words, kind));
}

export function figures(facts, of) {
  return (facts?.figures ?? []).map((line) => make("p", "", of + line));
}

export function busy(done, total) {
  const box = make("div", "notice notice-small working");
  const bar = make("progress");
  bar.max = total;
  if (done) bar.value = done;
  bar.setAttribute("aria-label", t("compare.working_begun"));
  box.append(make("span", "", t("compare.working", { done, total })), bar);
  return box;
}
