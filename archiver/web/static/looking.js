// Whether a person can have looked at a picture: no answer about it counts before it was whole in
// view for a while, and none by the key or the pointer that gave the last answer.

// Milliseconds that a picture is whole in view before it may be answered.
const ENOUGH = 700;
// Parts of a picture that count as all of it; layout rounds to pixels.
const WHOLE = 0.98;
// Pixels that a pointer moves before it is a new one.
const MOVED = 3;

export class Looking extends EventTarget {
  /**
   * @param {HTMLElement} frame what has to be whole in view
   * @param {HTMLImageElement} image what is in it
   */
  constructor(frame, image) {
    super();
    this.image = image;
    this.whole = false;
    this.seen = false;
    this.fresh = true;
    this.touch = false; // whether a finger gave the last answer; it does not stay where it was
    this.at = [0, 0];
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.waiting = undefined;
    new IntersectionObserver((entries) => {
      this.whole = (entries.at(-1)?.intersectionRatio ?? 0) >= WHOLE;
      this.look();
    }, { threshold: [0, 0.5, 0.9, WHOLE, 1] }).observe(frame);
    // A sharper one has taken its place, or another picture.
    image.addEventListener("load", () => this.again());
    document.addEventListener("visibilitychange", () => this.look());
    document.addEventListener("keyup", () => this.freshen());
    document.addEventListener("pointerdown", (event) => {
      this.touch = event.pointerType === "touch";
      if (this.touch) this.freshen();
    }, true);
    document.addEventListener("pointermove", (event) => {
      const [x, y] = this.at;
      if (Math.hypot(event.clientX - x, event.clientY - y) < MOVED) return;
      this.at = [event.clientX, event.clientY];
      this.freshen();
    }, true);
    // A key that is held down is one answer.
    document.addEventListener("keydown", (event) => {
      this.touch = false;
      if (event.repeat && ["Enter", " "].includes(event.key)) event.preventDefault();
    }, true);
  }

  get ready() {
    return this.seen && this.fresh;
  }

  // Something else is shown or asked: it has to be looked at anew.
  again() {
    clearTimeout(this.waiting);
    this.waiting = undefined;
    this.seen = false;
    this.tell();
    this.look();
  }

  // An answer was given: the next takes a new key or a pointer that has moved.
  answered() {
    this.fresh = this.touch;
    this.again();
  }

  async look() {
    const there = () => this.whole && this.image.complete && this.image.naturalWidth > 0 && !document.hidden;
    if (!there()) {
      clearTimeout(this.waiting);
      this.waiting = undefined;
      return;
    }
    if (this.seen || this.waiting !== undefined) return;
    this.waiting = setTimeout(async () => {
      const decoded = await this.image.decode().then(() => true, () => false);
      this.waiting = undefined;
      if (!decoded || !there()) return;
      this.seen = true;
      this.tell();
    }, ENOUGH);
  }

  freshen() {
    if (this.fresh) return;
    this.fresh = true;
    this.tell();
  }

  tell() {
    this.dispatchEvent(new Event("changed"));
  }
}
