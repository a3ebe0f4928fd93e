// Calibrations on record, their course over time, and what waits for a person's word.

import { get, post } from "./api.js";
import { announce, byId, el, fill, stateMark } from "./dom.js";
import { showDrift } from "./drift-plot.js";
import { startPage, submitting, withProblem } from "./page.js";
import { withSpread } from "./scale/words.js";
import { dateTime, personName, pixelsWords } from "./words.js";

const form = byId("calibration-form");
const problem = byId("calibration-problem");

const { user } = await startPage();
byId("by-hand").hidden = user.role === "assistant";
form.addEventListener("submit", addCalibration);
await showAll();

async function showAll() {
  const [calibrations, series, open] = await withProblem(byId("list-problem"),
    () => Promise.all([get("/api/calibrations"), get("/api/calibration-series"), get("/api/scale-measurements")])) ?? [[], [], []];
  fill(byId("calibration-list"), calibrations.length ? table(calibrations) : el("p", { class: "empty" }, "No calibration is on record. Without one, sizes stay unknown."));
  fill(byId("drift-list"), series.length ? series.map(driftPanel) : el("p", { class: "empty" }, "The course of each scale is drawn here once a calibration is on record."));
  byId("open-section").hidden = !open.length;
  fill(byId("open-list"), open.map(openLine));
}

function openLine(measurement) {
  const words = `${scaleWords(measurement)}, ${measurement.source}, ${dateTime(measurement.created_at)}, ${personName(measurement.created_by)}`;
  return el("li", {}, el("a", { href: `/calibrations/pictures/${measurement.picture_id}` }, `Measurement ${measurement.id}`), `: ${words}`);
}

function driftPanel(series) {
  const { microscope, objective, camera_setting: setting, points } = series;
  const again = new URLSearchParams({ microscope, objective, camera_setting: setting });
  const plot = el("div", { class: "drift-plot" });
  showDrift(plot, series);
  return el("article", { class: "panel drift" },
    el("div", { class: "heading-row" }, el("h3", {}, [microscope, objective, setting].filter(Boolean).join(", ")), ageMark(series)),
    plot,
    el("p", { class: "hint" }, `µm per pixel with 95 % interval, ${sizeWords(series)}.`),
    driftWords(points.at(-1)),
    el("p", {}, el("a", { href: `/calibrations/new?${again}` }, "Measure again")));
}

function ageMark({ is_old: isOld, age_days: days, reminder_days: limit }) {
  const age = days === 0 ? "Measured today" : `${days} ${days === 1 ? "day" : "days"} old`;
  return isOld ? stateMark("waits", "!", `${age}; measure again (reminder at ${limit} days)`) : stateMark("done", "✓", age);
}

function driftWords(newest) {
  if (newest.change_percent === null) return el("p", { class: "hint" }, "One calibration so far: nothing to compare it with.");
  const change = `${newest.change_percent >= 0 ? "+" : "−"}${Math.abs(newest.change_percent).toPrecision(2)} %`;
  if (!newest.has_drifted) return el("p", { class: "hint" }, `${change} since the one before, within their uncertainties.`);
  return el("p", { class: "problem" }, `${change} since the one before, more than their uncertainties explain. Check zoom, adapter, objective and picture size.`);
}

function sizeWords({ image_width: width, image_height: height }) {
  return width && height ? `at ${pixelsWords(width, height)}` : "at any picture size";
}

function table(calibrations) {
  const heads = ["Microscope and camera", "Objective", "Camera setting", "Scale", "Picture", "How measured", "Added"];
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
    cell("Camera setting", calibration.camera_setting || "–"),
    cell("Scale", [scaleWords(calibration), axesWords(calibration)].filter(Boolean).join("; ")),
    cell("Picture", width && height ? pixelsWords(width, height) : "any size"),
    cell("How measured", calibration.source),
    cell("Added", `${dateTime(calibration.created_at)}, ${personName(calibration.created_by)}${calibration.is_newest ? "" : " (a newer one follows it)"}`));
}

function scaleWords({ um_per_px: value, um_per_px_sd: sd }) {
  return `${withSpread(value, sd)} µm per pixel`;
}

function axesWords({ um_per_px_x: x, um_per_px_y: y }) {
  if (x !== null && y !== null) return `x ${x.toPrecision(4)}, y ${y.toPrecision(4)}`;
  if (x === null && y === null) return "";
  return x !== null ? "measured along x only" : "measured along y only";
}

async function addCalibration(event) {
  event.preventDefault();
  const missing = [...form.elements].find((field) => field.willValidate && !field.validity.valid);
  if (missing) return complain(missing);
  const added = await submitting(form, problem, () => post("/api/calibrations", readForm()));
  if (!added) return;
  form.reset();
  announce("The calibration is on record.");
  await showAll();
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
    camera_setting: form.camera_setting.value.trim(),
    um_per_px: numberOrNull(form.um_per_px),
    um_per_px_sd: numberOrNull(form.um_per_px_sd),
    source: form.source.value.trim(),
    image_width: numberOrNull(form.image_width),
    image_height: numberOrNull(form.image_height),
  };
}
