"use strict";
// Plots drawn without a pause: more keep the reader waiting, fewer take longer in all.
const AT_ONCE = 4;
// Marks of so few frames do not crowd and can be larger, px.
const FEW_FRAMES = 200, SMALL_PX = 6, LARGE_PX = 9;
function paint(model, wanted) {
  const able = Object.entries(wanted).filter(([name]) => name in model.properties);
  model.setv(Object.fromEntries(able));
}
function recolour() {
  paintPlots();
  fillSource();
  fillField();
}
function paintPlots() {
  const ink = colour("--ink"), ground = colour("--ground"), line = colour("--line"), quiet = colour("--quiet"), band = colour("--band");
  const glyphs = { error: { line_color: quiet, line_alpha: 0.6 }, strong: { line_color: ink }, band: { fill_color: band, line_alpha: 0 } };
  for (const plot of Object.values(state.plots)) {
    paint(plot, { background_fill_color: ground, border_fill_color: ground, outline_line_color: line });
    for (const axis of [...plot.below, ...plot.left]) {
      paint(axis, { axis_label_text_color: quiet, major_label_text_color: quiet, axis_line_color: line, major_tick_line_color: line });
    }
    for (const grid of plot.center) paint(grid, { grid_line_color: line, grid_line_alpha: 0.5 });
    for (const { glyph, nonselection_glyph } of plot.renderers) {
      for (const one of [glyph, nonselection_glyph]) if (one) paint(one, glyphs[one.tags[0]] || {});
    }
  }
}
function setTheme(name) {
  document.documentElement.dataset.theme = name;
  recolour();
}

/* ---- What they hold ---- */
function source(name) {
  for (const plot of Object.values(state.plots)) {
    for (const renderer of plot.renderers) if (renderer.data_source.name === name) return renderer.data_source;
  }
  return null;
}
function put(name, columnsOf) {
  const target = source(name);
  if (target) target.data = columnsOf;
}
function reach(name, axis, start, end) {
  const range = Object.values(state.plots).map((plot) => plot[axis]).find((one) => one.name === name);
  if (range) range.setv({ start, end });
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
  const size = state.rows.length < FEW_FRAMES ? LARGE_PX : SMALL_PX;
  for (const plot of Object.values(state.plots)) {
    for (const { glyph, nonselection_glyph } of plot.renderers) {
      if (glyph.tags[0] === "points") for (const one of [glyph, nonselection_glyph]) one.size = { value: size };
    }
  }
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
  if (byId("summary-field")) byId("summary-field").textContent = some.length ? `FWHM from ${low.toFixed(2)} to ${Math.max(...sizes).toFixed(2)} px.` : "";
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

/* ---- Made ---- */
/* The models are filled and coloured before any is drawn, so that each is drawn once. */
function makePlots(number) {
  const made = Bokeh.require("document").Document.from_json(drawn);
  for (const plot of made.roots()) state.plots[plot.name] = plot;
  readRun(number);
  fillRun();
  paintPlots();
  return made;
}
/* What the screen shows comes first; the rest follows a few at a time, so that the page hears its
   reader meanwhile. */
async function drawPlots(made) {
  const plots = made.roots(), hosts = plots.map((plot) => byId("plot-" + plot.name));
  const below = hosts.findIndex((host) => host.getBoundingClientRect().top > innerHeight);
  const rest = below < 0 ? [] : plots.slice(below);
  for (const plot of rest) made.remove_root(plot);
  const manager = await Bokeh.embed.add_document_standalone(made, document.body, hosts);
  for (const plot of made.roots()) take(manager.get(plot));
  return async () => {
    while (rest.length) {
      const next = rest.splice(0, AT_ONCE);
      for (const plot of next) made.add_root(plot);
      do await new Promise((done) => { setTimeout(done); }); while (!next.every((plot) => manager.get(plot)));
      for (const plot of next) take(manager.get(plot));
    }
  };
}
function take(view) {
  const name = view.model.name;
  state.views[name] = view;
  // The canvas hears no keys: nobody shall have to tab past it.
  view.canvas.events_el.tabIndex = -1;
  follow(name);
  if (state.rows.length) moveCursor(name, state.rows[state.frame]);
}
