"use strict";
/* Filters of the match page: what is chosen stands in the address, so that it can be kept and sent. */
(() => {
  const form = document.querySelector(".filters");
  if (!form) return;
  const fields = ["player", "flag", "stroke", "score"];
  const lines = [...document.querySelectorAll(".points tbody tr")].map((row) => ({
    row, number: row.dataset.n, score: row.dataset.score,
    strokes: row.dataset.strokes.split(" "), rules: row.dataset.rules.split(" "),
  }));
  const marks = [...document.querySelectorAll(".m")];
  const said = form.querySelector("output");
  const reset = form.querySelector("[type=reset]");
  const chosen = () => Object.fromEntries(fields.map((name) => [name, form.elements[name].value]));
  const has = (list, player, rest) => list.some((one) => {
    const cut = one.indexOf("/");
    return (!player || one.slice(0, cut) === player) && one.slice(cut + 1) === rest;
  });
  const hide = (part, yes) => part.classList.toggle("out-of-filter", yes);

  const apply = () => {
    const now = chosen();
    const inside = new Set();
    for (const line of lines) {
      const fits = (!now.flag || has(line.rules, now.player, now.flag))
        && (!now.stroke || has(line.strokes, now.player, now.stroke))
        && (!now.score || line.score === now.score);
      if (fits) inside.add(line.number);
      hide(line.row, !fits);
    }
    const byPoint = Boolean(now.flag || now.score);
    for (const mark of marks) {
      const data = mark.dataset;
      // A mark that is no stroke stands for its whole point.
      const ofPoint = byPoint || data.s === undefined;
      hide(mark, Boolean((now.player && data.p && data.p !== now.player) || (now.stroke && data.s && data.s !== now.stroke) || (ofPoint && !inside.has(data.n))));
    }
    for (const part of document.querySelectorAll("[data-of]")) hide(part, Boolean(now.player && part.dataset.of !== now.player));
    for (const part of document.querySelectorAll(".habit")) hide(part, Boolean((now.flag && part.dataset.rule !== now.flag) || !part.querySelector(".case:not(.out-of-filter)")));
    for (const fold of document.querySelectorAll("details.more, details.notes")) hide(fold, !fold.querySelector(".habit:not(.out-of-filter)"));
    const any = fields.some((name) => now[name]);
    said.textContent = `${inside.size} of ${lines.length} ${lines.length === 1 ? "point" : "points"}`;
    reset.disabled = !any;
    document.querySelector(".none-left").hidden = inside.size > 0;
    const kept = { ...now };
    if (any && inside.size < lines.length && inside.size <= 80) kept.in = [...inside].join(".");
    for (const link of document.querySelectorAll("a[href^='points/']")) {
      const [file, old] = link.getAttribute("href").split("#");
      const step = new URLSearchParams(old || "").get("step");
      link.setAttribute("href", file + rallymill.hash({ step, ...kept }));
    }
  };

  const read = () => {
    const state = rallymill.state();
    for (const name of fields) {
      const field = form.elements[name];
      field.value = state[name] || "";
      if (field.selectedIndex < 0) field.value = "";
    }
    apply();
  };
  const keep = () => {
    history.replaceState(null, "", location.pathname + location.search + rallymill.hash(chosen()));
    apply();
  };
  form.hidden = false;
  form.addEventListener("change", keep);
  form.addEventListener("reset", () => setTimeout(keep));
  form.addEventListener("submit", (event) => event.preventDefault());
  addEventListener("hashchange", () => { if (location.hash.includes("=")) read(); });
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    if (!link) return;
    const target = document.getElementById(decodeURIComponent(link.getAttribute("href").slice(1)));
    if (!target) return;
    event.preventDefault();
    if (target.tagName === "DETAILS") target.open = true;
    target.scrollIntoView();
    target.focus({ preventScroll: true });
  });
  read();
  const wanted = location.hash && !location.hash.includes("=") && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (wanted) { if (wanted.tagName === "DETAILS") wanted.open = true; wanted.scrollIntoView(); }
})();
