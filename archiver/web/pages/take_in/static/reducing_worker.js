// Small pictures of JPEG files, decoded at reduced size by the browser itself: libjpeg-turbo leaves
// out the finer coefficients, as it does for the server (archiver.photo.small_picture). What comes of
// it is the stored picture, as the server's small one: EXIF turns it later, by the page's tables.
const SIDE = 360; // archiver.web.pages.take_in.upload.SMALL_SIDE
// As many pixels as the server takes (archiver.photo.camera_file.Limits).
const MOST_PIXELS = 120e6;
const SOI = 0xffd8;
const APP1 = 0xffe1;
const SOS = 0xffda;
// Frames of 8-bit Huffman JPEG: baseline, extended sequential, progressive (ITU-T T.81, B.1.1.3).
const FRAMES = [0xffc0, 0xffc1, 0xffc2];

self.addEventListener("message", async ({ data: { n, file } }) => {
  let made = null;
  try {
    made = await small(await file.arrayBuffer());
  } catch {
    // What the browser cannot decode is left to the server, which tells what is wrong with it.
  }
  self.postMessage({ n, made }, { transfer: made ? [made.bitmap] : [] });
});

/** @param {ArrayBuffer} octets */
async function small(octets) {
  const size = prepared(new DataView(octets));
  if (!size || size.columns * size.rows > MOST_PIXELS) return null;
  const longer = Math.max(size.columns, size.rows);
  const reduction = [8, 4, 2].find((by) => longer >= by * SIDE) ?? 1;
  const decoder = new ImageDecoder({
    type: "image/jpeg",
    data: octets,
    transfer: [octets],
    desiredWidth: Math.ceil(size.columns / reduction),
    desiredHeight: Math.ceil(size.rows / reduction),
  });
  try {
    const { image } = await decoder.decode();
    try {
      const scale = Math.min(1, SIDE / longer);
      const bitmap = await createImageBitmap(image, {
        resizeWidth: Math.max(1, Math.round(size.columns * scale)),
        resizeHeight: Math.max(1, Math.round(size.rows * scale)),
        resizeQuality: "medium",
      });
      return { ...size, bitmap };
    } finally {
      image.close();
    }
  } finally {
    decoder.close();
  }
}

/**
 * Returns columns and rows, and spoils the name of every APP1 segment, so that the decoder neither
 * turns nor stretches by EXIF; the colour profile, in APP2, stays. Null for what is another kind.
 * @param {DataView} view
 */
function prepared(view) {
  if (view.byteLength < 4 || view.getUint16(0) !== SOI) return null;
  for (let at = 2; at + 10 < view.byteLength; ) {
    const marker = view.getUint16(at);
    if (marker === 0xffff) {
      at += 1; // fill bytes may precede a marker
      continue;
    }
    if (FRAMES.includes(marker)) {
      const [bits, parts] = [view.getUint8(at + 4), view.getUint8(at + 9)];
      const good = bits === 8 && (parts === 1 || parts === 3);
      return good ? { columns: view.getUint16(at + 7), rows: view.getUint16(at + 5) } : null;
    }
    if (marker < 0xff01 || marker === SOS) return null;
    if (marker === APP1) view.setUint8(at + 4, 0);
    at += 2 + view.getUint16(at + 2);
  }
  return null;
}
