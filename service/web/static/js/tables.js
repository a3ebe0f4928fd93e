// Tables that become cards on a narrow screen.

import { el } from "./dom.js";

/** Rows of cells, the first of each row being its head; `heads` name the columns. */
export function table(heads, rows) {
  return el("div", { class: "table-wrap" }, el("table", {},
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map(([first, ...rest]) => el("tr", {},
      el("th", { scope: "row" }, first),
      rest.map((cell, place) => el("td", { "data-label": heads[place + 1] }, typeof cell === "number" ? String(cell) : cell)))))));
}
