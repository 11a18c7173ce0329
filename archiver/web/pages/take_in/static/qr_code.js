// A QR code, drawn of the rows that the server made.
import { draw } from "./dom.js";

// Modules of white round the code (ISO/IEC 18004).
const QUIET = 4;

/**
 * @param {string[]} rows of 0 and 1
 * @param {string} words what it is
 */
export function qrCode(rows, words) {
  const side = rows.length + 2 * QUIET;
  const path = rows.flatMap((row, y) => [...row].map((dark, x) => (dark === "1" ? `M${x + QUIET} ${y + QUIET}h1v1h-1z` : ""))).join("");
  const made = draw("svg", { class: "qr-code", viewBox: `0 0 ${side} ${side}`, role: "img", "aria-label": words, "shape-rendering": "crispEdges" });
  made.append(draw("rect", { width: side, height: side, fill: "#fff" }), draw("path", { d: path, fill: "#000" }));
  return made;
}
