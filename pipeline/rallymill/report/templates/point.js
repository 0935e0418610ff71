"use strict";
/* A point, stroke by stroke, in step with its film; without a film the drawing has its own clock. */
(() => {
  const data = JSON.parse(document.getElementById("point-data").textContent);
  const state = rallymill.state();
  const number = Number(location.pathname.split("/").pop().slice(0, 3));
  const up = document.querySelector(".up");
  const { step, in: picked, ...filters } = state;
  up.setAttribute("href", up.getAttribute("href") + rallymill.hash(filters));
  const list = picked ? picked.split(".").map(Number) : null;
  const before = document.querySelector("[data-before]"), after = document.querySelector("[data-after]");
  if (list && list.includes(number)) {
    const at = list.indexOf(number);
    const lead = (link, other) => {
      if (other === undefined) { link.removeAttribute("href"); link.setAttribute("aria-disabled", "true"); }
      else { link.setAttribute("href", String(other).padStart(3, "0") + ".html"); link.removeAttribute("aria-disabled"); }
    };
    lead(before, list[at - 1]);
    lead(after, list[at + 1]);
    document.querySelector(".where").textContent = `${at + 1} of ${list.length} chosen`;
  }
  for (const link of [before, after]) if (link.hasAttribute("href")) link.setAttribute("href", link.getAttribute("href") + rallymill.hash({ ...filters, in: picked }));

  const drawing = document.querySelector(".drawing");
  const bar = document.querySelector(".stepper");
  const items = [...document.querySelectorAll(".stroke")];
  if (!drawing || !bar || items.length === 0) return;
  const parts = [...drawing.querySelectorAll("[data-shot]")];
  const ways = [...drawing.querySelectorAll("polyline[data-from]")].map((line) => ({
    from: Number(line.dataset.from), to: Number(line.dataset.to),
    points: line.getAttribute("points").split(" ").map((pair) => pair.split(",").map(Number)),
  }));
  const live = drawing.querySelector(".live");
  const men = live ? [...live.querySelectorAll(".live-man")] : [];
  const ball = live && live.querySelector(".live-ball");
  const said = document.querySelector(".now-said");
  const [back, play, forth, slow, all] = ["back", "play", "forth", "slow", "all"].map((name) => bar.querySelector(`[data-${name}]`));
  const film = document.querySelector(".film video");
  const failed = document.querySelector(".film-error");
  let filmed = Boolean(film);
  let now = -1, running = false, clock = data.start, last = 0, rate = 1, frame = 0;

  const mark = (index) => {
    if (index === now) return;
    now = index;
    const shot = now < 0 ? null : items[now].dataset.shot;
    drawing.classList.toggle("stepping", now >= 0);
    for (const part of parts) part.classList.toggle("now", part.dataset.shot === shot);
    items.forEach((item, i) => {
      item.classList.toggle("now", i === now);
      item.querySelector(".pick").setAttribute("aria-pressed", i === now);
    });
    back.disabled = now <= 0;
    forth.disabled = now === items.length - 1;
    all.disabled = now < 0;
  };
  const tell = () => {
    const item = items[now];
    said.textContent = now < 0 ? "All strokes are shown." : `Stroke ${item.dataset.number} of ${items.length}: ${item.querySelector(".what").textContent}`;
  };
  const place = (part, x, y) => { part.setAttribute("visibility", x === null ? "hidden" : "visible"); if (x !== null) part.setAttribute("transform", `translate(${x} ${y})`); };
  const move = (t) => {
    if (!live) return;
    for (const man of men) {
      const track = data.men[man.dataset.side] || [];
      const at = (t - data.start) / data.step, k = Math.floor(at);
      const [x1, y1, x2, y2] = [track[2 * k], track[2 * k + 1], track[2 * k + 2], track[2 * k + 3]];
      if (k < 0 || x1 == null || x2 == null) place(man, null);
      else place(man, x1 + (at - k) * (x2 - x1), y1 + (at - k) * (y2 - y1));
    }
    const way = ways.find((one) => t >= one.from && t < one.to);
    if (!way) place(ball, null);
    else {
      const at = (way.points.length - 1) * (t - way.from) / (way.to - way.from), k = Math.min(Math.floor(at), way.points.length - 2);
      const [p, q] = [way.points[k], way.points[k + 1]];
      place(ball, p[0] + (at - k) * (q[0] - p[0]), p[1] + (at - k) * (q[1] - p[1]));
    }
  };
  const time = () => (filmed ? film.currentTime + data.offset : clock);
  const follow = (t) => {
    let index = -1;
    data.strokes.forEach((stroke, i) => { if (t >= stroke.t - 0.02) index = i; });
    mark(index);
    move(t);
  };
  const show = (on) => {
    running = on;
    play.textContent = on ? "Pause" : "Play";
    if (on) said.textContent = "";
    drawing.classList.toggle("running", on);
    if (live) live.setAttribute("visibility", on || now >= 0 ? "visible" : "hidden");
    cancelAnimationFrame(frame);
    if (on) { last = performance.now(); frame = requestAnimationFrame(tick); }
  };
  const tick = (stamp) => {
    if (!running) return;
    if (!filmed) { clock += rate * (stamp - last) / 1000; last = stamp; if (clock >= data.end) { clock = data.end; show(false); } }
    follow(time());
    if (running) frame = requestAnimationFrame(tick);
  };
  const pause = () => { if (filmed) film.pause(); else show(false); };
  const beside = document.querySelector(".film-part");
  const bring = () => {
    beside.parentElement.style.setProperty("--film", `${beside.offsetHeight}px`);
    if (now >= 0 && matchMedia("(min-width: 60rem)").matches) items[now].scrollIntoView({ block: "nearest" });
  };
  const go = (index) => {
    pause();
    mark(index);
    tell();
    bring();
    if (index < 0) { if (live) live.setAttribute("visibility", "hidden"); return; }
    const t = data.strokes[index].t;
    clock = t;
    if (filmed) film.currentTime = Math.max(t - data.offset, 0);
    if (live) live.setAttribute("visibility", "hidden");
  };
  const toggle = () => {
    if (filmed) {
      if (film.paused) { if (time() >= data.end || time() < data.start - 1) film.currentTime = Math.max(data.start - data.offset, 0); film.play().catch(() => {}); } else film.pause();
    } else {
      if (!running && clock >= data.end - 0.05) clock = data.start;
      show(!running);
    }
  };
  bar.hidden = false;
  back.addEventListener("click", () => go(Math.max(now - 1, 0)));
  forth.addEventListener("click", () => go(Math.min(now + 1, items.length - 1)));
  all.addEventListener("click", () => go(-1));
  play.addEventListener("click", toggle);
  slow.addEventListener("click", () => {
    rate = rate === 1 ? 0.5 : 1;
    slow.setAttribute("aria-pressed", rate !== 1);
    if (film) film.playbackRate = rate;
  });
  const what = bar.querySelector("[data-if]");
  if (what) what.addEventListener("click", () => {
    const on = what.getAttribute("aria-pressed") !== "true";
    what.setAttribute("aria-pressed", on);
    drawing.classList.toggle("with-if", on);
    const lettered = items.findIndex((item) => item.querySelector(".options"));
    if (on && (now < 0 || !items[now].querySelector(".options")) && lettered >= 0) go(lettered);
  });
  items.forEach((item, i) => item.querySelector(".pick").addEventListener("click", () => {
    go(now === i ? -1 : i);
    if (!matchMedia("(min-width: 60rem)").matches) document.querySelector(".plan").scrollIntoView({ block: "start" });
  }));
  document.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || event.target.closest("input, select, textarea, video, dialog, summary")) return;
    if (event.key === "ArrowRight") { event.preventDefault(); forth.click(); }
    if (event.key === "ArrowLeft") { event.preventDefault(); back.click(); }
  });
  if (film) {
    film.addEventListener("loadedmetadata", bring, { once: true });
    film.addEventListener("play", () => show(true));
    film.addEventListener("pause", () => show(false));
    film.addEventListener("seeked", () => { if (!running && Math.abs(time() - (now < 0 ? -9 : data.strokes[now].t)) > 0.06) { follow(time()); if (live) live.setAttribute("visibility", "visible"); } });
    film.addEventListener("timeupdate", () => { if (running && time() > data.end && !film.src.includes("/clips/")) film.pause(); });
    film.addEventListener("error", () => { filmed = false; film.hidden = true; failed.hidden = false; });
    if (film.error) { filmed = false; film.hidden = true; failed.hidden = false; }
  }
  mark(-2);
  const first = items.findIndex((item) => item.dataset.number === step);
  if (first >= 0) go(first); else mark(-1);
})();
