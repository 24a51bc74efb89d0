"use strict";
function readRun(number) {
  state.run = number;
  state.rows = [];
  for (let row = 0; row < total; row += 1) if (frames.run[row] === number && number !== null) state.rows.push(row);
}
function chooseRun(number) {
  const other = state.run !== number;
  readRun(number);
  for (const part of document.querySelectorAll(".of-run")) part.hidden = Number(part.dataset.run) !== number;
  for (const id of ["frame", "from", "to"]) if (byId(id)) byId(id).max = Math.max(0, state.rows.length - 1);
  if (number !== null) {
    if (other) fillRun();
    choose(0, state.rows.length - 1);
    tell(state.rows[0]);
  } else fillTable();
}
function listen() {
  const on = (id, kind, act) => { if (byId(id)) byId(id).addEventListener(kind, act); };
  on("theme", "change", () => {
    try { localStorage.setItem("report-theme", byId("theme").value); } catch { /* no storage for this file */ }
    setTheme(byId("theme").value);
  });
  on("run", "change", () => chooseRun(Number(byId("run").value)));
  on("frame", "input", () => tell(state.rows[Number(byId("frame").value)]));
  on("from", "input", () => choose(Number(byId("from").value), state.to));
  on("to", "input", () => choose(state.from, Number(byId("to").value)));
  on("whole", "click", () => choose(0, state.rows.length - 1));
  for (const id of ["find", "verdict", "cause", "sort", "down", "all"]) on(id, "input", () => { state.page = 0; fillTable(); });
  on("filters", "submit", (event) => event.preventDefault());
  on("before", "click", () => { state.page -= 1; fillTable(); });
  on("after", "click", () => { state.page += 1; fillTable(); });
  on("thumbs", "toggle", () => { if (byId("thumbs").open) fillThumbs(); });
  on("table", "click", (event) => {
    const head = event.target.closest("th"), line = event.target.closest("tbody tr");
    if (head) {
      byId("down").checked = byId("sort").value === head.dataset.name && !byId("down").checked;
      byId("sort").value = head.dataset.name;
      fillTable();
    } else if (line && runs.length) tell(Number(line.dataset.row));
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolour);
  let before = null;
  addEventListener("beforeprint", () => {
    before = [document.documentElement.dataset.theme, byId("verdict").value];
    document.documentElement.dataset.theme = "day";
    byId("method").open = true;
    if (total > 60 && !before[1]) byId("verdict").value = "flagged";
    recolour();
    fillTable(true);
    for (const host of document.querySelectorAll(".plot")) {
      const width = host.clientWidth;
      host.style.cssText = `width:${width}px;zoom:${Math.min(1, PAPER_PX / width)}`;
    }
    for (const view of Object.values(state.views)) view.paint();
  });
  addEventListener("afterprint", () => {
    if (!before) return;
    for (const host of document.querySelectorAll(".plot")) host.style.cssText = "";
    byId("verdict").value = before[1];
    setTheme(before[0]);
    fillTable();
  });
}
function prepare() {
  const causes = new Set((frames.causes || []).flat());
  for (const code of causes) byId("cause").append(new Option(data.words[code] || code, code));
  for (const name of ["clock", ...data.columns.map((one) => one.name)]) byId("sort").append(new Option(name === "clock" ? "time" : name.replaceAll("_", " "), name));
  for (const image of document.querySelectorAll("img[data-picture]")) image.src = picture(rowOf(image.dataset.picture));
  if (byId("drag")) byId("drag").checked = !matchMedia("(pointer: coarse)").matches;
  if (document.documentElement.dataset.theme === "device") {
    let stored = null;
    try { stored = localStorage.getItem("report-theme"); } catch { /* no storage for this file */ }
    if (["day", "night", "red"].includes(stored)) { document.documentElement.dataset.theme = stored; byId("theme").value = stored; }
  }
}
async function start() {
  prepare();
  listen();
  const largest = runs.reduce((best, run) => (best && best.frames >= run.frames ? best : run), null);
  const rest = largest && drawn.roots.length ? await drawPlots(makePlots(largest.run)) : null;
  chooseRun(largest ? largest.run : null);
  await new Promise(requestAnimationFrame);
  tellTime("ready");
  if (rest) await rest();
  tellTime("drawn");
}
/* For who measures: when the screen and choosing worked, when every plot was drawn. */
function tellTime(what) { document.documentElement.dataset[what] = String(Math.round(performance.now())); }
start();
