import { get, post } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { showNextToLabel } from "./next-to-label.js";
import { startImport } from "./set-import.js";
import { startPage, submitting, withProblem } from "./page.js";
import { countOf, dateTime } from "./words.js";

const form = byId("set-form");
const problem = byId("set-problem");
let specimens = [];

const session = await startPage();
startImport(session);
form.addEventListener("change", () => { byId("set-specimens").hidden = form.which.value !== "some"; });
form.addEventListener("submit", makeSet);
await Promise.all([offerSpecimens(), offerMicroscopes(), showSets(), showNextToLabel(session.user.role !== "assistant")]);

async function offerSpecimens() {
  const all = await withProblem(problem, () => get("/api/specimens?limit=200")) ?? [];
  specimens = all.filter((specimen) => specimen.signed_off_at);
  const boxes = specimens.map((specimen) => el("label", { class: "check" },
    el("input", { type: "checkbox", name: "specimen", value: specimen.id }), specimen.code));
  fill(byId("set-specimens"), boxes.length ? boxes : el("p", { class: "hint" }, "No specimen is signed off yet."));
}

async function offerMicroscopes() {
  const all = await withProblem(problem, () => get("/api/calibrations")) ?? [];
  const names = [...new Set(all.map((calibration) => calibration.microscope))].sort();
  fill(byId("set-microscopes"), names.map((name) => el("label", { class: "check" },
    el("input", { type: "checkbox", name: "microscope", value: name }), name)));
}

function chosenRule() {
  const microscopes = [...form.querySelectorAll("input[name=microscope]:checked")].map((box) => box.value);
  return {
    specimen_ids: chosenIds(),
    signed_from: form.signed_from.value || null,
    signed_until: form.signed_until.value || null,
    microscopes: microscopes.length ? microscopes : null,
    least_readers: Number(form.least_readers.value),
    settled_only: form.settled_only.checked,
  };
}

async function makeSet(event) {
  event.preventDefault();
  const made = await submitting(form, problem, () => post("/api/labelled-sets", chosenRule()));
  if (made) await showSets();
}

function chosenIds() {
  if (form.which.value === "all") return null;
  const checked = new Set([...form.querySelectorAll("input[name=specimen]:checked")].map((box) => box.value));
  return specimens.map((specimen) => specimen.id).filter((id) => checked.has(String(id)));
}

async function showSets() {
  const sets = await withProblem(problem, () => get("/api/labelled-sets")) ?? [];
  fill(byId("set-list"), sets.length ? setTable(sets) : el("p", { class: "empty" }, "No labelled set has been made yet."));
}

function setTable(sets) {
  const heads = ["Set", "Made", "Pictures", "Labels", "File"];
  return el("div", { class: "table-wrap" }, el("table", {},
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, sets.map(setRow))));
}

function leftOutWords({ left_out: leftOut }) {
  return leftOut.length ? `, ${leftOut.length} left out (same file in an older specimen)` : "";
}

function setRow(set) {
  const address = set.download_url ?? `/api/labelled-sets/${set.id}.zip`;
  return el("tr", {},
    el("th", { scope: "row" }, el("a", { href: `/labelled-sets/${set.id}` }, `Set ${set.id}`)),
    el("td", { "data-label": "Made" }, dateTime(set.created_at)),
    el("td", { "data-label": "Pictures" }, countOf(set.images, "picture"), leftOutWords(set)),
    el("td", { "data-label": "Labels" }, countOf(set.annotations, "label")),
    el("td", { "data-label": "File" }, el("a", { href: address, download: "" }, `Download set ${set.id}`)));
}
