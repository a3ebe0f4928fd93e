import { get } from "../api.js";
import { announce, byId } from "../dom.js";
import { showLearnerNotes } from "../learner-notes.js";
import { startPage, withProblem } from "../page.js";
import { showSignOff, signedOffWords } from "../sign-off.js";
import { scaleWords } from "../words.js";
import { showCalibrationAge } from "./calibration-age.js";
import { startContactSheet } from "./contact-sheet.js";
import { Desk } from "./desk.js";
import { offerScaleCorrection, showScaleButton } from "./correct-scale.js";
import { showFields } from "./fields.js";
import { startGuide } from "./guide.js";
import { startKeys } from "./keys.js";
import { offerOtherDetector, showDetectorButton } from "./other-detector.js";
import { startPace } from "./pace.js";
import { chooseRead, isUnaidedOpen, offerLock, showReadWords } from "./read-mode.js";
import { showRule } from "./reading-rule.js";
import { hideSoFar, showSoFar, startSearchButtons } from "./so-far.js";

const POLL_MS = 1500;
const imageId = document.body.dataset.imageId;
const problem = byId("page-problem");

const session = await startPage();
const loaded = await withProblem(problem, load);
if (loaded) await read(new Desk({ session, ...loaded }));

async function load() {
  const image = await get(`/api/images/${encodeURIComponent(imageId)}`);
  const [specimen, groups] = await Promise.all([get(`/api/specimens/${image.specimen_id}`), get("/api/groups")]);
  return { image, specimen, groups };
}

async function read(desk) {
  showHeading(desk);
  startSignOff(desk);
  showFields(desk);
  desk.read = desk.image.reading;
  if (mustChooseRead(desk)) {
    showRule(desk);
    desk.read = await chooseRead(desk.image);
  }
  startTools(desk);
  startKeys(desk);
  startSearchButtons(desk, problem);
  await waitFor(desk, hasTiles);
  if (desk.image.zoom_levels) {
    desk.openViewer();
    startGuide(desk);
  }
  if (!isUnaidedOpen(desk.read)) await waitFor(desk, isSettled);
  if (!isUndone(desk.image)) {
    await desk.reload();
    showReadWords(desk.read);
    showLearnerNotes(desk.specimen.id);
    offerLock(desk.read, (locked) => showProposals(desk, locked));
    startAtCandidate(desk);
  }
  await offerScaleCorrection(desk);
  await offerOtherDetector(desk);
}

/** No read was begun, or the specimen is read unaided first and this reader has not done so. */
function mustChooseRead(desk) {
  if (!desk.canMark() || isUndone(desk.image)) return false;
  return !desk.read || (desk.image.candidates === null && !isUnaidedOpen(desk.read));
}

async function showProposals(desk, locked) {
  desk.read = locked;
  showReadWords(locked);
  await waitFor(desk, isSettled);
  await desk.reload();
  desk.showCurrentIfSmall();
  announce("Your read is locked. The proposals are shown.");
}

function hasTiles(image) {
  return Boolean(image.zoom_levels) || isSettled(image);
}

function isSettled(image) {
  return image.state === "ready" || isUndone(image);
}

function isUndone(image) {
  return image.state === "failed" || image.state === "stopped";
}

/** Polls the picture until `isEnough`, with its progress on the page. */
async function waitFor(desk, isEnough) {
  while (!isEnough(desk.image)) {
    await showSoFar(desk);
    await new Promise((resolve) => setTimeout(resolve, POLL_MS));
    desk.image = (await withProblem(problem, () => get(`/api/images/${desk.image.id}`))) ?? desk.image;
  }
  hideSoFar(desk);
  if (!isUndone(desk.image)) return;
  problem.textContent = desk.image.problem ?? "This picture could not be assessed.";
  byId("again-button").hidden = Boolean(desk.specimen.signed_off);
}

function showHeading({ image, specimen }) {
  document.title = `${image.file_name}, ${specimen.code} · Coverslip`;
  byId("reading-heading").textContent = `${image.file_name}`;
  byId("specimen-link").textContent = `Specimen ${specimen.code}`;
  byId("specimen-link").href = `/specimens/${specimen.id}`;
  byId("reading-scale").textContent = scaleWords(image.calibration);
  showCalibrationAge(image);
}

function startSignOff(desk) {
  const button = byId("sign-off-button");
  button.hidden = !desk.canMark();
  byId("draw-button").hidden = !desk.canMark();
  if (desk.specimen.signed_off) showFrozen(signedOffWords(desk.specimen.signed_off));
  else if (!desk.canMark()) showFrozen("With the role of assistant you can look, but not mark. A reader marks and signs off.");
  button.addEventListener("click", () => {
    showSignOff(byId("sign-off"), desk.specimen, () => freeze(desk));
    byId("sign-off-dialog").showModal();
  });
}

async function freeze(desk) {
  byId("sign-off-dialog").close();
  desk.specimen = await get(`/api/specimens/${desk.specimen.id}`);
  byId("sign-off-button").hidden = true;
  showScaleButton(desk);
  showDetectorButton(desk);
  byId("draw-button").hidden = true;
  desk.stopDrawing();
  showFrozen(signedOffWords(desk.specimen.signed_off));
  await desk.reload();
}

function showFrozen(words) {
  byId("frozen-notice").hidden = false;
  byId("frozen-notice").textContent = `■ ${words}`;
}

function startTools(desk) {
  byId("fit-button").addEventListener("click", () => desk.viewer.showWhole());
  byId("outlines-button").addEventListener("click", () => desk.toggleOutlines());
  byId("draw-button").addEventListener("click", () => desk.toggleDrawing());
  byId("below-cut").addEventListener("toggle", () => desk.repaint());
  startPace();
  startContactSheet(desk);
}

/** A link from the sign-off list names its candidate; else the first one is shown so that it can be judged. */
function startAtCandidate(desk) {
  const wanted = new URLSearchParams(location.search).get("candidate");
  const item = desk.items().find((candidate) => String(candidate.id) === wanted);
  if (item) desk.select(item.id, { moves: true });
  else desk.showCurrentIfSmall();
}
