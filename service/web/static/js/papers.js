// Links to the papers of a specimen, in the language that the reader chooses.

import { get } from "./api.js";
import { byId, el, fill } from "./dom.js";

const PAPERS = { "reading-record": "Reading record", "owner-sheet": "Sheet for the owner" };

/** Fills the list of papers; one language needs no choice. */
export async function showPapers(specimenId) {
  const languages = await get("/api/papers/languages").catch(() => ({ en: "English" }));
  const choice = el("select", { id: "paper-language" }, Object.entries(languages).map(([code, name]) => el("option", { value: code, selected: code === "en" }, name)));
  const list = el("ul", { class: "plain-list" });
  const show = () => fill(list, Object.entries(PAPERS).map(([paper, name]) => paperItem(specimenId, paper, name, choice.value)));
  choice.addEventListener("change", show);
  show();
  const field = Object.keys(languages).length > 1 && el("div", { class: "field" }, el("label", { for: "paper-language" }, "Language"), choice);
  fill(byId("papers"), field, list);
}

function paperItem(specimenId, paper, name, language) {
  const address = (form) => `/api/specimens/${encodeURIComponent(specimenId)}/papers/${paper}.${form}?language=${language}`;
  return el("li", {}, `${name}: `,
    el("a", { href: address("html"), target: "_blank", "aria-label": `${name}, page to print` }, "page to print"), ", ",
    el("a", { href: address("pdf"), target: "_blank", "aria-label": `${name}, PDF` }, "PDF"));
}
