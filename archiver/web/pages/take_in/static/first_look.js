// What the first bytes of a JPEG tell: when the camera says that it took the picture (EXIF
// DateTimeOriginal), and the small picture that it put in. The time only decides in which order
// files are sent, and the small picture only stands in until the file itself was read: the server
// reads all of it again.
const FIRST = 64 * 1024 + 4096;

/** @typedef {{ time: string, turn: number, preview: Blob | null }} FirstLook */

/** @type {FirstLook} */
const NOTHING = { time: "", turn: 1, preview: null };

/**
 * @param {Blob} file
 * @returns {Promise<FirstLook>}
 */
export async function firstLook(file) {
  try {
    const view = new DataView(await file.slice(0, FIRST).arrayBuffer());
    if (view.getUint16(0) !== 0xffd8) return NOTHING;
    for (let at = 2; at + 10 < view.byteLength; ) {
      const marker = view.getUint16(at);
      const length = view.getUint16(at + 2);
      if (marker === 0xffe1 && view.getUint32(at + 4) === 0x45786966) return exif(view, at + 10);
      if (marker < 0xff01 || marker === 0xffda) return NOTHING;
      at += 2 + length;
    }
  } catch {
    // A file that is cut short or no picture says nothing; the server tells what is wrong with it.
  }
  return NOTHING;
}

/**
 * @param {DataView<ArrayBuffer>} view
 * @param {number} base
 * @returns {FirstLook}
 */
function exif(view, base) {
  const little = view.getUint16(base) === 0x4949;
  /** @param {number} at of an entry */
  const number = (at) => view.getUint32(at + 8, little);
  const first = base + view.getUint32(base + 4, little);
  const main = entries(view, first, little);
  const further = main.get(0x8769);
  const inner = further === undefined ? new Map() : entries(view, base + number(further), little);
  const time = text(view, base, inner.get(0x9003), little) + text(view, base, inner.get(0x9291), little);
  const next = view.getUint32(first + 2 + 12 * view.getUint16(first, little), little);
  const orientation = main.get(0x0112);
  const told = orientation === undefined ? 1 : view.getUint16(orientation + 8, little);
  const turn = told >= 1 && told <= 8 ? told : 1;
  return { time, turn, preview: next ? preview(view, base, base + next, little) : null };
}

/**
 * JPEGInterchangeFormat and its length, in the second directory.
 * @param {DataView<ArrayBuffer>} view
 * @param {number} base
 * @param {number} at
 * @param {boolean} little
 */
function preview(view, base, at, little) {
  try {
    const second = entries(view, at, little);
    const [from, size] = [second.get(0x0201), second.get(0x0202)];
    if (from === undefined || size === undefined) return null;
    const [start, length] = [from, size].map((entry) => view.getUint32(entry + 8, little));
    const octets = view.buffer.slice(base + start, base + start + length);
    const whole = octets.byteLength === length && new DataView(octets).getUint16(0) === 0xffd8;
    return whole ? new Blob([octets], { type: "image/jpeg" }) : null;
  } catch {
    return null;
  }
}

/**
 * Where the entry of each tag is.
 * @param {DataView} view
 * @param {number} at
 * @param {boolean} little
 */
function entries(view, at, little) {
  /** @type {Map<number, number>} */
  const found = new Map();
  const count = view.getUint16(at, little);
  for (let n = 0; n < count; n += 1) found.set(view.getUint16(at + 2 + 12 * n, little), at + 2 + 12 * n);
  return found;
}

/**
 * @param {DataView} view
 * @param {number} base
 * @param {number | undefined} at
 * @param {boolean} little
 */
function text(view, base, at, little) {
  if (at === undefined) return "";
  const count = view.getUint32(at + 4, little);
  const start = count > 4 ? base + view.getUint32(at + 8, little) : at + 8;
  let words = "";
  for (let n = 0; n < count && n < 40; n += 1) {
    const code = view.getUint8(start + n);
    if (code === 0) break;
    words += String.fromCharCode(code);
  }
  return words;
}
