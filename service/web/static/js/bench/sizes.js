// The table of published sizes: searched, drawn to one scale, with every source.

import { get } from "../api.js";
import { byId, el, fill } from "../dom.js";
import { countOf } from "../words.js";
import { askOnChange, fieldsOf } from "./asking.js";
import { drawRuler, drawSize } from "./drawn-sizes.js";
import { cite } from "./source-words.js";

const HOSTS = { dog: "dog", cat: "cat", both: "dog and cat" };
// Larvae, mites and pollen are ten times as long: they stand in the table, not in the drawing.
const DRAWN_STAGES = ["egg", "packet", "oocyst", "sporocyst", "cyst"];

export async function startSizes() {
  fill(byId("sizes-ruler"), drawRuler());
  const groups = await get("/api/groups");
  byId("sizes-group").append(...groups.map((group) => el("option", { value: group.name }, group.label)));
  await askOnChange(byId("sizes-form"), { path: "/api/bench/sizes", read: fieldsOf, show, problem: byId("sizes-problem") });
}

function show(rows) {
  byId("sizes-count").textContent = rows.length ? `${countOf(rows.length, "taxon", "taxa")}. A size that fits is not an identification.` : "No published row fits what was asked. That says nothing of what is on the slide.";
  const drawn = rows.map((row, index) => ({ row, index, drawing: DRAWN_STAGES.includes(row.stage) && drawSize(row) })).filter(({ drawing }) => drawing);
  fill(byId("sizes-drawn"), drawn.map(({ row, index, drawing }) => el("li", {},
    el("a", { href: `#taxon-${index}`, onclick: openSources }, drawing, el("em", {}, row.taxon), ...stageWords(row), el("span", { class: "small-label" }, rangesOf(row))))));
  fill(byId("sizes-table"), rows.length > 0 && table(rows));
  byId("sizes-sources").hidden = rows.length === 0;
}

/** The row that a drawing leads to can be shown only once its table is unfolded. */
function openSources() {
  byId("sizes-sources").open = true;
}

function stageWords({ stage }) {
  return stage === "egg" ? [] : [el("span", { class: "small-label" }, stage)];
}

function rangesOf(row) {
  const [length, width] = [printRange(row.length_range_um), printRange(row.width_range_um)];
  if (!length && !width) return "no range was read";
  return `${length || "?"} × ${width || "?"} µm`;
}

function printRange(pair) {
  return pair && `${pair[0]}–${pair[1]}`;
}

function table(rows) {
  return el("table", {}, el("caption", { class: "visually-hidden" }, "Published sizes with every source"),
    el("thead", {}, el("tr", {}, ["Taxon", "Group", "Host", "Length, µm", "Width, µm", "Sources"].map((name) => el("th", { scope: "col" }, name)))),
    el("tbody", {}, rows.map(tableRow)));
}

function tableRow(row, index) {
  const cell = (label, ...content) => el("td", { "data-label": label }, ...content);
  return el("tr", { id: `taxon-${index}`, tabindex: "-1" },
    el("th", { scope: "row" }, el("span", {}, el("em", {}, row.taxon), row.stage !== "egg" && `, ${row.stage}`)),
    cell("Group", row.group_label),
    cell("Host", row.hosts.map((host) => HOSTS[host]).join(", ")),
    cell("Length, µm", printRange(row.length_range_um) ?? "no range"),
    cell("Width, µm", printRange(row.width_range_um) ?? "no range"),
    el("td", { class: "sources" }, el("details", {}, el("summary", { "aria-label": `${countOf(row.figures.length, "source")} of ${row.taxon}, ${row.stage}` }, countOf(row.figures.length, "source")),
      el("ul", {}, row.figures.map(figureItem))),
    row.kept_with_why && el("p", { class: "small-label" }, row.kept_with_why, " ", el("cite", {}, row.kept_with_source))));
}

function figureItem(figure) {
  const use = figure.decides ? "range, used by the size check" : `${figure.figure}, shown only`;
  return el("li", {}, `${figure.printed} (${use}) `, cite(figure));
}
