"use strict";
(() => {
  // Texts of the catalogue stand with the body.
  const say = (text, values) =>
    text.replace(/\{(\w+)\}/g, (field, name) => values[name] ?? field);
  const { sifted, more: all } = document.body.dataset;
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
    show(table);
  };
  const few = 25;
  const asked = new Map();  // words by which a table is sifted
  const whole = new Set();  // tables of which all rows are wanted
  const show = (table) => {
    const wanted = asked.get(table) ?? [];
    let shown = 0;
    for (const row of table.tBodies[0].rows) {
      const text = wanted.length ? row.textContent.toLowerCase() : "";
      const fits = wanted.every((word) => text.includes(word));
      row.hidden = !fits || (!wanted.length && !whole.has(table) && shown >= few);
      shown += fits;
    }
    const more = table.nextElementSibling;
    if (more?.classList.contains("more")) more.hidden = wanted.length > 0 || whole.has(table);
    return shown;
  };
  const sift = (table, words, told) => {
    asked.set(table, words.toLowerCase().split(/\s+/).filter(Boolean));
    const shown = show(table);
    const count = table.tBodies[0].rows.length;
    told.value = words.trim() ? say(sifted, { shown, count }) : "";
  };
  for (const table of document.querySelectorAll("table.sheet")) {
    [...(table.tHead?.rows[0].cells ?? [])].forEach((heading, place) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...heading.childNodes);
      button.addEventListener("click", () => sort(table, heading, place));
      heading.append(button);
    });
    const count = table.tBodies[0].rows.length;
    if (count > few + 5) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "more";
      button.textContent = say(all, { count });
      button.addEventListener("click", () => { whole.add(table); show(table); });
      table.after(button);
      show(table);
    }
  }
  for (const box of document.querySelectorAll(".sift")) {
    box.hidden = false;
    const input = box.querySelector("input"), told = box.querySelector("output");
    const table = document.getElementById(input.getAttribute("aria-controls"));
    input.addEventListener("input", () => sift(table, input.value, told));
  }
  const unfold = () => {
    const meant = document.getElementById(location.hash.slice(1));
    if (meant instanceof HTMLDetailsElement) meant.open = true;
  };
  addEventListener("hashchange", unfold);
  unfold();
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const one of closed) one.open = true;
    for (const row of document.querySelectorAll(".sheet tbody tr[hidden]")) row.hidden = false;
  });
  addEventListener("afterprint", () => {
    for (const one of closed) one.open = false;
    document.querySelectorAll("table.sheet").forEach(show);
  });
})();
