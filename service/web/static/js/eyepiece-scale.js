// What one division of an eyepiece's scale spans on the slide; worked out by the service as it is typed.

import { get, post } from "./api.js";
import { announce, byId, el, fill } from "./dom.js";
import { startPage, submitting, withProblem } from "./page.js";
import { dateTime, personName } from "./words.js";

const form = byId("ocular-form");
const problem = byId("ocular-problem");
const COUNTS = ["stage_divisions", "ocular_divisions", "stage_division_um"];
let figures = null;
let asked = 0;

const { user } = await startPage();
form.addEventListener("input", (event) => (COUNTS.includes(event.target.name) ? workOut() : showObject()));
form.addEventListener("submit", keep);
if (user.role === "assistant") {
  form.querySelector("button[type=submit]").disabled = true;
  problem.textContent = "Keeping a scale needs the role reader or one above it; you can work it out here.";
}
await showKept();

async function workOut() {
  const turn = ++asked;
  const body = counts();
  figures = null;
  if (COUNTS.some((name) => !(body[name] > 0))) return show("Enter both counts, above 0.");
  const found = await withProblem(problem, () => post("/api/ocular-scales/figures", body));
  if (turn !== asked || !found) return;
  figures = found;
  show(`One division of the eyepiece spans ${withSpread(found.um_per_division, found.um_per_division_sd)} µm.`);
}

function show(words) {
  byId("ocular-figure").textContent = words;
  showObject();
}

/** The count of an object is read to a fifth of a division at both ends, as the scales were. */
function showObject() {
  const count = Number(byId("object-divisions").value);
  if (!figures || !(count > 0)) return void (byId("object-figure").textContent = "");
  const reading = (Math.SQRT2 * 0.2) / count;
  const size = count * figures.um_per_division;
  const spread = size * Math.hypot(reading, figures.um_per_division_sd / figures.um_per_division);
  byId("object-figure").textContent = `The object is ${withSpread(size, spread)} µm long.`;
}

function withSpread(value, sd) {
  const digits = Math.max(0, Math.min(4, 1 - Math.floor(Math.log10(sd || value))));
  return `${value.toFixed(digits)} ± ${sd.toFixed(digits)}`;
}

function counts() {
  return Object.fromEntries(COUNTS.map((name) => [name, Number(form[name].value)]));
}

async function keep(event) {
  event.preventDefault();
  const missing = [...form.elements].find((field) => field.willValidate && !field.validity.valid);
  if (missing) {
    problem.textContent = `${form.querySelector(`label[for="${missing.id}"]`).textContent}: ${missing.validationMessage}`;
    return missing.focus();
  }
  const body = { ...counts(), microscope: form.microscope.value.trim(), objective: form.objective.value.trim() };
  if (!await submitting(form, problem, () => post("/api/ocular-scales", body))) return;
  announce("The eyepiece's scale is on record.");
  await showKept();
}

async function showKept() {
  const kept = await withProblem(problem, () => get("/api/ocular-scales")) ?? [];
  fill(byId("ocular-list"), kept.length ? kept.map(keptLine) : el("li", { class: "hint" }, "No eyepiece's scale is on record."));
}

function keptLine(scale) {
  return el("li", {}, el("strong", {}, `${scale.microscope}, ${scale.objective}`), ` ${withSpread(scale.um_per_division, scale.um_per_division_sd)} µm per division`,
    el("br"), el("span", { class: "hint" }, `${scale.stage_divisions} stage divisions of ${scale.stage_division_um} µm on ${scale.ocular_divisions}; ${dateTime(scale.created_at)}, ${personName(scale.created_by)}`));
}
