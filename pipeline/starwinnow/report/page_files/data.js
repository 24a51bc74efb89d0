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

function shown(name, value) {
  if (value === null || value === undefined || value === "") return "";
  if (typeof value !== "number") return String(value);
  if (!columns.has(name)) return String(Number(value.toFixed(1)));
  const format = columns.get(name).format;
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
