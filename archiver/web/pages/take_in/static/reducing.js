// Small pictures before the files were sent, where the browser can make them: `ImageDecoder` is
// there in secure contexts only, and not in every browser. Elsewhere, and for what is no JPEG, the
// server's small pictures are waited for.
import { make } from "./dom.js";

// More than there are cores, so that a file is read while others are decoded.
const AT_ONCE = Math.min(navigator.hardwareConcurrency || 1, 4) + 1;
// Pictures that are drawn as each is made, and the milliseconds between drawings of the others.
const FIRST = 6;
const PAUSE = 800;
// Milliseconds after which a picture is left to the server.
const PATIENCE = 20000;
// Files that are worth reading whole.
const JPEG = /\.jpe?g$/i;

/** @import { Row } from "./draft_shapes.js" */
/** @typedef {{ bitmap: ImageBitmap, columns: number, rows: number }} Small with the size of the picture itself */

export class Reducing {
  constructor() {
    /** @type {Worker | null} */
    this.worker = null;
    /** @type {Map<number, (found: Small | null) => void>} */
    this.waiting = new Map();
    this.count = 0;
    if (typeof ImageDecoder === "undefined") return;
    this.worker = new Worker(new URL("reducing_worker.js", import.meta.url), { type: "module" });
    this.worker.addEventListener("message", ({ data }) => this.waiting.get(data.n)?.(data.made));
    this.worker.addEventListener("error", () => {
      this.worker = null;
      for (const done of [...this.waiting.values()]) done(null);
    });
  }

  /**
   * Makes the small pictures of rows in order. Ends when all were tried.
   * @param {Row[]} rows
   * @param {(rows: Row[]) => void} made is told of those that have their `look` now
   */
  async make(rows, made) {
    const queue = rows.filter((row) => JPEG.test(row.file.name));
    /** @type {Row[]} */
    const ready = [];
    let [count, last] = [0, 0];
    /** @param {number} now */
    const tell = (now) => {
      // Each drawing of the page takes time that decoding needs: the first are drawn at once.
      if (!ready.length || (count > FIRST && now - last < PAUSE)) return;
      last = now;
      made(ready.splice(0).filter((row) => !row.done));
    };
    const work = async () => {
      for (let row = queue.shift(); row && this.worker; row = queue.shift()) {
        if (row.done) continue;
        const found = await this.one(row.file);
        if (!found || row.done) continue;
        row.look = look(found);
        ready.push(row);
        count += 1;
        tell(performance.now());
      }
    };
    await Promise.all(Array.from({ length: AT_ONCE }, work));
    tell(Infinity);
  }

  /**
   * @param {File} file
   * @returns {Promise<Small | null>}
   */
  one(file) {
    const n = (this.count += 1);
    return new Promise((good) => {
      const late = setTimeout(() => this.waiting.get(n)?.(null), PATIENCE);
      this.waiting.set(n, (found) => {
        clearTimeout(late);
        this.waiting.delete(n);
        good(found);
      });
      this.worker?.postMessage({ n, file });
    });
  }
}

/**
 * A canvas takes the pixels over as they are; it needs no address, as an image would.
 * @param {Small} small
 */
function look({ bitmap, columns, rows }) {
  const canvas = make("canvas");
  canvas.width = bitmap.width;
  canvas.height = bitmap.height;
  canvas.getContext("bitmaprenderer")?.transferFromImageBitmap(bitmap);
  canvas.setAttribute("aria-hidden", "true");
  return { canvas, columns, rows };
}
