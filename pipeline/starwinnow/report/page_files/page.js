"use strict";
const data = JSON.parse(document.getElementById("data").textContent);
const drawn = JSON.parse(document.getElementById("plots").textContent);
const frames = data.frames, more = data.more, runs = data.night.runs;
const total = (frames.file || []).length;
const byId = (id) => document.getElementById(id);
const columns = new Map(data.columns.map((one) => [one.name, one]));
const MARKS = { keep: "circle", marginal: "triangle", "leave-out": "x", "not-scored": "square" };
const ROLES = { keep: "--keep", marginal: "--marginal", "leave-out": "--leave", "not-scored": "--none" };
const PLOTTED = ["worth_s", "fwhm_px", "hfr_px", "axis_ratio", "transparency", "background_adu", "temperature_c", "focuser_position", "dx_px", "dy_px", "rotation_deg"];
const PAGE_ROWS = 100, PRINTED_ROWS = 120;
// Width of a sheet of A4 inside its margins.
const PAPER_PX = 690;
const state = { run: null, rows: [], from: 0, to: 0, frame: 0, page: 0, plots: {}, views: {} };

/* ---- Numbers and words ---- */
function shown(name, value) {
  const format = columns.has(name) ? columns.get(name).format : ".3g";
  if (value === null || value === undefined || value === "") return "";
  if (typeof value !== "number") return String(value);
  const digits = Number((/\.(\d+)/.exec(format) || [0, 0])[1]);
  return format.endsWith("f") ? value.toFixed(digits) : format.endsWith("g") ? String(Number(value.toPrecision(digits || 6))) : String(value);
}
function values(name) { return frames[name] || more[name]; }
function median(some) {
  const known = some.filter((one) => one !== null).sort((a, b) => a - b);
  return known.length ? known[Math.floor((known.length - 1) / 2)] : null;
}
function causeWords(codes) { return codes.map((code) => data.words[code] || code).join(", "); }
function colour(role) { return getComputedStyle(document.documentElement).getPropertyValue(role).trim(); }
function current() { return runs.find((run) => run.run === state.run); }
function picture(row) { return more.pictures[row] ? "data:image/webp;base64," + more.pictures[row] : ""; }
function element(tag, text, className) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

/* ---- Colours ---- */
function paint(model, wanted) {
  const able = Object.entries(wanted).filter(([name]) => name in model.properties);
  model.setv(Object.fromEntries(able));
}
function recolour() {
  paintPlots();
  paintData();
}
function paintData() {
  fillSource();
  fillField();
}
function paintPlots() {
  const ink = colour("--ink"), ground = colour("--ground"), line = colour("--line"), quiet = colour("--quiet");
  for (const plot of Object.values(state.plots)) {
    paint(plot, { background_fill_color: ground, border_fill_color: ground, outline_line_color: line });
    for (const axis of [...plot.below, ...plot.left]) {
      paint(axis, { axis_label_text_color: quiet, major_label_text_color: quiet, axis_line_color: line, major_tick_line_color: line });
    }
    for (const grid of plot.center) paint(grid, { grid_line_color: line, grid_line_alpha: 0.5 });
    for (const renderer of plot.renderers) {
      const glyphs = [renderer.glyph, renderer.nonselection_glyph, renderer.selection_glyph, renderer.muted_glyph];
      for (const glyph of glyphs) {
        if (!glyph || !glyph.setv) continue;
        const role = renderer.glyph.tags[0];
        if (role === "error") paint(glyph, { line_color: quiet, line_alpha: 0.6 });
        if (role === "strong") paint(glyph, { line_color: ink });
        if (role === "band") paint(glyph, { fill_color: colour("--band"), line_alpha: 0 });
      }
    }
  }
}
function setTheme(name) {
  document.documentElement.dataset.theme = name;
  recolour();
}

