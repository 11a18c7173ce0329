// Texts of the catalogue for modules; the keys are those of templates.
import texts from "/words.js";

// As in archiver/wording/catalogue.py: what is said of one, and of any other number.
const PLURAL = /\{(\w+)\|((?:[^{}|]|\{\w+\})*)\|((?:[^{}|]|\{\w+\})*)\}/g;

/**
 * @param {string} key
 * @param {Record<string, unknown>} [values]
 * @returns {string}
 */
export function t(key, values = {}) {
  const text = texts[key];
  if (text === undefined) throw new Error(`no words for ${key}`);
  return text
    .replace(PLURAL, (_, name, one, other) => (Number(values[name]) === 1 ? one : other))
    .replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}
