// One practice slide: boxed blind, then shown with its answers.

import { get, post, remove } from "../api.js";
import { announce, byId, el, fill } from "../dom.js";
import { startPage, withProblem } from "../page.js";
import { BoxDrawing } from "../reading/draw-box.js";
import { openObjectForm } from "../reading/object-form.js";
import { Viewer } from "../reading/viewer.js";
import { countOf, scaleWords } from "../words.js";
import { answerItem, ANSWER_LINES, answerWords } from "./answers.js";

const slideId = document.body.dataset.slideId;
const problem = byId("page-problem");
let read, viewer, drawing, groups;

await startPage();
const slide = await withProblem(problem, () => get(`/api/practice-slides/${encodeURIComponent(slideId)}`));
if (slide) await start();

async function start() {
  groups = await withProblem(problem, () => get("/api/groups")) ?? [];
  slide.calibration = slide.um_per_px ? { um_per_px: slide.um_per_px } : null;
  byId("slide-heading").textContent = `Slide ${slide.number}, ${slide.collection}`;
  byId("slide-words").textContent = scaleWords(slide.calibration);
  document.title = `Slide ${slide.number} · Coverslip`;
  byId("desk").hidden = false;
  viewer = new Viewer(byId("viewer"), slide, showAnswer);
  byId("fit-button").addEventListener("click", () => viewer.showWhole());
  byId("draw-button").addEventListener("click", () => (drawing ? stopDrawing() : draw()));
  byId("end-button").addEventListener("click", end);
  byId("again-button").addEventListener("click", begin);
  if (slide.read) show(slide.read);
  else await begin();
}

async function begin() {
  const begun = await withProblem(problem, () => post(`/api/practice-slides/${slide.id}/reads`));
  if (begun) show(begun);
}

function show(fresh) {
  read = fresh;
  const hasEnded = Boolean(read.ended_at);
  byId("finds-panel").hidden = hasEnded;
  byId("answers-panel").hidden = !hasEnded;
  byId("draw-button").hidden = hasEnded;
  if (hasEnded) showAnswers();
  else showFinds();
}

function showFinds() {
  viewer.showItems(read.finds.map((find) => ({ ...find, name: find.label, current: null })), null);
  fill(byId("finds"), read.finds.length ? read.finds.map(findItem) : el("li", { class: "hint" }, "None yet."));
}

function findItem(find) {
  return el("li", { class: "second-look" }, el("span", {}, find.label),
    el("button", { type: "button", class: "quiet", onclick: () => takeBack(find) }, "Take back", el("span", { class: "visually-hidden" }, ` ${find.label}`)));
}

function draw() {
  drawing = new BoxDrawing(viewer, { onDone: keep, onCancel: stopDrawing });
  byId("draw-button").setAttribute("aria-pressed", "true");
  byId("draw-hint").hidden = false;
}

function stopDrawing() {
  drawing?.stop();
  drawing = null;
  byId("draw-button").setAttribute("aria-pressed", "false");
  byId("draw-hint").hidden = true;
}

/** The box stays on the picture while its name is chosen; then the next one can be drawn. */
async function keep(bbox) {
  drawing.listeners.abort();
  byId("draw-hint").hidden = true;
  const desk = {
    image: slide,
    groupOptions,
    addObject: ({ group }) => post(`/api/practice-reads/${read.id}/finds`, { bbox, group }),
  };
  const find = await openObjectForm(desk, bbox);
  stopDrawing();
  if (!find) return;
  read.finds.push(find);
  showFinds();
  announce(`${find.label} kept.`);
  draw();
}

function groupOptions() {
  const optionsOf = (kind, label) => el("optgroup", { label }, groups.filter((group) => group.kind === kind).map((group) => el("option", { value: group.name }, group.label)));
  return [optionsOf("candidate", "To be found"), optionsOf("look_alike", "Look-alikes")];
}

async function takeBack(find) {
  const done = await withProblem(byId("finds-problem"), async () => { await remove(`/api/practice-finds/${find.id}`); return true; });
  if (!done) return;
  read.finds = read.finds.filter(({ id }) => id !== find.id);
  showFinds();
}

async function end() {
  stopDrawing();
  const ended = await withProblem(byId("finds-problem"), () => post(`/api/practice-reads/${read.id}/end`));
  if (!ended) return;
  slide.next_slide_id = (await withProblem(problem, () => get(`/api/practice-slides/${slide.id}`)))?.next_slide_id ?? null;
  show(ended);
  byId("answers-heading").focus();
}

function showAnswers() {
  const wanted = read.answers.filter(({ known }) => groups.some(({ name, kind }) => name === known && kind === "candidate"));
  const right = wanted.filter(({ result }) => result === "right").length;
  const again = read.is_again ? " You had seen the answers before, so this read counts no more." : "";
  byId("answers-count").textContent = `${right} of ${countOf(wanted.length, "object")} found and called by their group.${again}`;
  fill(byId("answers-next"), slide.next_slide_id && el("a", { class: "button primary", href: `/practice/slides/${slide.next_slide_id}` }, "Next slide"),
    el("a", { class: "button", href: "/practice" }, "All slides"));
  fill(byId("answers"), read.answers.map((answer, place) => answerItem(answer, place, showAnswer)));
  showBoxes(null);
}

function showBoxes(current) {
  viewer.showItems(read.answers.map((answer, place) => ({
    id: place, bbox: answer.bbox, name: answerWords(answer), current: { answer: ANSWER_LINES[answer.result] } })), current);
}

function showAnswer(place) {
  if (!read.ended_at) return;
  showBoxes(place);
  viewer.showItem(read.answers[place]);
}
