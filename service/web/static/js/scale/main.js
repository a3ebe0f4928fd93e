// Measures a scale on a photograph of a stage micrometer, or on an image that holds a scale of its own.

import { get, post } from "../api.js";
import { announce, byId, el, fill } from "../dom.js";
import { startPage, submitting, withProblem } from "../page.js";
import { pixelsWords } from "../words.js";
import { Points } from "./points.js";
import { showResults } from "./results.js";

const { pictureId, imageId } = document.body.dataset;
const base = imageId ? `/api/images/${imageId}` : `/api/calibration-pictures/${pictureId}`;
const form = byId("measure-form");
const problem = byId("measure-problem");

const { user } = await startPage();
const picture = await withProblem(byId("page-problem"), () => get(base));
if (picture) await start();

async function start() {
  const given = new URLSearchParams(location.search);
  const belongs = Object.fromEntries(["microscope", "objective", "camera_setting"].map((name) => [name, given.get(name) ?? ""]));
  const page = { image: imageId ? picture : null, mayConfirm: user.role !== "assistant", belongs };
  showHead();
  byId("measure").hidden = false;
  if (picture.zoom_levels === null) return void (byId("page-problem").textContent = "The viewer's copy of this picture isn't written yet. Load the page again in a moment.");
  const points = new Points(byId("viewer"), { ...picture, tiles_path: `${base}/tiles` }, showDistance);
  const again = async () => showResults(page, await get(`${base}/measurements`), again);
  byId("method-choice").addEventListener("change", () => showMethod(points));
  form.addEventListener("submit", (event) => measure(event, points, again));
  if (imageId) form.querySelector("input[value='two points']").checked = true;
  showMethod(points);
  await withProblem(byId("page-problem"), async () => { await again(); await offerOcularScales(); });

  function showDistance() {
    const [first, second] = points?.read() ?? [null, null];
    const px = first && second ? Math.hypot(second[0] - first[0], second[1] - first[1]) : null;
    byId("distance").textContent = px === null ? "" : `The points lie ${px.toFixed(1)} px apart.`;
  }
}

function showHead() {
  const size = pixelsWords(picture.width, picture.height);
  byId("scale-heading").textContent = picture.file_name;
  fill(byId("trail"), imageId ? el("a", { href: `/reading/${imageId}` }, "Reading") : el("a", { href: "/calibrations" }, "Calibrations"));
  byId("scale-lead").textContent = imageId
    ? `${size}. A scale in the same shot (a stage micrometer, a scale bar, the eyepiece's scale) gives this picture a scale of its own, whatever the zoom and however the phone was held. It holds for this picture alone.`
    : `${size}. The scale will hold for pictures of this size, from this microscope, objective and camera setting; a picture of another size is measured with it only when it is the same picture resized (its aspect within 0.5 %).`;
  const stated = picture.file_scale;
  byId("file-method").hidden = !stated;
  if (stated) byId("file-words").textContent = `The file says ${Number(stated.um_per_px.toPrecision(4))} µm per pixel (${stated.source}). Nobody has confirmed that.`;
}

function method() {
  return form.querySelector("input[name=method]:checked").value;
}

function showMethod(points) {
  for (const part of document.querySelectorAll(".method-detail")) part.hidden = part.dataset.method !== method();
  points.turn(method() === "two points");
  problem.textContent = "";
}

async function measure(event, points, again) {
  event.preventDefault();
  const asked = readForm(points);
  if (!asked) return;
  byId("measure-button").textContent = "Measuring, up to a minute…";
  const found = await submitting(form, problem, () => post(`${base}/measurements`, asked));
  byId("measure-button").textContent = "Measure";
  if (!found) return;
  announce(`Measured: ${found.um_per_px.toPrecision(4)} µm per pixel.`);
  await again();
  byId("results-heading").scrollIntoView({ block: "start" });
}

function readForm(points) {
  if (method() === "file") return { method: "file" };
  if (method() === "ruling") {
    const division = positive("division-um", "Give the µm from mark to mark, above 0.");
    return division && { method: "ruling", division_um: division, ruling_tolerance: Number(byId("ruling-tolerance").value) / 100 };
  }
  const [first, second] = points.read();
  if (!first || !second) return complain(first ? "x2" : "x1", "Set both points first: click the picture at both ends of the known length, or enter the numbers.");
  const length = positive("length-um", "Give the known length in µm, above 0.");
  return length && {
    method: "two points", first_xy: first, second_xy: second, length_um: length,
    length_um_sd: Number(byId("length-um-sd").value), known_length: byId("known-length").value.trim(),
  };
}

function positive(id, sentence) {
  const value = Number(byId(id).value);
  return value > 0 ? value : complain(id, sentence);
}

function complain(id, sentence) {
  problem.textContent = sentence;
  byId(id).focus();
  return null;
}

async function offerOcularScales() {
  const scales = await get("/api/ocular-scales");
  byId("ocular-details").hidden = !scales.length;
  fill(byId("ocular-scale"), scales.map((one) => el("option", { value: one.id }, `${one.microscope}, ${one.objective}: ${one.um_per_division.toPrecision(3)} µm per division`)));
  byId("ocular-take").addEventListener("click", () => {
    const scale = scales.find((one) => one.id === Number(byId("ocular-scale").value));
    const count = positive("ocular-divisions", "Give the number of divisions between the points, above 0.");
    if (!count) return;
    byId("length-um").value = Number((count * scale.um_per_division).toPrecision(7));
    byId("length-um-sd").value = Number((count * scale.um_per_division_sd).toPrecision(3));
    byId("known-length").value = `${count} divisions of the eyepiece's scale (${scale.microscope}, ${scale.objective})`;
    problem.textContent = "";
  });
}
