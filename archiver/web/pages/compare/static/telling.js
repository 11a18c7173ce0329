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

// `facts` is what archiver.web.pages.compare.descriptions.outcome_json gives; undefined while at work.
// `of` stands before each line, where several pictures are told of.
export function doubts(facts, of) {
  return (facts?.doubts ?? []).map(([kind, words]) => notice(of + words, kind));
}

export function figures(facts, of) {
  return (facts?.figures ?? []).map((line) => make("p", "", of + line));
}

function press(words, act) {
  const button = make("button", "", words);
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

// How far aligning is, which the person may stop and take up again.
export class Working {
  constructor(place, act) {
    this.place = place;
    this.act = act;
    this.bar = make("progress");
    this.bar.setAttribute("aria-label", t("compare.working_begun"));
    this.words = make("span");
    this.words.setAttribute("role", "status");
  }

  begin(total) {
    this.button = press(t("compare.stop"), () => {
      this.button.disabled = true;
      this.act.stop();
    });
    this.show(this.words, this.bar, this.button);
    this.at(0, total);
  }

  at(done, total) {
    this.bar.max = total;
    if (done) this.bar.value = done;
    else this.bar.removeAttribute("value");
    this.words.textContent = t("compare.working", { done, total });
  }

  stopped(done, total) {
    this.words.textContent = t("compare.stopped", { done, total });
    this.button = press(t("compare.go_on"), () => this.act.go());
    this.show(this.words, this.button);
    this.button.focus();
  }

  end() {
    this.place.hidden = true;
  }

  show(...parts) {
    const box = make("div", "notice notice-small working");
    box.append(...parts);
    this.place.replaceChildren(box);
    this.place.hidden = false;
  }
}