/* ---- Plots ---- */
function source(name) {
  for (const plot of Object.values(state.plots)) {
    for (const renderer of plot.renderers) if (renderer.data_source.name === name) return renderer.data_source;
  }
  return null;
}
/* Before the plots are made their description is filled, afterwards the plots. */
function described(name) {
  let found = null;
  const look = (part) => {
    if (found || part === null || typeof part !== "object") return;
    if (part.attributes && part.attributes.name === name) found = part.attributes;
    else for (const inner of Object.values(part)) look(inner);
  };
  look(drawn.document.roots);
  return found;
}
function put(name, columnsOf) {
  const made = source(name);
  if (made) { made.data = columnsOf; return; }
  const plain = described(name);
  if (plain) plain.data = { type: "map", entries: Object.entries(columnsOf).map(([key, some]) => [key, some.map((one) => Number.isNaN(one) ? { type: "number", value: "nan" } : one)]) };
}
function reach(name, axis, start, end) {
  const made = Object.values(state.plots).map((plot) => plot[axis]).find((range) => range.name === name);
  const plain = made ? null : described(name);
  if (made) made.setv({ start, end });
  else if (plain) Object.assign(plain, { start, end });
}
function timed() { return state.rows.some((row) => more.local_ms[row] !== null); }
function place(row, at) { return timed() ? more.local_ms[row] : at + 1; }
function fillSource() {
  const filled = { x: state.rows.map((row, at) => place(row, at) ?? NaN) };
  const palette = Object.fromEntries(Object.entries(ROLES).map(([verdict, role]) => [verdict, colour(role)]));
  filled.marker = state.rows.map((row) => MARKS[frames.verdict[row]]);
  filled.colour = state.rows.map((row) => palette[frames.verdict[row]]);
  for (const name of PLOTTED) filled[name] = state.rows.map((row) => values(name)[row] ?? NaN);
  for (const [name, error] of [["worth_s", "worth_err_s"], ["fwhm_px", "fwhm_err_px"], ["hfr_px", "hfr_err_px"], ["axis_ratio", "axis_ratio_err"], ["transparency", "transparency_err"]]) {
    filled[error + "_low"] = state.rows.map((row) => (frames[name][row] ?? NaN) - (frames[error][row] ?? NaN));
    filled[error + "_high"] = state.rows.map((row) => (frames[name][row] ?? NaN) + (frames[error][row] ?? NaN));
  }
  put("frames", filled);
}
function fillRun() {
  const run = current();
  fillSource();
  const known = state.rows.map((row, index) => place(row, index)).filter((x) => x !== null);
  const low = Math.min(...known), high = Math.max(...known);
  const pad = 0.02 * (high - low) || (timed() ? 30000 : 1);
  reach("time", "x_range", low - pad, high + pad);
  const ends = run.episodes.map((one) => [rowOf(one.first_file), rowOf(one.last_file)]);
  const half = halfStep();
  put("bands", { left: ends.map(([a]) => at(a) - half), right: ends.map(([, b]) => at(b) + half) });
  put("curve", { frames: run.growth.frames, plain_snr: run.growth.plain_snr, weighted_snr: run.growth.weighted_snr });
  put("choice", { frames: run.keep_snr === null ? [] : [run.kept], snr: run.keep_snr === null ? [] : [run.keep_snr] });
  if (byId("summary-growth")) {
    const near = run.near;
    byId("summary-growth").textContent = near.kept ? `The keep set, ${run.kept} frames: ${near.kept.toFixed(3)}. The best frames alone, ${near.change} fewer: ${words(near.fewer)}; ${near.change} more: ${words(near.more)}. Weighted, all: ${run.weighted_snr.toFixed(3)}.` : "";
  }
  fillField();
}
function words(value) { return value === null || value === undefined ? "–" : value.toFixed(3); }
function rowOf(file) { return frames.file.indexOf(file); }
function at(row) { return place(row, state.rows.indexOf(row)) ?? NaN; }
function halfStep() {
  if (!timed()) return 0.5;
  const known = state.rows.map((row) => more.local_ms[row]).filter((x) => x !== null);
  const steps = known.slice(1).map((x, i) => x - known[i]);
  return (median(steps) || 10000) / 2;
}
function mix(part) {
  const numbers = (role) => colour(role).slice(1).match(/../g).map((pair) => parseInt(pair, 16));
  const low = numbers("--ground"), high = numbers("--wide");
  return "#" + low.map((one, i) => Math.round(one + (0.15 + 0.75 * part) * (high[i] - one)).toString(16).padStart(2, "0")).join("");
}
function fillField() {
  const run = current();
  if (!run) return;
  const some = run.field ? run.field.cells : [];
  const sizes = some.map((one) => one.fwhm_px);
  const low = Math.min(...sizes), spread = Math.max(Math.max(...sizes) - low, 0.02 * low) || 1;
  const w = run.width_px / 9, h = run.height_px / 6;
  put("cells", { x: some.map((c) => c.x_px), y: some.map((c) => c.y_px), w: some.map(() => w), h: some.map(() => h), shade: some.map((c) => mix((c.fwhm_px - low) / spread)) });
  const known = some.filter((c) => c.axis_ratio !== null && c.trail_deg !== null);
  const arms = known.map((c) => {
    const half = Math.min(w / 2, 4 * (w / 2) * -Math.log(c.axis_ratio)), turn = c.trail_deg * Math.PI / 180;
    return [c.x_px, c.y_px, half * Math.cos(turn), half * Math.sin(turn)];
  });
  put("whiskers", { x0: arms.map((a) => a[0] - a[2]), y0: arms.map((a) => a[1] - a[3]), x1: arms.map((a) => a[0] + a[2]), y1: arms.map((a) => a[1] + a[3]) });
  reach("field-x", "x_range", 0, run.width_px);
  reach("field-y", "y_range", run.height_px, 0);
}

