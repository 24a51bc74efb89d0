"use strict";
// Of what is drawn and no column of the table.
const UNITS = { temperature_c: "°C", focuser_position: "steps" };
function choose(from, to) {
  state.from = Math.max(0, Math.min(from, to));
  state.to = Math.min(state.rows.length - 1, Math.max(from, to));
  byId("from").value = state.from;
  byId("to").value = state.to;
  const whole = state.from === 0 && state.to === state.rows.length - 1;
  const target = source("frames");
  // Choosing all where all were chosen shall not draw anew.
  if (target && !(whole && !target.selected.indices.length)) target.selected.indices = whole ? [] : Array.from({ length: state.to - state.from + 1 }, (_, i) => state.from + i);
  const chosen = state.rows.slice(state.from, state.to + 1);
  byId("span-words").textContent = state.rows.length ? `${chosen.length} of ${state.rows.length} frames chosen${whole ? "" : ", " + spanWords(chosen)}` : "No frames.";
  for (const id of ["from", "to"]) byId(id).setAttribute("aria-valuetext", frameName(state[id]));
  for (const name of Object.keys(state.plots)) {
    const line = byId("summary-" + name), some = values(name);
    if (!line || !some) continue;
    const known = chosen.map((row) => some[row]).filter((one) => one !== null);
    const unit = columns.has(name) ? columns.get(name).unit : UNITS[name];
    line.textContent = known.length ? `Median ${shown(name, median(known))}${unit ? " " + unit : ""}, from ${shown(name, Math.min(...known))} to ${shown(name, Math.max(...known))}; ${known.length} of ${chosen.length} frames.` : "Not known for these frames.";
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
