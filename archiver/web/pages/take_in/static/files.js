// Files of a card: chosen or dropped, put in order of time, and sent some at a time.
import { call, Trouble } from "/static/calling.js";
import { t } from "/static/words.js";
import { firstLook } from "./first_look.js";

const AT_ONCE = 3;
// Files that are sent while small pictures are still being made, so that work can begin; and the
// milliseconds after which it is looked again whether somebody is at work and needs more.
const AHEAD = 1;
const LOOK_AGAIN = 200;
// Milliseconds until a file is sent again to a server that did not answer.
const AGAIN = 1500;
const HIDDEN = /(^|\/)(\.|Thumbs\.db$|desktop\.ini$)/i;
// What cameras leave on a card beside pictures.
const NO_PICTURE = /\.(thm|ctg|dat|xmp|wav|txt|toml|html?|db|ini)$/i;
const FILM = /\.(mov|mp4|m4v|avi|mts|m2ts|mpe?g|3gp|mkv|webm)$/i;

/** @import { Picture, Row } from "./draft_shapes.js" */

/**
 * Every file of what was dropped, folders opened.
 * @param {DataTransfer} transfer
 * @returns {Promise<File[]>}
 */
export async function dropped(transfer) {
  const tops = [...transfer.items].flatMap((item) => item.webkitGetAsEntry?.() ?? []);
  if (tops.length === 0) return [...transfer.files];
  /** @type {File[]} */
  const found = [];
  /** @param {FileSystemEntry} entry */
  const open = async (entry) => {
    if (isFile(entry)) {
      found.push(await new Promise((good, bad) => entry.file(good, bad)));
      return;
    }
    if (!isFolder(entry)) return;
    const reader = entry.createReader();
    for (;;) {
      /** @type {FileSystemEntry[]} */
      const some = await new Promise((good, bad) => reader.readEntries(good, bad));
      if (some.length === 0) return;
      for (const one of some) await open(one);
    }
  };
  for (const entry of tops) await open(entry);
  return found;
}

/**
 * @param {FileSystemEntry} entry
 * @returns {entry is FileSystemFileEntry}
 */
const isFile = (entry) => entry.isFile;

/**
 * @param {FileSystemEntry} entry
 * @returns {entry is FileSystemDirectoryEntry}
 */
const isFolder = (entry) => entry.isDirectory;

/** @param {File[]} files */
export function pictures(files) {
  return files.filter((file) => {
    const path = file.webkitRelativePath || file.name;
    return !HIDDEN.test(path) && !NO_PICTURE.test(file.name) && !FILM.test(file.name);
  });
}

/**
 * Films: somebody who filmed wants to know that none comes into the record.
 * @param {File[]} files
 */
export function films(files) {
  return files.filter((file) => FILM.test(file.name) && !HIDDEN.test(file.webkitRelativePath || file.name));
}

/**
 * Looks at the first bytes of each row's file, and puts the rows in order.
 * @param {Row[]} rows
 */
export async function putInOrder(rows) {
  const looks = await Promise.all(rows.map((row) => firstLook(row.file)));
  rows.forEach((row, n) => Object.assign(row, looks[n]));
  rows.sort((a, b) => {
    const [x, y] = [a.time ?? "", b.time ?? ""];
    if (Boolean(x) !== Boolean(y)) return x ? -1 : 1;
    return x < y ? -1 : x > y ? 1 : a.file.name.localeCompare(b.file.name);
  });
}

/**
 * @typedef {object} Sending
 * @property {Promise<void>} looking fulfilled when the browser has made its small pictures
 * @property {() => boolean} hurried whether somebody is at work already
 * @property {(row: Row, picture: Picture) => void} arrived
 * @property {(row: Row, error: unknown) => void} failed
 * @property {() => void} away the server does not answer
 */

/**
 * Sends files in order; `arrived` and `failed` are told of each. Until `looking` is fulfilled a few
 * files only are sent, or one after the other where somebody is at work. A server that does not
 * answer may come back: `away` is told, and the file is sent again.
 * @param {string} draft
 * @param {Row[]} rows
 * @param {Sending} sending
 */
export async function send(draft, rows, { looking, hurried, arrived, failed, away }) {
  const queue = [...rows];
  /** @param {Row} row */
  const one = async (row) => {
    for (;;) {
      try {
        arrived(row, await put(draft, row.file));
        return;
      } catch (error) {
        const isAway = error instanceof Trouble && error.status === 0;
        if (!isAway || !(await isThere(row.file))) {
          failed(row, isAway ? new Trouble(t("take_in.unreadable"), 0) : error);
          return;
        }
        away();
        await pause(AGAIN);
      }
    }
  };
  let waits = true;
  const looked = looking.finally(() => (waits = false));
  for (let n = 0; waits && queue.length; ) {
    if (n < AHEAD || hurried()) {
      for (const row of queue.splice(0, 1)) await one(row);
      n += 1;
    } else await Promise.race([looked, pause(LOOK_AGAIN)]);
  }
  const worker = async () => {
    for (let row = queue.shift(); row; row = queue.shift()) await one(row);
  };
  await Promise.all(Array.from({ length: AT_ONCE }, worker));
}

/**
 * @param {string} draft
 * @param {File} file
 * @returns {Promise<Picture>}
 */
async function put(draft, file) {
  const answer = await call(`/take-in/${draft}/pictures`, {
    method: "PUT",
    body: file,
    headers: {
      "X-File-Name": encodeURIComponent(file.name),
      "Content-Type": "application/octet-stream",
    },
  });
  return (await answer.json()).picture;
}

/**
 * Whether a file can still be read: a card may have been taken out.
 * @param {File} file
 */
async function isThere(file) {
  try {
    await file.slice(0, 1).arrayBuffer();
    return true;
  } catch {
    return false;
  }
}

/** @param {number} milliseconds */
function pause(milliseconds) {
  return new Promise((done) => setTimeout(done, milliseconds));
}