/* ---- What is chosen ---- */
function choose(from, to) {
  state.from = Math.max(0, Math.min(from, to));
  state.to = Math.min(state.rows.length - 1, Math.max(from, to));
  byId("from").value = state.from;
  byId("to").value = state.to;
  const whole = state.from === 0 && state.to === state.rows.length - 1;
  const target = source("frames");
  if (target) target.selected.indices = whole ? [] : Array.from({ length: state.to - state.from + 1 }, (_, i) => state.from + i);
  const chosen = state.rows.slice(state.from, state.to + 1);
  byId("span-words").textContent = state.rows.length ? `${chosen.length} of ${state.rows.length} frames chosen${whole ? "" : ", " + spanWords(chosen)}` : "No frames.";
  for (const id of ["from", "to"]) byId(id).setAttribute("aria-valuetext", frameName(state[id]));
  for (const name of Object.keys(state.plots)) {
    const line = byId("summary-" + name), some = values(name);
    if (!line || !some) continue;
    const known = chosen.map((row) => some[row]).filter((one) => one !== null);
    const unit = columns.has(name) ? columns.get(name).unit : name === "temperature_c" ? "°C" : "";
    line.textContent = known.length ? `Median ${shown(name, median(known))} ${unit}, from ${shown(name, Math.min(...known))} to ${shown(name, Math.max(...known))}; ${known.length} of ${chosen.length} frames.` : "Not known for these frames.";
  }
  state.page = 0;
  fillTable();
}
function spanWords(chosen) {
  const first = chosen[0], last = chosen[chosen.length - 1];
  return more.clock[first] && more.clock[last] ? `${more.clock[first]} to ${more.clock[last]}` : `${frames.file[first]} to ${frames.file[last]}`;
}
function frameName(index) {
  const row = state.rows[index];
  return row === undefined ? "" : `${frames.file[row]} ${more.clock[row]}`;
}
function tell(row) {
  const index = state.rows.indexOf(row);
  if (index >= 0) {
    state.frame = index;
    byId("frame").value = index;
    byId("frame").setAttribute("aria-valuetext", frameName(index));
  }
  if (!byId("readout")) return;
  const parts = [["worth_s", "worth", "worth_err_s"], ["fwhm_px", "FWHM", "fwhm_err_px"], ["hfr_px", "HFR", "hfr_err_px"], ["axis_ratio", "axis ratio", "axis_ratio_err"], ["transparency", "transparency", "transparency_err"], ["background_adu", "background", null]]
    .filter(([name]) => frames[name][row] !== null)
    .map(([name, label, error]) => `${label} ${shown(name, frames[name][row])}${error && frames[error][row] !== null ? " ±" + shown(error, frames[error][row]) : ""}`);
  const why = frames.note[row].slice(0, 200) || causeWords(frames.causes[row]);
  byId("readout-words").textContent = `${frames.file[row].slice(0, 80)} ${more.clock[row]}: ${frames.verdict[row]}${frames.rank[row] ? ", rank " + frames.rank[row] : ""}${why ? ", " + why : ""}. ${parts.join(", ")}`;
  const image = byId("readout-picture");
  if (picture(row)) image.src = picture(row); else image.removeAttribute("src");
  for (const name of Object.keys(state.views)) moveCursor(name, row);
}
function moveCursor(name, row) {
  const host = byId("plot-" + name), view = state.views[name];
  if (!host || !onTime(name)) return;
  let line = host.querySelector(".cursor");
  if (!line) line = host.appendChild(element("div", undefined, "cursor"));
  const box = view.frame.bbox, x = at(row);
  line.style.left = Number.isFinite(x) ? `${view.frame.x_scale.compute(x)}px` : "-9px";
  line.style.top = `${box.top}px`;
  line.style.height = `${box.height}px`;
}
function onTime(name) { return !["growth", "focus", "field"].includes(name); }

