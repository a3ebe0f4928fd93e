import { get, post } from "./api.js";
import { announce, byId, el, fill } from "./dom.js";
import { startPage, submitting, withProblem } from "./page.js";
import { dateTime, personName, scaleWords } from "./words.js";

const form = byId("calibration-form");
const problem = byId("calibration-problem");

await startPage();
form.addEventListener("submit", addCalibration);
await showCalibrations();

async function showCalibrations() {
  const calibrations = await withProblem(byId("list-problem"), () => get("/api/calibrations")) ?? [];
  fill(byId("calibration-list"), calibrations.length ? table(calibrations) : el("p", { class: "empty" }, "No calibration is on record. Without one, sizes stay unknown."));
}

function table(calibrations) {
  const heads = ["Microscope and camera", "Objective", "Scale", "Picture", "How measured", "Added"];
  return el("div", { class: "table-wrap" }, el("table", {},
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, calibrations.map(row))));
}

function row(calibration) {
  const { image_width: width, image_height: height } = calibration;
  const cell = (label, words) => el("td", { "data-label": label }, words);
  return el("tr", {},
    el("th", { scope: "row" }, calibration.microscope),
    cell("Objective", calibration.objective),
    cell("Scale", scaleWords(calibration)),
    cell("Picture", width && height ? `${width} × ${height} px` : "any size"),
    cell("How measured", calibration.source),
    cell("Added", `${dateTime(calibration.created_at)}, ${personName(calibration.created_by)}`));
}

async function addCalibration(event) {
  event.preventDefault();
  const missing = [...form.elements].find((field) => field.willValidate && !field.validity.valid);
  if (missing) return complain(missing);
  const added = await submitting(form, problem, () => post("/api/calibrations", readForm()));
  if (!added) return;
  form.reset();
  announce("The calibration is on record.");
  await showCalibrations();
}

function complain(field) {
  problem.textContent = `${form.querySelector(`label[for="${field.id}"]`).textContent}: ${field.validationMessage}`;
  field.focus();
}

function readForm() {
  const numberOrNull = (field) => (field.value === "" ? null : Number(field.value));
  return {
    microscope: form.microscope.value.trim(),
    objective: form.objective.value.trim(),
    um_per_px: numberOrNull(form.um_per_px),
    um_per_px_sd: numberOrNull(form.um_per_px_sd),
    source: form.source.value.trim(),
    image_width: numberOrNull(form.image_width),
    image_height: numberOrNull(form.image_height),
  };
}
