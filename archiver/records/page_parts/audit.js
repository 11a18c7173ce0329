"use strict";
(() => {
  const number = (text) => (/^-?[\d.]+( %)?$/.test(text) ? parseFloat(text) : null);
  const compare = (a, b) => {
    const x = number(a), y = number(b);
    return x !== null && y !== null ? x - y : a.localeCompare(b, undefined, { numeric: true });
  };
  const sort = (table, heading, place) => {
    const down = heading.getAttribute("aria-sort") === "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    heading.setAttribute("aria-sort", down ? "descending" : "ascending");
    const rows = [...table.tBodies[0].rows];
    const text = (row) => row.cells[place].dataset.value ?? row.cells[place].textContent.trim();
    rows.sort((a, b) => (down ? -1 : 1) * compare(text(a), text(b)));
    table.tBodies[0].append(...rows);
  };
  const sift = (table, words, told) => {
    const wanted = words.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of table.tBodies[0].rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !wanted.every((word) => text.includes(word));
      shown += !row.hidden;
    }
    told.value = wanted.length ? `${shown} of ${table.tBodies[0].rows.length} rows` : "";
  };
  for (const table of document.querySelectorAll("table.sheet")) {
    [...(table.tHead?.rows[0].cells ?? [])].forEach((heading, place) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...heading.childNodes);
      button.addEventListener("click", () => sort(table, heading, place));
      heading.append(button);
    });
  }
  for (const box of document.querySelectorAll(".sift")) {
    box.hidden = false;
    const input = box.querySelector("input"), told = box.querySelector("output");
    const table = document.getElementById(input.getAttribute("aria-controls"));
    input.addEventListener("input", () => sift(table, input.value, told));
  }
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const one of closed) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of closed) one.open = false; });
})();