/* ---- Pointer on a plot: hovering and tapping tell the same, dragging chooses ---- */
function follow(name) {
  const host = byId("plot-" + name), view = state.views[name];
  let start = null, box = null;
  const spot = (event) => {
    const edge = host.getBoundingClientRect();
    return [event.clientX - edge.left, event.clientY - edge.top];
  };
  const value = ([x, y]) => [view.frame.x_scale.invert(x), view.frame.y_scale.invert(y)];
  const inform = (event) => {
    const [x, y] = value(spot(event));
    if (onTime(name)) tell(nearest(x));
    else if (name === "growth") tellGrowth(x);
    else if (name === "field") tellCell(x, y);
    else if (name === "focus") tell(nearestFocus(x, y));
  };
  host.addEventListener("pointermove", (event) => {
    if (!start) { if (event.pointerType !== "touch") inform(event); return; }
    const [x] = spot(event);
    if (!box) box = host.appendChild(element("div", undefined, "drawn"));
    box.style.cssText = `left:${Math.min(start[0], x)}px;width:${Math.abs(x - start[0])}px;top:${view.frame.bbox.top}px;height:${view.frame.bbox.height}px`;
  });
  host.addEventListener("pointerdown", (event) => {
    if (byId("drag").checked && onTime(name)) { start = spot(event); host.setPointerCapture(event.pointerId); }
  });
  const end = (event) => {
    const begun = start;
    start = null;
    if (box) box.remove();
    box = null;
    if (!begun || Math.abs(spot(event)[0] - begun[0]) < 6) return;
    const [a, b] = [value(begun)[0], value(spot(event))[0]].sort((p, q) => p - q);
    const inside = state.rows.map((row, i) => i).filter((i) => at(state.rows[i]) >= a && at(state.rows[i]) <= b);
    if (inside.length) choose(inside[0], inside[inside.length - 1]);
  };
  host.addEventListener("pointerup", end);
  host.addEventListener("pointercancel", () => { start = null; if (box) box.remove(); box = null; });
  host.addEventListener("click", inform);
}
function closest(distance) {
  let best = state.rows[0], least = Infinity;
  state.rows.forEach((row, index) => {
    const away = distance(row, index);
    if (away < least) { least = away; best = row; }
  });
  return best;
}
function nearest(x) { return closest((row, index) => Math.abs((place(row, index) ?? Infinity) - x)); }
function nearestFocus(x, y) {
  const t = more.temperature_c, size = frames.hfr_px;
  return closest((row) => t[row] === null || size[row] === null ? Infinity : Math.hypot((t[row] - x) * 3, size[row] - y));
}
function tellGrowth(x) {
  const growth = current().growth;
  let best = 0;
  growth.frames.forEach((n, i) => { if (Math.abs(n - x) < Math.abs(growth.frames[best] - x)) best = i; });
  if (growth.frames.length) byId("readout-growth").textContent = `Best ${growth.frames[best]} frames: plain mean ${words(growth.plain_snr[best])}, weighted ${words(growth.weighted_snr[best])}.`;
}
function tellCell(x, y) {
  const run = current();
  if (!run.field || !run.field.cells.length) return;
  const cell = run.field.cells.reduce((a, b) => Math.hypot(a.x_px - x, a.y_px - y) < Math.hypot(b.x_px - x, b.y_px - y) ? a : b);
  byId("readout-field").textContent = `About x ${cell.x_px.toFixed(0)}, y ${cell.y_px.toFixed(0)} px: FWHM ${cell.fwhm_px.toFixed(2)} ±${cell.fwhm_err_px.toFixed(2)} px, ${cell.stars} star images${cell.axis_ratio === null ? "" : ", axis ratio " + cell.axis_ratio.toFixed(2)}.`;
}

