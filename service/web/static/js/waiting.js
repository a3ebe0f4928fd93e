// What waits for whom, and since when.

import { get, post } from "./api.js";
import { announce, byId, el, fill, stateMark } from "./dom.js";
import { startPage, withProblem } from "./page.js";
import { dateTime, personName } from "./words.js";

const KINDS = {
  second_look: ["◎", "Second look"],
  differing_marks: ["≠", "Readers differ"],
  drawn_alone: ["◫", "Drawn by one reader alone"],
  settling_offer: ["⇄", "Offer to settle together"],
  doctor_call: ["☎", "Unlike anything known"],
};
const problem = byId("waiting-problem");
let rows = [];

await startPage();
byId("waiting-filter").addEventListener("change", show);
await load();

/** What is new, without taking back what went wrong. */
async function reload() {
  const sentence = problem.textContent;
  await load();
  problem.textContent ||= sentence;
}

async function load() {
  rows = (await withProblem(problem, () => get("/api/waiting"))) ?? [];
  show();
}

function show() {
  const showsAll = document.querySelector("input[name=waits]:checked").value === "all";
  const shown = rows.filter((row) => showsAll || row.is_mine);
  fill(byId("waiting"), shown.length ? table(shown) : el("p", { class: "empty" }, rows.length ? "Nothing waits for you." : "Nothing waits for anybody."));
}

function table(shown) {
  const heads = ["Specimen", "What", "Waits for", "Since", "Asked by", "To do"];
  return el("div", { class: "table-wrap" }, el("table", {}, el("caption", { class: "visually-hidden" }, "What waits for whom, the longest first"),
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, shown.map(row))));
}

function row(one) {
  const [symbol, words] = KINDS[one.kind];
  const cell = (label, ...children) => el("td", { "data-label": label }, ...children);
  return el("tr", {},
    el("th", { scope: "row" }, el("a", { href: pathOf(one) }, one.specimen_code), one.image_id && el("div", { class: "hint" }, placeOf(one))),
    cell("What", el("span", {}, stateMark("waits", symbol, one.blind ? `${words}, blind` : words), one.words && el("span", { class: "hint" }, ` “${one.words}”`))),
    cell("Waits for", forWhom(one)),
    cell("Since", el("span", { class: "date" }, `${dateTime(one.since)} (${age(one.since)})`)),
    cell("Asked by", personName(one.asked_by)),
    cell("To do", one.kind === "second_look" && (one.is_mine || one.may_be_given_back) ? lookButtons(one) : el("a", { class: "button", href: pathOf(one), "aria-label": `Open ${words.toLowerCase()} of ${[one.specimen_code, one.image_id && placeOf(one)].filter(Boolean).join(", ")}` }, "Open")));
}

/** Which object it is, as the reading page names it. */
function placeOf({ rank, object_number: number, file_name: fileName }) {
  return `${rank ? `Candidate ${rank}` : ["Added object", number].filter(Boolean).join(" ")} of ${fileName}`;
}

function forWhom(one) {
  if (one.may_be_taken) return one.is_mine ? "Whoever is free, you too" : "Whoever is free";
  return one.is_mine ? "You" : waitsFor(one);
}

function waitsFor({ waits_for: person, role }) {
  if (person) return personName(person);
  return role === "veterinarian" ? "A veterinarian" : "Any other reader, or a veterinarian";
}

function age(since) {
  const hours = (Date.now() - new Date(since)) / 3_600_000;
  if (hours < 1) return `${Math.max(0, Math.floor(60 * hours))} min`;
  return hours < 48 ? `${Math.floor(hours)} h` : `${Math.floor(hours / 24)} days`;
}

function pathOf(one) {
  return one.image_id ? `/reading/${one.image_id}?candidate=${one.candidate_id}` : `/specimens/${one.specimen_id}`;
}

function lookButtons(one) {
  if (one.may_be_taken) return takeButton(one);
  return el("div", { class: "actions" }, one.is_mine && closeButton(one), one.may_be_given_back && returnButton(one));
}

function takeButton(one) {
  return el("button", { type: "button", "aria-label": `Take the second look of ${one.specimen_code}`, onclick: async () => {
    const taken = await withProblem(problem, () => post(`/api/second-looks/${one.id}/claim`));
    if (taken) announce("The second look is yours. Nobody else is asked for it any more.");
    await reload();
  } }, "Take it");
}

function closeButton(one) {
  return el("button", { type: "button", "aria-label": `My second look of ${one.specimen_code} is done`, onclick: async () => {
    if (!(await withProblem(problem, () => post(`/api/second-looks/${one.id}/close`)))) return;
    announce("Your second look is done. Where readers differ, it is listed here.");
    await load();
  } }, "It is done");
}

function returnButton(one) {
  return el("button", { type: "button", class: "quiet", "aria-label": `Give the second look of ${one.specimen_code} back`, onclick: async () => {
    const returned = await withProblem(problem, () => post(`/api/second-looks/${one.id}/return`));
    if (returned) announce("The second look waits for whoever is free again, since it was asked for.");
    await reload();
  } }, "Give it back");
}
