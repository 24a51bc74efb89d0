"use strict";
const SHORT = ["file", "clock", "verdict", "rank", "causes", "worth_s", "fwhm_px", "hfr_px", "axis_ratio", "transparency", "background_adu", "stars", "note"];
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
