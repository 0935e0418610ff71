"use strict";
(() => {
  const dock = document.querySelector(".dock");
  const film = dock && dock.querySelector("video");
  let until = Infinity;
  if (film) {
    document.addEventListener("click", (event) => {
      const link = event.target.closest("a[data-from]");
      if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      until = Number(link.dataset.to || "Infinity");
      dock.hidden = false;
      const go = () => { film.currentTime = Number(link.dataset.from); film.play().catch(() => {}); };
      if (film.readyState > 0) go(); else { film.addEventListener("loadedmetadata", go, { once: true }); film.load(); }
      dock.querySelector("output").textContent = link.dataset.name || "";
    });
    film.addEventListener("timeupdate", () => {
      if (film.currentTime >= until) { film.pause(); until = Infinity; }
    });
    dock.querySelector("button").addEventListener("click", () => { film.pause(); dock.hidden = true; });
  }
  for (const point of document.querySelectorAll(".point")) {
    const drawing = point.querySelector(".drawing");
    const bar = point.querySelector(".steps");
    const rows = [...point.querySelectorAll("tr[data-shot]")];
    if (!drawing || !bar || rows.length === 0) continue;
    bar.hidden = false;
    const [back, forth, all] = bar.querySelectorAll("button");
    const said = bar.querySelector("output");
    let now = -1;
    const show = (index) => {
      now = index;
      const shot = now < 0 ? null : rows[now].dataset.shot;
      drawing.classList.toggle("stepping", now >= 0);
      for (const part of drawing.querySelectorAll("[data-shot]")) part.classList.toggle("now", part.dataset.shot === shot);
      rows.forEach((row, i) => row.classList.toggle("now", i === now));
      back.disabled = now <= 0;
      forth.disabled = now === rows.length - 1;
      all.disabled = now < 0;
      said.textContent = now < 0 ? "all strokes" : `stroke ${now + 1} of ${rows.length}`;
    };
    back.addEventListener("click", () => show(Math.max(now - 1, 0)));
    forth.addEventListener("click", () => show(Math.min(now + 1, rows.length - 1)));
    all.addEventListener("click", () => show(-1));
    rows.forEach((row, i) => row.querySelector("button").addEventListener("click", () => show(now === i ? -1 : i)));
    show(-1);
  }
  addEventListener("beforeprint", () => { for (const part of document.querySelectorAll("details")) part.open = true; });
})();
