// Objects per coverslip on the specimen's page: what area was assessed, what was marked, what may be there unseen.

import { get } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { countOf } from "./words.js";

/** While pictures are being looked through, older numbers would speak of others. */
export function showNumbersLater() {
  fill(byId("numbers"), el("p", { class: "hint" }, "Told once every picture is looked through."));
}

/** Shows the numbers; where they are kept back from the reader it shows the sentence that says why. */
export async function showNumbers(specimenId, unmarked) {
  const place = byId("numbers");
  try {
    const coverslips = await get(`/api/specimens/${encodeURIComponent(specimenId)}/numbers`);
    const open = unmarked > 0 && el("p", { class: "notice" }, `${countOf(unmarked, "candidate is", "candidates are")} not marked yet and not counted.`);
    fill(place, open, coverslips.flatMap((one) => coverslipParts(one)));
  } catch (error) {
    fill(place, el("p", { class: "hint" }, error.message));
  }
}

function coverslipParts(one) {
  const marked = one.groups.filter(({ n_marked: n }) => n > 0);
  const others = one.groups.filter(({ n_marked: n }) => n === 0);
  return [
    el("p", {}, one.area_sentence),
    marked.length > 0 && el("ul", { class: "plain-list" }, marked.map(groupItem)),
    others.length > 0 && el("details", {},
      el("summary", {}, `None marked: ${others.length} ${others.length === 1 ? "group" : "groups"}, and how many may lie there`),
      el("ul", { class: "plain-list" }, others.map(groupItem))),
    one.not_assessed_sentences.length > 0 && el("h3", {}, "Could not be assessed at all"),
    one.not_assessed_sentences.length > 0 && el("ul", { class: "plain-list" }, one.not_assessed_sentences.map((words) => el("li", {}, words))),
    el("ul", { class: "plain-list hint" }, one.remarks.map((words) => el("li", {}, words))),
  ];
}

function groupItem(group) {
  return el("li", {}, el("strong", {}, `${group.label}: `), group.sentence);
}
