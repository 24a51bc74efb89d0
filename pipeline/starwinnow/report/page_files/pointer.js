"use strict";
/* Hovering and tapping tell the same, dragging chooses. */
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
