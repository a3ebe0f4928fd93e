import { get, post } from "./api.js";
import { byId, el, fill, keepFocus } from "./dom.js";
import { startPage, withProblem } from "./page.js";
import { dateTime, personName, SPECIES, specimenStates } from "./words.js";

const PAGE_SIZE = 50;
const POLL_MS = 4000;
const problem = byId("worklist-problem");
const specimens = [];
let pollTimer;

await startPage();
byId("specimen-filter").addEventListener("change", show);
byId("more-specimens").addEventListener("click", readMore);
await Promise.all([readMore(), showSecondLooks()]);

async function readMore() {
  const last = specimens.at(-1);
  const before = last ? `&before=${encodeURIComponent(last.id)}` : "";
  const page = await withProblem(problem, () => get(`/api/specimens?limit=${PAGE_SIZE}${before}`));
  if (!page) return fill(byId("worklist"));
  specimens.push(...page);
  byId("more-specimens").hidden = page.length < PAGE_SIZE;
  show();
}

/** What is being worked on is looked at again; it is new, so it lies on the first page. */
async function refresh() {
  const page = await withProblem(problem, () => get(`/api/specimens?limit=${PAGE_SIZE}`)) ?? [];
  const fresh = new Map(page.map((specimen) => [specimen.id, specimen]));
  specimens.forEach((specimen, place) => { specimens[place] = fresh.get(specimen.id) ?? specimen; });
  show();
}

function show() {
  clearTimeout(pollTimer);
  if (specimens.some((specimen) => specimen.images_under_way)) pollTimer = setTimeout(refresh, POLL_MS);
  const showsAll = document.querySelector("input[name=show]:checked").value === "all";
  const shown = specimens.filter((specimen) => showsAll || !specimen.signed_off_at);
  keepFocus(byId("worklist"), () => fill(byId("worklist"), shown.length ? table(shown) : el("p", { class: "empty" }, emptyWords())));
}

function emptyWords() {
  return specimens.length ? "Nothing waits: every specimen shown so far is signed off." : "No specimen is on file yet. File the first one.";
}

function table(rows) {
  const heads = ["Specimen", "Animal", "Filed", "Pictures", "Candidates", "State"];
  return el("div", { class: "table-wrap" }, el("table", {},
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map(row))));
}

function row(specimen) {
  const cell = (label, ...children) => el("td", { "data-label": label }, ...children);
  return el("tr", {},
    el("th", { scope: "row" }, el("a", { href: `/specimens/${specimen.id}` }, specimen.code)),
    cell("Animal", [SPECIES[specimen.species], specimen.animal_label].filter(Boolean).join(", ")),
    cell("Filed", el("span", { class: "date" }, dateTime(specimen.created_at))),
    cell("Pictures", String(specimen.images)),
    cell("Candidates", String(specimen.candidates)),
    cell("State", el("div", { class: "states" }, specimenStates(specimen))));
}

async function showSecondLooks() {
  const looks = await withProblem(problem, () => get("/api/second-looks"));
  byId("second-looks").hidden = !looks?.length;
  if (looks) fill(byId("second-looks-list"), looks.map(secondLook));
}

function secondLook(look) {
  const words = [`asked by ${personName(look.asked_by)}`, look.reader ? null : "of whoever is free", dateTime(look.created_at), look.blind && "blind"];
  return el("li", { class: "panel second-look" },
    el("span", {}, el("a", { href: `/specimens/${look.specimen_id}` }, look.specimen_code), ` ${words.filter(Boolean).join(", ")}`),
    el("div", { class: "actions" },
      look.reader ? actButton("My second look is done", look, "close") : actButton("Take this second look", look, "claim"),
      look.claimed_at && actButton("Give it back", look, "return")));
}

function actButton(words, look, act) {
  return el("button", { type: "button", onclick: async () => {
    await withProblem(problem, () => post(`/api/second-looks/${look.id}/${act}`));
    const sentence = problem.textContent;
    await showSecondLooks();
    problem.textContent ||= sentence;
  } }, words, el("span", { class: "visually-hidden" }, ` of ${look.specimen_code}`));
}
