// Short names for what is done with the document all the time.

/**
 * Elements of draft.html whose kind matters; what stands there in some drafts only may be null.
 * @typedef {object} Kinds
 * @property {HTMLButtonElement} add-files
 * @property {HTMLButtonElement} archive
 * @property {HTMLDialogElement} archiving
 * @property {HTMLProgressElement} archiving-bar
 * @property {HTMLButtonElement} archiving-stop
 * @property {HTMLDetailsElement} consent
 * @property {HTMLInputElement} crop-height
 * @property {HTMLInputElement} crop-left
 * @property {HTMLButtonElement} crop-propose
 * @property {HTMLSelectElement} crop-ratio
 * @property {HTMLInputElement} crop-top
 * @property {HTMLSelectElement} crop-what
 * @property {HTMLInputElement} crop-width
 * @property {HTMLDialogElement} ending
 * @property {HTMLSelectElement} exif_orientation
 * @property {HTMLInputElement} files
 * @property {HTMLSelectElement} flipped
 * @property {HTMLInputElement} folder
 * @property {HTMLInputElement} ghost-strength
 * @property {HTMLDialogElement} keys
 * @property {HTMLInputElement} keys-on
 * @property {HTMLImageElement} large
 * @property {HTMLFormElement} meaning
 * @property {HTMLSelectElement} operator
 * @property {HTMLDialogElement} receive
 * @property {HTMLButtonElement} receive-code
 * @property {HTMLButtonElement} receive-open
 * @property {HTMLButtonElement} receive-separator
 * @property {HTMLButtonElement} receiving-stop
 * @property {HTMLButtonElement} redo
 * @property {HTMLSelectElement} rules
 * @property {HTMLInputElement} teeth
 * @property {HTMLSelectElement} top
 * @property {HTMLButtonElement} undo
 * @property {HTMLSelectElement} view
 * @property {HTMLInputElement} visit-teeth
 * @property {HTMLDialogElement} whom
 * @property {HTMLFormElement} whom-form
 * @property {HTMLSelectElement | null} whom-from
 * @property {HTMLInputElement} same-person
 * @property {HTMLInputElement} whom-search
 * @property {HTMLElement | null} whom-today
 */

/**
 * @template {string} K
 * @param {K} id
 */
export const find = (id) => /** @type {K extends keyof Kinds ? Kinds[K] : HTMLElement} */ (document.getElementById(id));

/**
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {string} [className]
 * @param {string} [text]
 */
export function make(tag, className = "", text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  // What a bdi holds is a name: nobody's words.
  if (tag === "bdi") made.translate = false;
  return made;
}

/**
 * @param {string} text
 * @param {string} className
 * @param {(event: MouseEvent) => unknown} act
 */
export function press(text, className, act) {
  const button = make("button", className, text);
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

const SVG = "http://www.w3.org/2000/svg";

/**
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, string | number>} [attributes]
 * @param {...Node} inside
 */
export function draw(tag, attributes = {}, ...inside) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, String(value));
  made.append(...inside);
  return made;
}
