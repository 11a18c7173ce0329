// Elements that a page has, of the kind that a module takes them for.

/**
 * The first within `root`; throws where there is none of that kind.
 * @template {Element} T
 * @param {ParentNode} root
 * @param {string} selector
 * @param {new () => T} kind
 * @returns {T}
 */
export function one(root, selector, kind) {
  const found = root.querySelector(selector);
  if (!(found instanceof kind)) throw new Error(`${selector} is no ${kind.name}`);
  return found;
}

/**
 * All within `root` that are of that kind.
 * @template {Element} T
 * @param {ParentNode} root
 * @param {string} selector
 * @param {new () => T} kind
 * @returns {T[]}
 */
export function every(root, selector, kind) {
  return [...root.querySelectorAll(selector)].flatMap((found) => (found instanceof kind ? [found] : []));
}

/**
 * The nearest that holds where something happened, or null.
 * @param {Event} event
 * @param {string} selector
 * @returns {HTMLElement | null}
 */
export function around(event, selector) {
  return event.target instanceof Element ? event.target.closest(selector) : null;
}
