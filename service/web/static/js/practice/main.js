import { get, post, upload } from "../api.js";
import { announce, byId, el, fill, stateMark } from "../dom.js";
import { startPage, submitting, withProblem } from "../page.js";
import { percent } from "../shares.js";
import { table } from "../tables.js";
import { countOf, dateTime } from "../words.js";
import { curve } from "./curve.js";

const TEACHERS = ["veterinarian", "administrator"];
const problem = byId("practice-problem");

const session = await startPage();
await Promise.all([showStanding(), showCollections()]);
if (TEACHERS.includes(session.hospital.role)) await startTeaching();

async function showStanding() {
  const standing = await withProblem(problem, () => get("/api/practice/me"));
  if (!standing) return [byId("standing"), byId("curves")].forEach((place) => fill(place));
  fill(byId("standing"), standingParts(standing));
  const tried = standing.groups.filter(({ curve: points }) => points.length);
  fill(byId("curves"), tried.length ? tried.map(curve) : el("p", { class: "empty" }, "No slide has been read to its end yet."));
}

function standingParts({ is_asked: isAsked, is_learning: isLearning, groups }) {
  const asked = groups.filter(({ n_needed: needed }) => needed > 0);
  if (!asked.length) return [el("p", {}, "This hospital asks for no practice now, or has no slides for it.")];
  const words = standingWords(isAsked, isLearning);
  return [el("p", { class: isLearning ? "notice" : "" }, words),
    table(["Group", "Objects seen", "Right, of the newest", "State"], asked.map((one) => [
      one.label, `${one.n_seen} of ${one.n_needed}`,
      one.n_recent ? `${one.n_right} of ${one.n_recent}; ${percent(one.share_needed)} are asked for` : `none yet; ${percent(one.share_needed)} are asked for`,
      one.is_enough ? stateMark("done", "✓", "Enough") : stateMark("waits", "○", "More to do")]))];
}

function standingWords(isAsked, isLearning) {
  if (!isAsked) return "This is asked of people with the role of reader. You can practise all the same.";
  return isLearning
    ? "Some practice is still asked for. You can read meanwhile: your reads are kept, with a note, and a second look is asked of others automatically."
    : "No practice stands between you and reading alone.";
}

async function showCollections() {
  const collections = await withProblem(problem, () => get("/api/practice-collections"));
  if (!collections) return fill(byId("collections"));
  fill(byId("collections"), collections.length ? collections.map(collectionPanel)
    : el("p", { class: "empty" }, "There are no practice slides yet. A veterinarian adds them."));
}

function collectionPanel(one) {
  const from = one.is_own ? "from this hospital's signed specimens" : "sent as a file";
  return el("section", { class: "panel" }, el("h3", {}, one.name),
    el("p", { class: "hint" }, `${countOf(one.slides.length, "slide")}, ${from}, added ${dateTime(one.created_at)} by ${one.created_by.display_name}.`),
    el("ul", { class: "plain-list practice-slides" }, one.slides.map(slideItem)));
}

function slideItem(slide) {
  const states = {
    new: () => stateMark("waits", "○", "New"),
    begun: () => stateMark("works", "◐", "Begun"),
    done: () => stateMark("done", "✓", "Read"),
  };
  const right = slide.n_known === null ? "" : `${slide.n_right} of ${countOf(slide.n_known, "object")} right`;
  return el("li", {}, el("a", { class: "button", href: `/practice/slides/${slide.id}` }, `Slide ${slide.number}`), states[slide.state](), el("span", { class: "hint" }, right));
}

async function startTeaching() {
  byId("teaching").hidden = false;
  byId("rule-form").addEventListener("submit", setRule);
  byId("own-form").addEventListener("submit", useOwnSet);
  byId("file-form").addEventListener("submit", sendFile);
  await Promise.all([showRule(), showPeople(), offerSets()]);
}

async function showRule() {
  const rule = await withProblem(byId("rule-problem"), () => get("/api/practice/rule"));
  byId("rule-words").textContent = rule?.objects_per_group
    ? `${countOf(rule.objects_per_group, "object")} of each group, ${percent(rule.share_right)} of them right, since ${dateTime(rule.created_at)} (${rule.created_by.display_name}). Where slides hold fewer of a group, all of those.`
    : "No practice is asked for now.";
  if (!rule) return;
  byId("rule-objects").value = rule.objects_per_group;
  byId("rule-share").value = Math.round(100 * rule.share_right);
}

async function setRule(event) {
  event.preventDefault();
  const body = { objects_per_group: Number(byId("rule-objects").value), share_right: Number(byId("rule-share").value) / 100 };
  const made = await submitting(event.target, byId("rule-problem"), () => post("/api/practice/rule", body));
  if (made) await Promise.all([showRule(), showPeople(), showStanding()]);
}

async function showPeople() {
  const people = await withProblem(byId("rule-problem"), () => get("/api/practice/people")) ?? [];
  fill(byId("people"), table(["Person", "Groups with enough", "State"], people.map(({ person, groups, is_asked: isAsked, is_learning: isLearning }) => [
    person.display_name, `${groups.filter((one) => one.is_enough).length} of ${groups.length}`,
    isAsked ? askedState(isLearning) : `Not asked of this role: ${person.role}`])));
}

function askedState(isLearning) {
  return isLearning ? stateMark("waits", "○", "Second looks are asked") : stateMark("done", "✓", "Reads alone");
}

async function offerSets() {
  const sets = await withProblem(byId("add-problem"), () => get("/api/labelled-sets")) ?? [];
  fill(byId("own-set"), el("option", { value: "" }, sets.length ? "Choose a set" : "None was made yet"),
    sets.map((set) => el("option", { value: set.id }, `Set ${set.id}: ${countOf(set.images, "picture")}`)));
}

async function useOwnSet(event) {
  event.preventDefault();
  const body = { set_id: Number(byId("own-set").value), name: byId("own-name").value.trim() };
  await added(event.target, () => post("/api/practice-collections/own", body));
}

async function sendFile(event) {
  event.preventDefault();
  const name = encodeURIComponent(byId("file-name").value.trim());
  await added(event.target, () => upload(`/api/practice-collections?name=${name}`, byId("set-file").files[0], () => {}));
}

async function added(form, send) {
  const made = await submitting(form, byId("add-problem"), send);
  if (!made) return;
  form.reset();
  announce(`${made.name} was added with ${countOf(made.slides.length, "slide")}.`);
  await Promise.all([showCollections(), showStanding(), showPeople()]);
}
