// What the server says of a comparison, as notices and lines.
import { icon } from "/static/icons.js";
import { t } from "/static/words.js";
import { make } from "./pane.js";

/** @import { Facts } from "./drawing.js" */

/**
 * @param {string} words
 * @param {string} kind "bad" or "attention"
 */
export function notice(words, kind) {
  const box = make("p", `notice notice-${kind} notice-small`);
  box.append(icon("warning"), make("span", "", words));
  return box;
}

/**
 * @param {Facts | undefined} facts undefined while at work
 * @param {string} of stands before each line, where several pictures are told of
 */
export function doubts(facts, of) {
  return (facts?.doubts ?? []).map(([kind, words]) => notice(of + words, kind));
}

/**
 * @param {Facts | undefined} facts
 * @param {string} of
 */
export function figures(facts, of) {
  return (facts?.figures ?? []).map((line) => make("p", "", of + line));
}

/**
 * @param {string} words
 * @param {() => void} act
 */
function press(words, act) {
  const button = make("button", "", words);
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

// How far aligning is, which the person may stop and take up again.
export class Working {
  /**
   * @param {HTMLElement} place
   * @param {{ stop: () => void, go: () => void }} act
   */
  constructor(place, act) {
    this.place = place;
    this.act = act;
    this.bar = make("progress");
    this.bar.setAttribute("aria-label", t("compare.working_begun"));
    this.words = make("span");
    this.words.setAttribute("role", "status");
  }

  /** @param {number} total */
  begin(total) {
    const button = press(t("compare.stop"), () => {
      button.disabled = true;
      this.act.stop();
    });
    this.show(this.words, this.bar, button);
    this.at(0, total);
  }

  /**
   * @param {number} done
   * @param {number} total
   */
  at(done, total) {
    this.bar.max = total;
    if (done) this.bar.value = done;
    else this.bar.removeAttribute("value");
    this.words.textContent = t("compare.working", { done, total });
  }

  /**
   * @param {number} done
   * @param {number} total
   */
  stopped(done, total) {
    this.words.textContent = t("compare.stopped", { done, total });
    const button = press(t("compare.go_on"), () => this.act.go());
    this.show(this.words, button);
    button.focus();
  }

  end() {
    this.place.hidden = true;
  }

  /** @param {...HTMLElement} parts */
  show(...parts) {
    const box = make("div", "notice notice-small working");
    box.append(...parts);
    this.place.replaceChildren(box);
    this.place.hidden = false;
  }
}
