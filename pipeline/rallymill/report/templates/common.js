"use strict";
/* What both kinds of pages share: state in the address, the film beside the page, corrections. */
const rallymill = {
  state() {
    const found = {};
    for (const [key, value] of new URLSearchParams(location.hash.slice(1))) if (value) found[key] = value;
    return found;
  },
  hash(state) {
    const kept = Object.entries(state).filter(([, value]) => value);
    return kept.length ? "#" + new URLSearchParams(kept) : "";
  },
};

(() => {
  const dock = document.querySelector(".dock");
  if (dock) {
    const film = dock.querySelector("video");
    const slow = dock.querySelector("[data-slow]");
    const failed = dock.querySelector(".dock-error");
    let until = Infinity;
    let source = "";
    let back = null;
    const close = () => { film.pause(); dock.hidden = true; if (back) back.focus(); };
    document.addEventListener("click", (event) => {
      const link = event.target.closest("a.watch");
      if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      back = link;
      dock.hidden = false;
      failed.hidden = true;
      until = Number(link.dataset.to);
      dock.querySelector("output").textContent = link.dataset.name;
      const start = () => { film.currentTime = Number(link.dataset.from); film.play().catch(() => {}); };
      if (source === link.dataset.src && film.readyState > 0) start();
      else {
        source = link.dataset.src;
        film.src = source;
        film.addEventListener("loadedmetadata", start, { once: true });
        film.load();
      }
      film.focus();
    });
    film.addEventListener("error", () => { failed.hidden = false; });
    film.addEventListener("timeupdate", () => { if (film.currentTime >= until) { film.pause(); until = Infinity; } });
    slow.addEventListener("click", () => {
      const on = slow.getAttribute("aria-pressed") !== "true";
      slow.setAttribute("aria-pressed", on);
      film.playbackRate = on ? 0.5 : 1;
    });
    dock.querySelector("[data-close]").addEventListener("click", close);
    document.addEventListener("keydown", (event) => { if (event.key === "Escape" && !dock.hidden) close(); });
  }

  const dialog = document.querySelector("dialog.fix");
  if (dialog && dialog.showModal) {
    const choices = JSON.parse(document.getElementById("fix-choices").textContent);
    const find = (name) => dialog.querySelector(name);
    const what = find("#fix-do"), value = find("#fix-value"), text = find("#fix-text");
    const note = find("#fix-note"), shown = find("#fix-rows"), said = find(".fix-said");
    const KEYS = ["what", "do", "t_s", "side"];
    const shelf = `rows of ${dialog.dataset.match}`;
    let rows = [], kept = false, about = null;
    try {
      rows = JSON.parse(sessionStorage.getItem(shelf) || "[]");
      kept = true;
    } catch { /* a browser that keeps nothing for files: the rows last as long as the page */ }
    const cell = (entry) => (/[",\n;]/.test(entry) ? `"${entry.replace(/"/g, '""')}"` : entry);
    const write = () => {
      const columns = [];
      for (const row of rows) for (const key of Object.keys(row)) if (![...KEYS, "note"].includes(key) && !columns.includes(key)) columns.push(key);
      const head = [...KEYS, ...columns, "note"];
      shown.value = rows.length ? [head, ...rows.map((row) => head.map((key) => cell(row[key] ?? "")))].map((line) => line.join(",")).join("\n") + "\n" : "";
      if (kept) sessionStorage.setItem(shelf, JSON.stringify(rows));
    };
    write();
    const option = (key, label) => { const made = document.createElement("option"); made.value = key; made.textContent = label; return made; };
    const offer = () => {
      const column = choices[about.what].find((one) => one.column === what.value);
      find("[data-value]").hidden = !column;
      if (!column) return;
      const free = column.values.length === 0;
      value.hidden = free;
      text.hidden = !free;
      text.value = about.now[column.column] === "none" ? "" : about.now[column.column];
      value.replaceChildren(...column.values.filter(([key]) => key !== about.now[column.column]).map(([key, label]) => option(key, label)));
    };
    what.addEventListener("change", offer);
    for (const button of document.querySelectorAll("button.wrong")) {
      button.hidden = false;
      button.addEventListener("click", () => {
        about = JSON.parse(button.dataset.row);
        find(".fix-what").textContent = `About ${about.said}.`;
        const made = choices[about.what].map((one) => option(one.column, one.label));
        made.push(option(":remove", about.what === "shot" ? "There was no such stroke" : "There was no such point"));
        if (about.what === "shot") made.push(option(":right", "Nothing: I looked, and it is right"));
        what.replaceChildren(...made);
        note.value = "";
        said.textContent = "";
        offer();
        dialog.showModal();
      });
    }
    find("[data-add]").addEventListener("click", () => {
      const row = { what: about.what, do: "", t_s: about.t_s, side: about.side, note: note.value.trim() };
      if (what.value.startsWith(":")) row.do = what.value.slice(1);
      else row[what.value] = text.hidden ? value.value : text.value.trim();
      rows.push(row);
      write();
      said.textContent = `${rows.length} ${rows.length === 1 ? "row" : "rows"} prepared, kept until this ${kept ? "window is closed" : "page is left"}.`;
    });
    find("[data-copy]").addEventListener("click", () => {
      shown.select();
      const done = () => { said.textContent = "Copied."; };
      if (navigator.clipboard && navigator.clipboard.writeText) navigator.clipboard.writeText(shown.value).then(done, () => { document.execCommand("copy"); done(); });
      else { document.execCommand("copy"); done(); }
    });
    find("[data-clear]").addEventListener("click", () => { rows = []; write(); said.textContent = "No rows."; });
  }
})();
