// What the server answers at /words.js: the catalogue, with two forms where a count decides.
declare const texts: Record<string, string | { one: string; other: string }>;
export default texts;
