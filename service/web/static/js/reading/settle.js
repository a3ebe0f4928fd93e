// Where readers differ: what was settled, the form of a third reader or veterinarian, or an offer to settle together.

import { get, post } from "../api.js";
import { el, fill } from "../dom.js";
import { submitting, withProblem } from "../page.js";
import { personName } from "../words.js";
import { markWords } from "./mark-words.js";

export function settlePart(item, desk) {
  const settled = item.adjudication;
  if (settled && !item.unsettled) return el("p", { class: "notice" }, settledWords(item, desk));
  if (item.drawn_alone) return alonePart(item, desk);
  if (!item.unsettled) return null;
  const answers = latestByReader(item.marks ?? []);
  return el("div", { class: "part" }, el("h3", {}, "≠ Readers differ"),
    el("ul", { class: "words" }, answers.map((mark) => el("li", {}, `${personName(mark.reader)}. ${markWords(mark, desk)}`))),
    canSettle(answers, desk) && settleForm(item, answers, desk, { path: `/api/candidates/${item.id}/adjudications`, legend: "Settle as", verb: "Settle" }),
    isParty(answers, desk) && togetherPart(item, answers, desk));
}

function settledWords({ adjudication: settled, settled_together: together }, desk) {
  const who = together.length ? `together by ${together.map(personName).join(", ")}` : `by ${personName(settled.reader)}`;
  return `Settled ${who}. ${markWords(settled, desk)}.${settled.remark ? ` “${settled.remark}”` : ""}`;
}

/** Of several readers one drew it: a mark of another one settles it, or differs. */
function alonePart(item, desk) {
  const isOwn = item.drawn_by?.id === desk.session.user.id;
  const drawer = isOwn ? "you" : personName(item.drawn_by);
  const mine = latestByReader(item.marks ?? []);
  return el("div", { class: "part" }, el("h3", {}, "◫ Drawn by one reader alone"),
    el("p", {}, `Of the readers of this picture only ${drawer} drew this. `, isOwn ? "It waits for another reader's mark." : "Mark it: your answer settles it, or says that you differ."),
    isOwn && canSettle(mine, desk) && settleForm(item, mine, desk, { path: `/api/candidates/${item.id}/adjudications`, legend: "Settle as", verb: "Settle" }));
}

function latestByReader(marks) {
  return [...new Map(marks.map((mark) => [mark.reader.id, mark])).values()];
}

const isParty = (marks, desk) => desk.canMark() && marks.some((mark) => mark.reader.id === desk.session.user.id);

/** A veterinarian may settle; so may a reader who is not one of those who differ. */
function canSettle(marks, desk) {
  if (!desk.canMark()) return false;
  return ["veterinarian", "administrator"].includes(desk.session.user.role) || !isParty(marks, desk);
}

/** One of those who differ offers an answer; it holds once all the others have agreed. */
function togetherPart(item, answers, desk) {
  const place = el("div", { class: "stack together" });
  get(`/api/candidates/${item.id}/settling-offers`).catch(() => []).then(([offer]) => fill(place, offer ? offerPart(offer, desk)
    : el("details", {}, el("summary", {}, "Settle it together…"), settleForm(item, answers, desk, { path: `/api/candidates/${item.id}/settling-offers`, legend: "Offer", verb: "Offer this" }))));
  return place;
}

function offerPart(offer, desk) {
  const problem = el("p", { class: "problem", role: "alert" });
  const waits = offer.lacks.some((person) => person.id === desk.session.user.id);
  const agree = async () => {
    if (await withProblem(problem, () => post(`/api/settling-offers/${offer.id}/agreements`))) await desk.reload();
  };
  return [el("p", {}, `⇄ ${personName(offer.reader)} offers: ${markWords(offer, desk)}${offer.remark ? `, “${offer.remark}”` : ""}. `,
    waits ? "" : `Waits for ${offer.lacks.map(personName).join(", ")}.`), problem,
  waits && el("button", { type: "button", onclick: agree }, "I agree")].filter(Boolean);
}

function settleForm(item, answers, desk, { path, legend, verb }) {
  const likely = answers.find((mark) => mark.answer === "confirm")?.group ?? item.group;
  const key = verb === "Settle" ? "settle" : "offer";
  const option = (value, words) => el("option", { value }, words);
  const answer = el("select", { id: `${key}-answer` }, option("confirm", "Confirm"), option("reject", "Reject"), option("unsure", "Unsure"));
  const group = el("select", { id: `${key}-group` }, desk.candidateGroups().map((row) => option(row.name, row.label)));
  group.value = likely;
  const reason = el("select", { id: `${key}-reason` }, desk.lookAlikes().map((row) => option(row.name, row.label)));
  const remark = el("input", { id: `${key}-remark`, required: true });
  const problem = el("p", { class: "problem", role: "alert" });
  const field = (label, control) => el("div", { class: "field" }, el("label", { for: control.id }, label), control);
  const [groupField, reasonField] = [field("Group", group), field("What is it instead?", reason)];
  const showFields = () => { groupField.hidden = answer.value !== "confirm"; reasonField.hidden = answer.value !== "reject"; };
  const form = el("form", { class: "stack" }, field(legend, answer), groupField, reasonField, field("Why", remark), problem, el("button", { type: "submit" }, verb));
  answer.addEventListener("change", showFields);
  showFields();
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { answer: answer.value, group: answer.value === "confirm" ? group.value : null, reason: answer.value === "reject" ? reason.value : null, remark: remark.value.trim() };
    if (await submitting(form, problem, () => post(path, body))) await desk.reload();
  });
  return form;
}
