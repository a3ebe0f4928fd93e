// One photograph in, then on to the page that measures it.

import { get, upload } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { startPage, withProblem } from "./page.js";
import { dateTime, personName, pixelsWords } from "./words.js";

const form = byId("photograph-form");
const problem = byId("upload-problem");
const FIELDS = ["microscope", "objective", "camera_setting"];

await startPage();
const given = new URLSearchParams(location.search);
for (const name of FIELDS) form[name].value = given.get(name) ?? "";
for (const input of [byId("file-input"), byId("camera-input")]) input.addEventListener("change", () => takeFrom(input));
form.addEventListener("submit", (event) => event.preventDefault());
startDropZone();
// What was chosen before this script listened.
[byId("file-input"), byId("camera-input")].forEach(takeFrom);
await showBefore();

async function showBefore() {
  const [pictures, calibrations] = await withProblem(problem, () => Promise.all([get("/api/calibration-pictures"), get("/api/calibrations")])) ?? [[], []];
  fill(byId("sent-list"), pictures.length ? pictures.map(sentLine) : el("li", { class: "hint" }, "No photograph was sent yet."));
  const microscopes = new Set(calibrations.map((one) => one.microscope));
  fill(byId("microscopes"), [...microscopes].map((name) => el("option", { value: name })));
}

function sentLine(picture) {
  const words = `${pixelsWords(picture.width, picture.height)}, ${dateTime(picture.created_at)}, ${personName(picture.created_by)}`;
  return el("li", {}, el("a", { href: `/calibrations/pictures/${picture.id}` }, picture.file_name), el("br"), el("span", { class: "hint" }, words));
}

function startDropZone() {
  const zone = byId("drop-zone");
  const mark = (isOver) => (event) => { event.preventDefault(); zone.classList.toggle("is-over", isOver); };
  zone.addEventListener("dragenter", mark(true));
  zone.addEventListener("dragover", mark(true));
  zone.addEventListener("dragleave", mark(false));
  zone.addEventListener("drop", (event) => { mark(false)(event); take(event.dataTransfer.files); });
}

/** The list of files is emptied with the input, so that the same file can be chosen again. */
function takeFrom(input) {
  const files = [...input.files];
  input.value = "";
  take(files);
}

async function take(files) {
  const file = files[0];
  if (!file) return;
  byId("sending").hidden = false;
  const show = (share) => {
    byId("sending-bar").value = share;
    byId("sending-words").textContent = share < 1 ? `Sending ${file.name}` : `${file.name} is being read`;
  };
  show(0);
  const path = `/api/calibration-pictures?${new URLSearchParams({ file_name: file.name })}`;
  const picture = await withProblem(problem, () => upload(path, file, show));
  byId("sending").hidden = true;
  if (!picture) return;
  const belongs = new URLSearchParams(FIELDS.map((name) => [name, form[name].value.trim()]));
  location.assign(`/calibrations/pictures/${picture.id}?${belongs}`);
}
