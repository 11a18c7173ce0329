// Texts of the catalogue for modules; the keys are those of templates.
import texts from "/words.js";

/**
 * @param {string} key
 * @param {Record<string, unknown>} [values]
 * @returns {string}
 */
export function t(key, values = {}) {
  let text = texts[key];
  if (text === undefined) throw new Error(`no words for ${key}`);
  if (typeof text === "object") text = Number(values.n) === 1 ? text.one : text.other;
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}
