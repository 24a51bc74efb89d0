"use strict";
// Shows what the server tells. Text is set as text, never as markup.
const QUIET_MS = 15000, LOST_MS = 5000, RETRY_MS = 2000;
const SVG = "http://www.w3.org/2000/svg";
const part = (id) => document.getElementById(id);
let source = null, heard = performance.now(), opened = 0, broken = 0, clock = "", night = null;

function say(id, text) {
  const place = part(id);
  if (place.textContent !== text) place.textContent = text;
}

function connect() {
  if (source) source.close();
  opened = performance.now();
  source = new EventSource("events");
  source.onmessage = (event) => { alive(); show(JSON.parse(event.data)); };
  source.addEventListener("beat", alive);
  source.addEventListener("old", (event) => { broken = 0; show(JSON.parse(event.data)); });
  source.onerror = () => {
    if (!broken) broken = performance.now();
    source.close();
    source = null;
  };
}

function alive() {
  heard = performance.now();
  broken = 0;
  say("lost", "");
}

function watch() {
  const now = performance.now();
  const quiet = now - heard > QUIET_MS;
  const ended = night && night.state === "ended";
  if (!ended && (quiet || (broken && now - broken > LOST_MS))) {
    say("lost", clock ? `No news since ${clock}` : "No news yet: the watch cannot be reached");
  }
  if (!source || (quiet && now - opened > QUIET_MS)) {
    if (now - opened > RETRY_MS) connect();
  }
}

function show(news) {
  night = news;
  clock = news.clock;
  say("clock", news.clock);
  say("title", news.title);
  const last = news.state === "watching" ? news.last : null;
  const heading = last ? last.verdict + (last.sure ? "" : " (provisional)") : news.said;
  part("verdict").classList.toggle("lead", !last || !last.sure);
  say("verdict", heading);
  const waiting = last && news.said ? ", " + news.said : "";
  say("file", news.last ? `${news.last.file}, ${news.last.at}${waiting}` : "");
  say("figures", news.last ? news.last.figures : "");
  say("reason", news.last ? news.last.reason : "");
  say("worth", news.worth);
  say("focus", news.focus);
  say("counts", news.counts);
  advise(news.advice);
  drawStrip(news.strip, news.counts);
  drawTrend(news.sizes, news.best);
  part("look").disabled = !news.picture;
  picture();
}

function advise(all) {
  const next = part("next"), more = part("more"), rest = part("rest");
  const [first, ...others] = all;
  next.classList.toggle("now", Boolean(first && first.now));
  say("next", first ? (first.now ? "Now: " : "") + first.text : "");
  more.hidden = !others.length;
  if (!others.length) fold(more, rest, false);
  say("more", others.length === 1 ? "One more note" : `${others.length} more notes`);
  const texts = others.map((a) => a.text);
  if (rest.dataset.shown === texts.join("\n")) return;
  rest.dataset.shown = texts.join("\n");
  rest.replaceChildren(...texts.map((text) => {
    const line = document.createElement("li");
    line.textContent = text;
    return line;
  }));
}

function draw(svg, shapes) {
  const key = JSON.stringify(shapes);
  if (svg.dataset.shown === key) return;
  svg.dataset.shown = key;
  svg.replaceChildren(...shapes.map(([kind, d]) => {
    const shape = document.createElementNS(SVG, "path");
    shape.setAttribute("class", kind);
    shape.setAttribute("d", d);
    return shape;
  }));
}

// Two rows of thirty, oldest first: bars as high as the worth, a mark below what is not kept.
function drawStrip(strip, counts) {
  const across = 30, step = 328 / across, high = 32, row = 46, shapes = [];
  strip.forEach(([mark, worth], number) => {
    const x = (number % across) * step + 1, wide = step - 3;
    const foot = Math.floor(number / across) * row + high;
    const tall = Math.max(worth * high, 1);
    if (mark === "k") shapes.push(["k", `M${x} ${foot}v${-tall}h${wide}v${tall}z`]);
    else if (worth > 0) shapes.push(["b", `M${x + 0.5} ${foot}v${-tall}h${wide - 1}v${tall}z`]);
    const a = x + 0.5, b = x + wide - 0.5, top = foot + 3, low = foot + 10;
    if (mark === "o") shapes.push(["x", `M${a} ${top}L${b} ${low}M${b} ${top}L${a} ${low}`]);
    if (mark === "e") shapes.push(["e", `M${(a + b) / 2} ${top}L${b} ${low}H${a}z`]);
    if (mark === "n") shapes.push(["x", `M${a} ${foot + 6}H${b}`]);
  });
  draw(part("strip"), shapes);
  part("strip").setAttribute("aria-label", `The latest ${strip.length} frames. All: ${counts}`);
}

function drawTrend(sizes, best) {
  const known = sizes.filter((size) => size !== null), shapes = [];
  if (known.length > 1) {
    const low = Math.min(...known, best ?? Infinity), high = Math.max(...known);
    const scale = Math.max(high - low, 0.04 * high);
    const y = (size) => (36 - 32 * (size - low) / scale).toFixed(1);
    const step = 324 / Math.max(sizes.length - 1, 1);
    let line = "", pen = "M";
    sizes.forEach((size, number) => {
      if (size === null) { pen = "M"; return; }
      line += `${pen}${(2 + number * step).toFixed(1)} ${y(size)}`;
      pen = "L";
    });
    shapes.push(["line", line]);
    if (best !== null) shapes.unshift(["best", `M2 ${y(best)}H326`]);
  }
  draw(part("trend"), shapes);
  part("trend").setAttribute("aria-label", `Star sizes of the latest frames. ${part("focus").textContent}`);
}

// A new picture takes the old one's place when it is all there: nothing blinks.
function picture() {
  const frame = part("frame");
  if (frame.hidden || !night || !night.picture) return;
  const link = `picture-${document.documentElement.className}.png?${night.picture}`;
  if (frame.dataset.wanted === link) return;
  frame.dataset.wanted = link;
  const next = new Image();
  next.onload = () => { if (frame.dataset.wanted === link) frame.src = link; };
  next.onerror = () => { if (frame.dataset.wanted === link) frame.dataset.wanted = ""; };
  next.src = link;
}

function fold(button, what, open) {
  what.hidden = !open;
  button.setAttribute("aria-expanded", String(open));
}

function dress(theme) {
  document.documentElement.className = theme;
  say("theme", theme === "red" ? "Day" : "Red");
  document.querySelector("meta[name=theme-color]").content = theme === "red" ? "#000000" : "#f2f1ec";
  document.querySelector("meta[name=color-scheme]").content = theme === "red" ? "dark" : "light";
  part("frame").removeAttribute("src");
  picture();
}

function remembered() {
  try { return localStorage.getItem("theme") === "day" ? "day" : "red"; } catch { return "red"; }
}

part("theme").addEventListener("click", () => {
  const theme = document.documentElement.className === "red" ? "day" : "red";
  try { localStorage.setItem("theme", theme); } catch { /* not remembered, no harm */ }
  dress(theme);
});
part("more").addEventListener("click", () => fold(part("more"), part("rest"), part("rest").hidden));
part("look").addEventListener("click", () => {
  const open = part("frame").hidden;
  fold(part("look"), part("frame"), open);
  say("look", open ? "Hide the last frame" : "Show the last frame");
  if (open) picture();
});
document.addEventListener("visibilitychange", () => { if (!document.hidden) watch(); });
dress(remembered());
connect();
setInterval(watch, 1000);
