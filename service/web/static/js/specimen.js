import { get, post } from "./api.js";
import { byId, el, facts, fill, keepFocus, stateMark } from "./dom.js";
import { showLearnerNotes } from "./learner-notes.js";
import { showNumbers, showNumbersLater } from "./numbers.js";
import { startPage, submitting, withProblem } from "./page.js";
import { showPapers } from "./papers.js";
import { adviceItem, getAdvice } from "./preparation-advice.js";
import { showSignOff } from "./sign-off.js";
import { offerStitching, showStitchings, startStitching } from "./stitching.js";
import { startUploads } from "./uploads.js";
import { showVersions } from "./versions.js";
import { CONSISTENCIES, countOf, dateTime, day, fileScaleWords, METHODS, personName, pictureState, pixelsWords, scaleWords, SPECIES, timeLeft } from "./words.js";

const POLL_MS = 1500;
const specimenId = document.body.dataset.specimenId;
const problem = byId("page-problem");
let specimen;
let pollTimer;
let canUpload = false;

const session = await startPage();
await refresh();
if (specimen) {
  startStitching(refresh);
  await Promise.all([offerUploads(), offerSecondLook(), showAdvice(), showStitchings(), showPapers(specimenId)]);
}

async function refresh() {
  clearTimeout(pollTimer);
  const fresh = await withProblem(problem, () => get(`/api/specimens/${encodeURIComponent(specimenId)}`));
  if (!fresh) return fill(byId("picture-list"));
  specimen = fresh;
  show();
  if (pictures().some(isUnderWay)) pollTimer = setTimeout(refresh, POLL_MS);
}

function pictures() {
  return specimen.preparations.flatMap((preparation) => preparation.images);
}

function isUnderWay(image) {
  return image.state === "waiting" || image.state === "proposing";
}

function show() {
  document.title = `${specimen.code} · Coverslip`;
  byId("specimen-heading").textContent = `Specimen ${specimen.code}`;
  fill(byId("specimen-state"), specimen.signed_off ? stateMark("done", "■", "Signed off") : "");
  byId("upload-form").hidden = !canUpload || Boolean(specimen.signed_off);
  byId("second-look-form").hidden = Boolean(specimen.signed_off);
  showPictures();
  offerStitching(specimen.preparations.at(-1), Boolean(specimen.signed_off));
  showFacts();
  showSecondLooks();
  if (!byId("sign-off").contains(document.activeElement)) offerSignOff();
  showLearnerNotes(specimenId);
  showVersions(specimen, session.user.role !== "assistant", refresh);
  if (pictures().some(isUnderWay)) showNumbersLater();
  else showNumbers(specimenId, pictures().reduce((sum, image) => sum + (image.unmarked ?? 0), 0));
}

function offerSignOff() {
  if (session.user.role === "assistant" && !specimen.signed_off) fill(byId("sign-off"), el("p", { class: "hint" }, "A reader marks every candidate and signs off."));
  else showSignOff(byId("sign-off"), specimen, refresh);
}

function showPictures() {
  const items = pictures().map(pictureItem);
  keepFocus(byId("picture-list"), () => fill(byId("picture-list"), items.length ? items : el("li", { class: "empty" }, "No pictures yet. Add photographs of the fields.")));
}

function pictureItem(image) {
  return el("li", {}, thumbnail(image),
    el("div", { class: "picture-words" },
      el("span", { class: "picture-name" }, image.file_name),
      pictureState(image),
      progressOf(image),
      image.problem && el("p", { class: "problem" }, image.problem),
      el("span", { class: "hint" }, [pixels(image), scaleWords(image.calibration), fileScaleWords(image)].filter(Boolean).join(" · "))),
    el("div", { class: "actions" },
      el("a", { class: "button", href: `/reading/${image.id}`, "aria-label": `${openWord(image)} ${image.file_name}` }, openWord(image))));
}

/** Without candidates there is nothing to read, but the search can be tried again. */
function openWord(image) {
  return image.state === "failed" || image.state === "stopped" ? "Open" : "Read";
}

