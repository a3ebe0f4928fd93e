// Which stages are lighter than the solution, what is printed of it, standing time and cautions.

import { byId, el, fill, svg } from "../dom.js";
import { askOnChange, fieldsOf } from "./asking.js";
import { cite } from "./source-words.js";

const RESULTS = [
  ["floats", "▲", "Lighter than the solution"],
  ["borderline", "◆", "Borderline"],
  ["sinks", "▼", "Heavier than the solution: stays down"],
  ["no reference", "–", "Not measured"],
];
const AXIS = { low: 1.0, high: 1.4, width: 560, height: 74, left: 14 };

export function startFlotation() {
  const form = byId("flotation-form");
  byId("solution").addEventListener("change", ({ target }) => {
    const { sg } = target.selectedOptions[0].dataset;
    if (sg) form.specific_gravity.value = sg;
  });
  return askOnChange(form, { path: "/api/bench/flotation", read: fieldsOf, show, problem: byId("flotation-problem") });
}

function show(answer) {
  fill(byId("flotation-result"),
    el("p", { class: "notice notice-limits" }, answer.caution),
    el("div", { class: "axis-wrap" }, drawAxis(answer)),
    RESULTS.map(([result, symbol, words]) => resultPart(answer, result, symbol, words)),
    listPart("What is printed of this solution", answer.printed.filter(isTold).map((one) => el("li", {}, printedWords(one), " ", cite(one)))),
    listPart("Standing time, with the coverslip on", answer.standing.map((one) => el("li", {}, one.text, " ", cite(one)))));
  fill(byId("cautions-list"), answer.cautions.map((one) => el("li", {}, ...cautionOf(one), " ", cite(one))));
}

function cautionOf({ fluid, text }) {
  const name = byId("solution").selectedOptions[0].textContent;
  return fluid === "any" ? [text] : [el("strong", {}, `${name}. `), text];
}

function isTold({ notes, recipe, gravity_range: gravity }) {
  return Boolean(notes || recipe || gravity);
}

function printedWords({ solution, gravity_range: gravity, recipe, notes }) {
  const bounds = gravity && (gravity[0] === gravity[1] ? gravity[0] : `${gravity[0]}–${gravity[1]}`);
  const name = solution === "any" ? "Any solution" : solution.charAt(0).toUpperCase() + solution.slice(1);
  return `${[bounds ? `${name}, ${bounds}` : name, recipe, notes].filter(Boolean).join(": ")}.`;
}

function listPart(heading, items) {
  return items.length > 0 && el("div", { class: "part" }, el("h3", {}, heading), el("ul", { class: "words" }, items));
}

function resultPart({ checks, borderline_gravity: margin }, result, symbol, words) {
  const found = checks.filter((one) => one.result === result);
  if (!found.length) return null;
  const heading = `${symbol} ${words}${result === "borderline" ? ` (within ${margin}, or sources differ)` : ""}`;
  const list = el("ul", { class: "words floats" }, found.map(checkItem));
  if (result !== "no reference") return el("div", { class: "part" }, el("h3", {}, heading), list);
  return el("details", { class: "part" }, el("summary", {}, `${symbol} ${found.length} of the table of sizes whose density nobody measured`), list);
}

function checkItem(one) {
  const figures = [...one.densities, ...one.other_densities];
  return el("li", {}, el("em", {}, one.taxon), one.stage && one.stage !== "egg" ? ` (${one.stage})` : "", `, ${one.group_label}`,
    one.is_contradicted && el("strong", {}, ": lighter by its density, yet a source says that it didn't float"),
    figures.length > 0 && el("ul", {}, figures.map((row) => el("li", {}, `${densityWords(row)} `, cite(row)))),
    one.reports.filter(({ solution, notes }) => notes && solution !== "any").map((row) => el("p", { class: "small-label" }, `${printedWords(row)} `, cite(row))));
}

function densityWords({ gravity, gravity_range: [low, high], notes }) {
  const range = low && high ? `${low}–${high}` : low || high ? `${low ?? ""}–${high ?? ""}` : "";
  return [[gravity, range && `(${range})`].filter(Boolean).join(" "), notes].filter(Boolean).join(", ");
}

/** Densities that were read as ticks on an axis, the solution as a line. */
function drawAxis({ checks, specific_gravity: gravity }) {
  const at = (value) => AXIS.left + ((Math.min(value, AXIS.high) - AXIS.low) / (AXIS.high - AXIS.low)) * (AXIS.width - 2 * AXIS.left);
  const eggs = checks.flatMap(({ densities }) => densities.map((row) => row.gravity)).filter(Boolean);
  const labels = [1.0, 1.1, 1.2, 1.3, 1.4];
  return svg("svg", { viewBox: `0 0 ${AXIS.width} ${AXIS.height}`, class: "gravity-axis", role: "img", "aria-label": `Specific gravity from 1.0 to 1.4: ${eggs.length} measured stages, the solution at ${gravity}` },
    svg("rect", { class: "floating", x: AXIS.left, y: 12, width: at(gravity) - AXIS.left, height: 26 }),
    svg("path", { class: "ruler-line", d: `M${AXIS.left} 38H${AXIS.width - AXIS.left}${labels.map((value) => `M${at(value)} 38v8`).join("")}` }),
    ...eggs.map((value) => svg("circle", { class: value <= gravity ? "stage-light" : "stage-heavy", cx: at(value), cy: 25, r: 5 })),
    svg("path", { class: "solution-line", d: `M${at(gravity)} 4V46` }),
    ...labels.map((value) => svg("text", { x: at(value), y: 62, "text-anchor": "middle" }, value.toFixed(1))));
}
