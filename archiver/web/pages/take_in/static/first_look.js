// What the first bytes of a JPEG tell: when the camera says that it took the picture (EXIF
// DateTimeOriginal), and the small picture that it put in. The time only decides in which order
// files are sent, and the small picture only stands in until the file itself was read: the server
// reads all of it again.
const FIRST = 64 * 1024 + 4096;
const NOTHING = { time: "", turn: 1, preview: null };

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

function exif(view, base) {
  const little = view.getUint16(base) === 0x4949;
  const number = (at) => view.getUint32(at + 8, little);
  const first = base + view.getUint32(base + 4, little);
  const main = entries(view, base, first, little);
  const inner = main.has(0x8769) ? entries(view, base, base + number(main.get(0x8769)), little) : new Map();
  const time = text(view, base, inner.get(0x9003), little) + text(view, base, inner.get(0x9291), little);
  const next = view.getUint32(first + 2 + 12 * view.getUint16(first, little), little);
  const told = main.has(0x0112) ? view.getUint16(main.get(0x0112) + 8, little) : 1;
  const turn = told >= 1 && told <= 8 ? told : 1;
  return { time, turn, preview: next ? preview(view, base, base + next, little) : null };
}

// JPEGInterchangeFormat and its length, in the second directory.
function preview(view, base, at, little) {
  try {
    const second = entries(view, base, at, little);
    const [start, length] = [0x0201, 0x0202].map((tag) => view.getUint32(second.get(tag) + 8, little));
    const octets = view.buffer.slice(base + start, base + start + length);
    const whole = octets.byteLength === length && new DataView(octets).getUint16(0) === 0xffd8;
    return whole ? new Blob([octets], { type: "image/jpeg" }) : null;
  } catch {
    return null;
  }
}

function entries(view, base, at, little) {
  const found = new Map();
  const count = view.getUint16(at, little);
  for (let n = 0; n < count; n += 1) found.set(view.getUint16(at + 2 + 12 * n, little), at + 2 + 12 * n);
  return found;
}

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
