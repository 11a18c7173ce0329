"use strict";
(() => {
  const given = (id) => JSON.parse(document.getElementById(id).textContent);
  const { words, fates, reasons, format, key } = given("frame");
  const files = given("files").map((row, place) => ({
    place, path: row[0], reason: row[1], why: row[2], thumbnail: row[3], patient: row[4],
    day: row[5], shown: row[6], best: row[7], size: row[8],
  }));
  const at = (id) => document.getElementById(id);
  const say = (text, values) => text.replace(/\{(\w+)\}/g, (field, name) => values[name] ?? field);
  const make = (name, properties = {}, ...inside) => {
    const made = Object.assign(document.createElement(name), properties);
    made.append(...inside);
    return made;
  };
  const folder = (path) => path.slice(0, Math.max(0, path.lastIndexOf("/")));
  const name = (path) => path.slice(path.lastIndexOf("/") + 1);
  const fate = (file) => reasons[file.reason].fate;

  // What was said, in order; the last of a file counts.
  let mends = [];
  const keep = () => {
    try { localStorage.setItem(key, JSON.stringify(mends)); } catch { /* a browser may keep none */ }
  };
  try { mends = JSON.parse(localStorage.getItem(key) ?? "[]"); } catch { mends = []; }
  const said = new Map();
  const retell = () => {
    said.clear();
    for (const mend of mends)
      for (const path of mend.files) said.set(path, { ...said.get(path), ...mend.set });
  };

  let wanted = [...reasons.keys()].find((one) => reasons[one].fate === 1 && reasons[one].count) ?? null;
  let only = null;  // a folder
  let asked = [];
  let order = { column: "path", down: false };
  let most = 200;
  const picked = new Set();
  let last = null;

  const fits = (file) =>
    (wanted === null || file.reason === wanted) &&
    (only === null || folder(file.path) === only) &&
    asked.every((word) => `${file.path} ${file.why} ${file.patient}`.toLowerCase().includes(word));
  let shown = [];
  const choose = () => {
    shown = files.filter(fits);
    const value = (file) => (order.column === "reason" ? reasons[file.reason].text : file[order.column]);
    shown.sort((a, b) =>
      (order.down ? -1 : 1) * value(a).localeCompare(value(b), undefined, { numeric: true }) ||
      a.place - b.place);
    draw();
  };

  const draw = () => {
    const body = at("rows");
    body.replaceChildren(...shown.slice(0, most).map(row));
    at("more").hidden = shown.length <= most;
    at("told").value = say(words.shown, { shown: Math.min(most, shown.length), count: shown.length });
    at("everywhere").hidden = only === null;
    for (const button of document.querySelectorAll(".reasons button"))
      button.setAttribute("aria-pressed", String(button.dataset.reason === String(wanted)));
    for (const heading of document.querySelectorAll("th[data-column]")) {
      if (heading.dataset.column === order.column)
        heading.setAttribute("aria-sort", order.down ? "descending" : "ascending");
      else heading.removeAttribute("aria-sort");
    }
    count();
  };

  const row = (file) => {
    const kind = `f${fate(file)}`;
    const tick = make("input", { type: "checkbox", checked: picked.has(file.path) });
    tick.setAttribute("aria-label", say(words.pick, { file: name(file.path) }));
    const line = make("tr", { className: picked.has(file.path) ? "picked" : "" });
    tick.addEventListener("click", (event) => {
      const here = shown.indexOf(file);
      const from = event.shiftKey && last !== null ? Math.min(last, here) : here;
      const to = event.shiftKey && last !== null ? Math.max(last, here) : here;
      for (const one of shown.slice(from, to + 1))
        if (tick.checked) picked.add(one.path); else picked.delete(one.path);
      last = here;
      if (from === to) { line.className = tick.checked ? "picked" : ""; count(); } else draw();
    });
    const look = make("td", { className: "look" });
    if (file.thumbnail) {
      const picture = make("img", { src: file.thumbnail, alt: name(file.path), loading: "lazy" });
      const button = make("button", { type: "button", title: words.larger }, picture);
      button.addEventListener("click", () => look.classList.toggle("whole"));
      look.append(button);
    }
    const inside = make("button", { type: "button", className: "in", title: words.only_folder },
      folder(file.path) || "/");
    inside.addEventListener("click", () => { only = folder(file.path); wanted = null; most = 200; choose(); });
    const why = make("td", {}, make("span", { className: `tag ${kind}` }, reasons[file.reason].text));
    if (file.why) why.append(make("div", { className: `why ${kind}` }, file.why));
    if (file.best) why.append(make("div", { className: "soft" }, say(words.copy_of, { best: file.best })));
    const told = make("td", {}, file.shown);
    if (said.has(file.path)) told.append(make("span", { className: "said" },
      say(words.said, { what: spoken(said.get(file.path)) })));
    line.append(
      make("td", { className: "pick" }, tick), look,
      make("td", { className: "path" }, make("strong", {}, name(file.path)), inside,
        make("div", { className: "soft" }, file.size)),
      why, make("td", {}, file.patient), make("td", { className: "day" }, file.day), told);
    return line;
  };
  const spoken = (set) => Object.entries(set).map(([what, value]) =>
    value === true ? words[what] : value === false ? say(words.not, { what: words[what] })
      : `${words[what]} ${value}`).join(", ");

  const count = () => {
    at("picked").value = say(words.picked, { count: picked.size });
    at("say").disabled = !picked.size;
    at("save").disabled = !mends.length;
    at("undo").disabled = !mends.length;
    at("mended").value = say(words.mended, { count: said.size });
  };

  // Reasons beside the files.
  const list = at("reasons");
  const reasonButton = (place, text, number) => {
    const button = make("button", { type: "button" }, make("span", {}, text), make("span", {}, number));
    button.dataset.reason = String(place);
    button.addEventListener("click", () => { wanted = place; only = null; most = 200; choose(); });
    return button;
  };
  list.append(reasonButton(null, words.all, files.length));
  for (const [number, text] of fates.entries()) {
    const own = [...reasons.entries()].filter(([, one]) => one.fate === number && one.count);
    if (own.length) list.append(make("h2", {}, text),
      ...own.map(([place, one]) => reasonButton(place, one.text, one.count)));
  }

  for (const heading of document.querySelectorAll("th[data-column]")) {
    const button = make("button", { type: "button" }, ...heading.childNodes);
    button.addEventListener("click", () => {
      const column = heading.dataset.column;
      order = { column, down: order.column === column && !order.down };
      choose();
    });
    heading.append(button);
  }
  at("ask").addEventListener("input", () => {
    asked = at("ask").value.toLowerCase().split(/\s+/).filter(Boolean);
    most = 200;
    choose();
  });
  at("more").addEventListener("click", () => { most += 500; draw(); });
  at("everywhere").addEventListener("click", () => { only = null; choose(); });
  at("all").addEventListener("click", () => { for (const one of shown) picked.add(one.path); draw(); });
  at("none").addEventListener("click", () => { picked.clear(); draw(); });

  const people = new Map([...at("people").options].map((one) => [one.value, one.dataset]));
  const bool = { yes: true, no: false };
  at("say").addEventListener("click", () => {
    const set = {};
    const who = at("patient").value.trim();
    if (who) {
      if (!people.has(who)) { at("patient").setCustomValidity(words.unknown); at("patient").reportValidity(); return; }
      set.patient = people.get(who).id;
      if (people.get(who).issuer) set.issuer = people.get(who).issuer;
    }
    for (const one of ["day", "view", "state", "flipped"]) if (at(one).value.trim()) set[one] = at(one).value.trim();
    if (at("teeth").value.trim()) set.teeth = `${at("numbering").value}:${at("teeth").value.trim()}`;
    if (at("mirror").value) set.mirror = bool[at("mirror").value];
    if (at("leave_out").checked) set.leave_out = true;
    if (at("is_photograph").checked) set.is_photograph = true;
    if (!Object.keys(set).length) return;
    mends.push({ files: [...picked].sort(), set });
    picked.clear();
    for (const one of ["patient", "day", "view", "teeth", "state", "mirror", "flipped"]) at(one).value = "";
    at("leave_out").checked = at("is_photograph").checked = false;
    retell(); keep(); draw();
  });
  at("patient").addEventListener("input", () => at("patient").setCustomValidity(""));
  at("undo").addEventListener("click", () => { mends.pop(); retell(); keep(); draw(); });
  at("save").addEventListener("click", () => {
    if (!at("by").reportValidity()) return;
    const text = JSON.stringify({ format, by: at("by").value.trim(), mends }, null, 1);
    const link = make("a", { download: "mends.json",
      href: URL.createObjectURL(new Blob([text], { type: "application/json" })) });
    link.click();
  });
  at("earlier").addEventListener("change", async () => {
    try {
      const read = JSON.parse(await at("earlier").files[0].text());
      if (read.format !== format) throw new Error();
      mends = [...read.mends, ...mends];
      at("by").value ||= read.by;
      retell(); keep(); draw();
    } catch { at("mended").value = words.no_mends; }
  });
  retell();
  choose();
})();
