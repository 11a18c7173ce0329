// When a camera says that it took a picture (EXIF DateTimeOriginal), read from the first bytes of
// a JPEG. It only decides in which order files are sent; the server reads all of it again.
const FIRST = 128 * 1024;

export async function captureTime(file) {
  try {
    const view = new DataView(await file.slice(0, FIRST).arrayBuffer());
    if (view.getUint16(0) !== 0xffd8) return "";
    for (let at = 2; at + 10 < view.byteLength; ) {
      const marker = view.getUint16(at);
      const length = view.getUint16(at + 2);
      if (marker === 0xffe1 && view.getUint32(at + 4) === 0x45786966) return exifTime(view, at + 10);
      if (marker < 0xff01 || marker === 0xffda) return "";
      at += 2 + length;
    }
  } catch {
    // A file that is cut short or no picture says nothing; the server tells what is wrong with it.
  }
  return "";
}

function exifTime(view, base) {
  const little = view.getUint16(base) === 0x4949;
  const main = entries(view, base, base + view.getUint32(base + 4, little), little);
  const exif = main.get(0x8769);
  if (exif === undefined) return "";
  const inner = entries(view, base, base + view.getUint32(exif + 8, little), little);
  return text(view, base, inner.get(0x9003), little) + text(view, base, inner.get(0x9291), little);
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