function thumbnail(image) {
  if (image.state !== "ready") return el("span", { class: "picture-blank", "aria-hidden": "true" });
  return el("img", { src: `/api/images/${image.id}/tiles/0/0/0.jpg`, alt: `${image.file_name}, whole picture`, loading: "lazy" });
}

function pixels(image) {
  return image.width ? pixelsWords(image.width, image.height) : "";
}

function progressOf(image) {
  if (!isUnderWay(image)) return null;
  const words = `Progress of ${image.file_name}${timeLeft(image.seconds_left)}`;
  return el("progress", { max: 1, value: image.progress ?? 0, "aria-label": words, title: words });
}

function showFacts() {
  const preparation = specimen.preparations.at(-1);
  const withUnit = (value, unit) => (value === null || value === undefined ? null : `${value} ${unit}`);
  facts(byId("preparation-facts"), [
    ["Species", SPECIES[specimen.species]],
    ["Animal", specimen.animal_label],
    ["Collected", day(specimen.collected_on)],
    ["Method", METHODS[preparation.method]],
    ["Solution", preparation.solution],
    ["Specific gravity", preparation.specific_gravity?.toFixed(3).replace(/0$/, "")],
    ["Sample mass", withUnit(preparation.sample_g, "g")],
    ["Consistency", CONSISTENCIES[preparation.consistency]],
    ["Standing", withUnit(preparation.standing_min, "min")],
    ["Coverslip", withUnit(preparation.coverslip_mm, "mm side")],
    ["Vial", [withUnit(preparation.vial_ml, "ml"), withUnit(preparation.vial_mouth_mm, "mm mouth")].filter(Boolean).join(", ")],
    ["Objectives used", preparation.objectives?.map((magnification) => `${magnification}x`).join(", ")],
    ["Prepared", dateTime(preparation.prepared_at)],
    ["Filed", dateTime(specimen.created_at)],
    ["Remarks", specimen.remarks],
  ]);
}

/** What the preparation gives to consider; the page goes without it when no answer comes. */
async function showAdvice() {
  const advice = await getAdvice({ ...specimen, preparation: specimen.preparations.at(-1) }).catch(() => []);
  const considered = advice.filter(({ field, level }) => field && level === "consider");
  byId("considered").hidden = considered.length === 0;
  byId("considered-count").textContent = `${countOf(considered.length, "point")} to consider`;
  fill(byId("preparation-advice"), considered.map(adviceItem));
}

function showSecondLooks() {
  const looks = specimen.second_looks ?? [];
  fill(byId("second-look-list"), looks.map((look) => el("li", {},
    lookState(look),
    ` ${[look.reader ? personName(look.reader) : "whoever is free", look.blind && "blind", dateTime(look.created_at)].filter(Boolean).join(", ")}`)));
}

function lookState(look) {
  if (look.closed_at) return stateMark("done", "✓", "Done");
  return look.claimed_at ? stateMark("works", "◐", "Taken") : stateMark("waits", "○", "Asked");
}

/** The form comes once its choices are known: choices that come later would undo what the reader chose. */
async function offerUploads() {
  await startUploads(specimen.preparations.at(-1).id, refresh);
  canUpload = true;
  byId("upload-form").hidden = Boolean(specimen.signed_off);
}

async function offerSecondLook() {
  const form = byId("second-look-form");
  const place = byId("second-look-problem");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const asked = await submitting(form, place, () => post(`/api/specimens/${specimen.id}/second-looks`, readRequest()));
    if (asked) await refresh();
  });
  const users = (await withProblem(place, () => get("/api/users"))) ?? [];
  byId("second-reader").append(...users.filter(canLookAgain).map((user) => el("option", { value: user.id }, user.display_name)));
}

function canLookAgain(user) {
  return user.id !== session.user.id && user.role !== "assistant";
}

function readRequest() {
  return { reader_id: Number(byId("second-reader").value) || null, blind: byId("second-look-blind").checked };
}
