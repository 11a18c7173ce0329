// What the server answers at /words.js: the catalogue.
declare const texts: Record<string, string>;
export default texts;
