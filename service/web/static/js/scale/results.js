// What was measured on a picture, each with a person's word on it or a form to give it.

import { get, post } from "../api.js";
import { announce, byId, el, fill, stateMark } from "../dom.js";
import { submitting } from "../page.js";
import { dateTime, personName } from "../words.js";
import { precise } from "./words.js";

const METHODS = { ruling: "Ruling of a stage micrometer", "two points": "Two points on a known length", file: "What the file says" };
const STATES = { proposed: ["waits", "◇", "Proposed"], confirmed: ["done", "✓", "Confirmed"], refused: ["failed", "✕", "Refused"] };

/** Shows `measurements`, newest first; `page` is the state of the page, `again()` loads them anew. */
export async function showResults(page, measurements, again) {
  const open = page.image || !page.mayConfirm ? [] : await get("/api/scale-measurements");
  fill(byId("results"), measurements.length ? measurements.map((one, place) => card(page, one, open, again, place === 0))
    : el("p", { class: "empty" }, "Nothing was measured on this picture yet."));
}

function card(page, measurement, open, again, isNewest) {
  const { state } = measurement;
  const details = [axisLines(measurement), picture(measurement), notes(measurement)];
  return el("article", { class: "panel result", "data-measurement-id": measurement.id },
    el("div", { class: "result-head" }, el("h3", {}, `${METHODS[measurement.method]} (measurement ${measurement.id})`), stateMark(...STATES[state])),
    isNewest ? details : el("details", {}, el("summary", {}, precise(measurement.um_per_px, measurement.um_per_px_sd)), details),
    el("p", { class: "hint" }, `Measured ${dateTime(measurement.created_at)}, ${personName(measurement.created_by)}`),
    measurement.refusal ? el("p", {}, `Refused: ${measurement.refusal}`) : null,
    state === "proposed" ? wordForm(page, measurement, open, again) : null);
}

function axisLines(measurement) {
  const line = (axis, value, sd) => [el("dt", {}, `Along ${axis}`), el("dd", {}, value === null ? "not measured" : precise(value, sd))];
  const { um_per_px_x: x, um_per_px_x_sd: xSd, um_per_px_y: y, um_per_px_y_sd: ySd } = measurement;
  const oblique = measurement.measured_axis === "oblique"
    ? [el("dt", {}, `At ${measurement.details.angle_deg.toFixed(0)}° to x`), el("dd", {}, precise(measurement.um_per_px, measurement.um_per_px_sd))] : [];
  return el("dl", { class: "facts" }, line("x", x, xSd), line("y", y, ySd), oblique, found(measurement));
}

function found({ method, details }) {
  if (method !== "ruling") return [];
  return [el("dt", {}, "Found"), el("dd", {}, `${details.n_marks} marks over ${details.n_divisions} divisions of ${details.division_um} µm, one every ${details.division_px.toFixed(2)} px`)];
}

function picture({ shown_url: url, id }) {
  if (!url) return null;
  return el("a", { href: url, target: "_blank", rel: "noopener" }, el("img", { src: url, alt: `The marks that were found, drawn over the photograph; measurement ${id}. Opens large.` }));
}

function notes(measurement) {
  return el("details", {}, el("summary", {}, `${measurement.notes.length} things to know before it is used`), el("ul", {}, measurement.notes.map((note) => el("li", {}, note))));
}

function wordForm(page, measurement, open, again) {
  if (page.image) return imageForm(page, measurement);
  if (!page.mayConfirm) return el("p", { class: "notice" }, "To confirm or refuse a scale needs the role reader or one above it. It waits on the page Calibrations.");
  return confirmForm(page, measurement, open, again);
}

function imageForm(page, measurement) {
  const problem = el("p", { class: "problem", role: "alert" });
  const form = el("form", { class: "stack", novalidate: true },
    el("p", {}, "New candidates are measured with it; it holds for this picture alone. The old set stays on record with its marks."),
    problem, el("div", { class: "actions" }, el("button", { type: "submit", class: "primary" }, "Use this scale for this picture")));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (await submitting(form, problem, () => post(`/api/images/${page.image.id}/proposals`, { measurement_id: measurement.id }))) location.assign(`/reading/${page.image.id}`);
  });
  return form;
}

function confirmForm(page, measurement, open, again) {
  const id = (name) => `${name}-${measurement.id}`;
  const input = (name, label, isRequired) => el("div", { class: "field" }, el("label", { for: id(name) }, label),
    el("input", { id: id(name), name, autocomplete: "off", required: isRequired, value: page.belongs[name] ?? "" }));
  const problem = el("p", { class: "problem", role: "alert" });
  const form = el("form", { class: "stack", novalidate: true },
    el("p", {}, measurement.method === "ruling" ? "Look at the picture of the marks first: is every mark drawn over, and is the division right?" : "Check the length and both ends first."),
    el("div", { class: "field-grid" }, input("microscope", "Microscope and camera", true), input("objective", "Objective", true), input("camera_setting", "Camera setting", false), otherAxis(measurement, open, id("other-axis"))),
    problem,
    el("div", { class: "actions" }, el("button", { type: "submit", class: "primary" }, "Confirm it into the history"), refuseButton(measurement, problem, again)));
  form.addEventListener("submit", (event) => confirm(event, page, form, problem, measurement, again));
  return form;
}

function otherAxis(measurement, open, id) {
  const wanted = { x: "y", y: "x" }[measurement.measured_axis];
  const fitting = open.filter((one) => one.measured_axis === wanted && one.id !== measurement.id);
  if (!wanted || !fitting.length) return null;
  return el("div", { class: "field" }, el("label", { for: id }, `Join with a measurement along ${wanted}`),
    el("select", { id, name: "other_axis_id" }, el("option", { value: "" }, "None"),
      fitting.map((one) => el("option", { value: one.id }, `Measurement ${one.id}: ${one.um_per_px.toPrecision(4)} µm per pixel, ${dateTime(one.created_at)}`))));
}

async function confirm(event, page, form, problem, measurement, again) {
  event.preventDefault();
  const missing = [...form.elements].find((field) => field.willValidate && !field.validity.valid);
  if (missing) {
    problem.textContent = `${form.querySelector(`label[for="${missing.id}"]`).textContent}: ${missing.validationMessage}`;
    return missing.focus();
  }
  const body = { microscope: form.microscope.value.trim(), objective: form.objective.value.trim(), camera_setting: form.camera_setting.value.trim() };
  if (form.other_axis_id?.value) body.other_axis_id = Number(form.other_axis_id.value);
  if (!await submitting(form, problem, () => post(`/api/scale-measurements/${measurement.id}/confirmation`, body))) return;
  page.belongs = body;
  announce("The scale is on record.");
  await again();
}

/** A refusal asks for its reason first. */
function refuseButton(measurement, problem, again) {
  const reason = el("input", { "aria-label": "Why it is refused", placeholder: "Why it is refused", hidden: true, autocomplete: "off", maxlength: 200 });
  const button = el("button", { type: "button" }, "Refuse it");
  button.addEventListener("click", async () => {
    if (reason.hidden) {
      reason.hidden = false;
      button.textContent = "Refuse it for this reason";
      return reason.focus();
    }
    if (!reason.value.trim()) {
      problem.textContent = "Say first why it is refused.";
      return reason.focus();
    }
    problem.textContent = "";
    try {
      await post(`/api/scale-measurements/${measurement.id}/refusal`, { reason: reason.value.trim() });
      announce("The measurement is refused and stays on record.");
      await again();
    } catch (error) {
      problem.textContent = error.message;
    }
  });
  return [reason, button];
}
