// Pictures in, one after the other, each with its own progress and its own problem.

import { get, upload } from "./api.js";
import { announce, byId, el, fill } from "./dom.js";
import { withProblem } from "./page.js";
import { fileSize, figure } from "./words.js";

let queue = Promise.resolve();

export async function startUploads(preparationId, onStored) {
  const take = (files) => [...files].forEach((file) => enqueue(file, preparationId, onStored));
  for (const id of ["file-input", "camera-input"]) {
    byId(id).addEventListener("change", (event) => { take(event.target.files); event.target.value = ""; });
  }
  startDropZone(take);
  byId("upload-form").addEventListener("submit", (event) => event.preventDefault());
  byId("scale-choice").addEventListener("change", showScaleDetail);
  await offerCalibrations();
}

async function offerCalibrations() {
  const calibrations = await withProblem(byId("upload-problem"), () => get("/api/calibrations")) ?? [];
  fill(byId("calibration-choice"), calibrations.map(calibrationOption));
  const start = calibrations.length ? "calibration" : "unknown";
  document.querySelector(`input[name=scale][value=${start}]`).checked = true;
  document.querySelector("input[name=scale][value=calibration]").disabled = !calibrations.length;
  showScaleDetail();
}

function calibrationOption(calibration) {
  const words = `${calibration.microscope}, ${calibration.objective}: ${figure(calibration.um_per_px)} µm per pixel`;
  return el("option", { value: calibration.id }, words);
}

function showScaleDetail() {
  const chosen = scaleChoice();
  for (const part of document.querySelectorAll(".scale-detail")) part.hidden = part.dataset.scale !== chosen;
}

const scaleChoice = () => document.querySelector("input[name=scale]:checked").value;

function startDropZone(take) {
  const zone = byId("drop-zone");
  const mark = (isOver) => (event) => { event.preventDefault(); zone.classList.toggle("is-over", isOver); };
  zone.addEventListener("dragenter", mark(true));
  zone.addEventListener("dragover", mark(true));
  zone.addEventListener("dragleave", mark(false));
  zone.addEventListener("drop", (event) => { mark(false)(event); take(event.dataTransfer.files); });
}

function enqueue(file, preparationId, onStored) {
  const query = scaleQuery();
  if (!query) return;
  query.set("file_name", file.name);
  const path = `/api/preparations/${preparationId}/images?${query}`;
  const item = uploadItem(file);
  byId("upload-list").append(item.row);
  const attempt = () => { queue = queue.then(() => sendFile(path, file, item, onStored)); };
  item.again.addEventListener("click", attempt);
  attempt();
}

/** The scale as the API wants it, or null with a sentence on the page. */
function scaleQuery() {
  const problem = byId("upload-problem");
  problem.textContent = "";
  if (scaleChoice() === "unknown") return new URLSearchParams();
  if (scaleChoice() === "calibration") return new URLSearchParams({ calibration_id: byId("calibration-choice").value });
  const scale = Number(byId("um-per-px").value);
  if (scale > 0) return handScale(scale);
  problem.textContent = "Give the µm per pixel above 0 first, or choose that the scale is unknown.";
  byId("um-per-px").focus();
  return null;
}

function handScale(scale) {
  const query = new URLSearchParams({ um_per_px: String(scale) });
  if (byId("um-per-px-sd").value) query.set("um_per_px_sd", byId("um-per-px-sd").value);
  return query;
}

function uploadItem(file) {
  const words = el("span", { class: "hint" }, "Waits to be sent");
  const bar = el("progress", { max: 1, value: 0, "aria-label": `Sending ${file.name}` });
  const problem = el("p", { class: "problem", role: "alert" });
  const again = el("button", { type: "button", hidden: true }, `Send ${file.name} again`);
  const row = el("li", {}, el("div", { class: "upload-row" },
    el("span", { class: "picture-name" }, file.name), el("span", { class: "hint" }, fileSize(file.size)), words), bar, problem, again);
  return { row, words, bar, problem, again };
}

async function sendFile(path, file, item, onStored) {
  item.again.hidden = true;
  item.problem.textContent = "";
  item.bar.hidden = false;
  try {
    await upload(path, file, (share) => showShare(item, share));
    item.row.remove();
    announce(`${file.name} is stored and waits for proposals.`);
    await onStored();
  } catch (error) {
    item.words.textContent = "Not stored";
    item.bar.hidden = true;
    item.problem.textContent = error.message;
    item.again.hidden = false;
  }
}

function showShare(item, share) {
  item.bar.value = share;
  item.words.textContent = share < 1 ? `Sending, ${Math.floor(100 * share)} %` : "Sent; being stored";
}