/* ---- The table ---- */
const SHORT = ["file", "clock", "verdict", "rank", "worth_s", "fwhm_px", "hfr_px", "axis_ratio", "transparency", "background_adu", "stars", "causes", "note"];
const ERRORS = { worth_s: "worth_err_s", fwhm_px: "fwhm_err_px", hfr_px: "hfr_err_px", axis_ratio: "axis_ratio_err", transparency: "transparency_err" };
function tableColumns() { return byId("all").checked ? ["file", "clock", ...data.columns.map((one) => one.name).filter((name) => name !== "file")] : SHORT; }
function cell(name, row) {
  if (name === "causes") return causeWords(frames.causes[row]);
  const value = values(name)[row], error = ERRORS[name] && !byId("all").checked ? frames[ERRORS[name]][row] : null;
  return shown(name, value) + (error !== null && value !== null ? " ±" + shown(ERRORS[name], error) : "");
}
function filtered() {
  const chosen = new Set(state.rows.slice(state.from, state.to + 1));
  const whole = state.from === 0 && state.to >= state.rows.length - 1;
  const text = byId("find").value.toLowerCase(), verdict = byId("verdict").value, cause = byId("cause").value;
  const rows = [];
  for (let row = 0; row < total; row += 1) {
    const mine = chosen.has(row) || (whole && (frames.run[row] === null || state.run === null));
    if (!mine) continue;
    if (verdict === "flagged" ? frames.kept[row] && !frames.causes[row].length : verdict && frames.verdict[row] !== verdict) continue;
    if (cause && !frames.causes[row].includes(cause)) continue;
    if (text && !`${frames.file[row]} ${frames.note[row]} ${causeWords(frames.causes[row])}`.toLowerCase().includes(text)) continue;
    rows.push(row);
  }
  const by = byId("sort").value, sign = byId("down").checked ? -1 : 1, some = values(by);
  if (by !== "clock") {
    rows.sort((a, b) => {
      const [p, q] = [some[a], some[b]].map((one) => Array.isArray(one) ? one.join() : one);
      if (p === null || q === null) return (p === null) - (q === null);
      return sign * (typeof p === "number" ? p - q : p < q ? -1 : p > q ? 1 : 0);
    });
  } else if (sign < 0) rows.reverse();
  return rows;
}
function fillTable(printing = false) {
  const rows = filtered(), names = tableColumns(), table = byId("table");
  const last = Math.max(0, Math.ceil(rows.length / PAGE_ROWS) - 1);
  state.page = Math.min(state.page, last);
  const most = printing ? PRINTED_ROWS : PAGE_ROWS;
  const page = rows.slice(state.page * PAGE_ROWS, state.page * PAGE_ROWS + most);
  const head = element("tr");
  for (const name of names) {
    const one = columns.get(name), th = element("th", name === "clock" ? "local time" : name.replaceAll("_", " "));
    th.scope = "col";
    th.title = name === "clock" ? "start of the exposure on this clock" : one.meaning;
    th.dataset.name = name;
    if (name === byId("sort").value) th.setAttribute("aria-sort", byId("down").checked ? "descending" : "ascending");
    head.append(th);
  }
  table.tHead.replaceChildren(head);
  table.tBodies[0].replaceChildren(...page.map((row) => {
    const line = element("tr");
    line.dataset.row = row;
    for (const name of names) {
      const kind = name === "clock" || name === "verdict" ? "" : columns.get(name).kind === "text" ? "words" : "number";
      const td = element("td", undefined, kind);
      const content = cell(name, row);
      if (kind === "words") {
        td.append(element("bdi", content, "name"));
        td.title = content.slice(0, 1000);
      } else td.textContent = content;
      line.append(td);
    }
    return line;
  }));
  const first = rows.length ? state.page * PAGE_ROWS + 1 : 0;
  byId("count").textContent = `${rows.length} of ${total} frames; shown: ${first} to ${first ? first + page.length - 1 : 0}.`;
  byId("before").disabled = state.page === 0;
  byId("after").disabled = state.page >= last;
  if (byId("thumbs").open) fillThumbs();
}
function fillThumbs() {
  const rows = filtered().filter((row) => more.pictures[row]);
  byId("thumbs-count").textContent = `${rows.length} of ${total} frames.`;
  byId("thumbs").querySelector(".thumbs").replaceChildren(...rows.map((row) => {
    const figure = element("figure"), image = element("img"), frame = element("span");
    image.loading = "lazy";
    image.width = 120;
    image.height = 80;
    image.alt = "";
    image.src = picture(row);
    frame.append(image);
    figure.append(frame, element("figcaption", `${frames.file[row].slice(0, 60)} ${frames.verdict[row]}`));
    return figure;
  }));
}

/* ---- The page ---- */
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
  if (largest && Object.keys(drawn.roots).length) {
    // Filled before they are first drawn.
    readRun(largest.run);
    fillRun();
    const roots = Object.fromEntries(Object.entries(drawn.roots).map(([name, id]) => [id, "plot-" + name]));
    const [manager] = await Bokeh.embed.embed_items({ page: drawn.document }, [{ docid: "page", roots, root_ids: Object.keys(roots) }]);
    for (const view of [...manager.roots].filter((one) => one.model.name in drawn.roots)) {
      state.plots[view.model.name] = view.model;
      state.views[view.model.name] = view;
      // The canvas hears no keys: nobody shall have to tab past it.
      view.canvas.events_el.tabIndex = -1;
    }
    paintPlots();
    for (const name of Object.keys(state.views)) follow(name);
  }
  chooseRun(largest ? largest.run : null);
  requestAnimationFrame(() => { document.documentElement.dataset.ready = String(Math.round(performance.now())); });
}
start();
