// Which scale pictures have: a calibration on record, one by hand, or none.

import { get } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { withProblem } from "./page.js";
import { figure } from "./words.js";

/** Offers the calibrations on record; what keeps them away is said in `problem`. */
export async function startScaleChoice(problem) {
  byId("scale-choice").addEventListener("change", showScaleDetail);
  const calibrations = await withProblem(problem, () => get("/api/calibrations")) ?? [];
  fill(byId("calibration-choice"), calibrations.filter((one) => one.is_newest).map(calibrationOption), earlierOnes(calibrations));
  byId("calibration-choice").addEventListener("change", () => showAge(calibrations));
  showAge(calibrations);
  const start = calibrations.length ? "calibration" : "unknown";
  document.querySelector(`input[name=scale][value=${start}]`).checked = true;
  document.querySelector("input[name=scale][value=calibration]").disabled = !calibrations.length;
  showScaleDetail();
}

function calibrationOption(calibration) {
  const where = [calibration.microscope, calibration.objective, calibration.camera_setting].filter(Boolean).join(", ");
  const age = calibration.is_old ? ` (${calibration.age_days} days old)` : "";
  return el("option", { value: calibration.id }, `${where}: ${figure(calibration.um_per_px)} µm per pixel${age}`);
}

/** Pictures taken before the newest calibration may need an earlier one. */
function earlierOnes(calibrations) {
  const earlier = calibrations.filter((one) => !one.is_newest);
  return earlier.length ? el("optgroup", { label: "Earlier, for pictures of that time" }, earlier.map(calibrationOption)) : null;
}

function showAge(calibrations) {
  const chosen = calibrations.find((one) => one.id === Number(byId("calibration-choice").value));
  byId("calibration-age").textContent = chosen?.is_old
    ? `This calibration is ${chosen.age_days} days old; photograph a stage micrometer again soon.` : "";
}

function showScaleDetail() {
  const chosen = scaleChoice();
  for (const part of document.querySelectorAll(".scale-detail")) part.hidden = part.dataset.scale !== chosen;
}

const scaleChoice = () => document.querySelector("input[name=scale]:checked").value;

/** The scale as the API wants it, or null with a sentence in `problem`. */
export function readScale(problem) {
  problem.textContent = "";
  if (scaleChoice() === "unknown") return {};
  if (scaleChoice() === "calibration") return { calibration_id: Number(byId("calibration-choice").value) };
  const scale = Number(byId("um-per-px").value);
  if (scale > 0) return scaleByHand(scale);
  problem.textContent = "Give the µm per pixel above 0 first, or choose that the scale is unknown.";
  byId("um-per-px").focus();
  return null;
}

function scaleByHand(scale) {
  const spread = byId("um-per-px-sd").value;
  return spread ? { um_per_px: scale, um_per_px_sd: Number(spread) } : { um_per_px: scale };
}
