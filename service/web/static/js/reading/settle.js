// Where readers differ: what was settled, or the form that settles it.

import { post } from "../api.js";
import { el } from "../dom.js";
import { submitting } from "../page.js";
import { personName } from "../words.js";
import { markWords } from "./mark-words.js";

export function settlePart(item, desk) {
  const settled = item.adjudication;
  if (settled) return el("p", { class: "notice" }, `Settled by ${personName(settled.reader)}. ${markWords(settled, desk)}.`);
  const answers = latestByReader(item.marks ?? []);
  if (!item.unsettled) return null;
  return el("div", { class: "part" }, el("h3", {}, "Readers differ"),
    el("ul", { class: "words" }, answers.map((mark) => el("li", {}, `${personName(mark.reader)}. ${markWords(mark, desk)}`))),
    canSettle(answers, desk) && settleForm(item, answers, desk));
}

function latestByReader(marks) {
  return [...new Map(marks.map((mark) => [personName(mark.reader), mark])).values()];
}

/** A veterinarian may settle; so may a reader who is not one of those who differ. */
function canSettle(marks, desk) {
  const { role, display_name: name } = desk.session.user;
  if (!desk.canMark()) return false;
  return role === "veterinarian" || (role === "reader" && marks.every((mark) => personName(mark.reader) !== name));
}

function settleForm(item, answers, desk) {
  const likely = answers.find((mark) => mark.answer === "confirm")?.group ?? item.group;
  const option = (value, words) => el("option", { value }, words);
  const answer = el("select", { id: "settle-answer" }, option("confirm", "Confirm"), option("reject", "Reject"), option("unsure", "Unsure"));
  const group = el("select", { id: "settle-group" }, desk.candidateGroups().map((row) => option(row.name, row.label)));
  group.value = likely;
  const reason = el("select", { id: "settle-reason" }, desk.lookAlikes().map((row) => option(row.name, row.label)));
  const remark = el("input", { id: "settle-remark", required: true });
  const problem = el("p", { class: "problem", role: "alert" });
  const field = (label, control) => el("div", { class: "field" }, el("label", { for: control.id }, label), control);
  const [groupField, reasonField] = [field("Group", group), field("What is it instead?", reason)];
  const showFields = () => { groupField.hidden = answer.value !== "confirm"; reasonField.hidden = answer.value !== "reject"; };
  const form = el("form", { class: "stack" }, field("Settle as", answer), groupField, reasonField, field("Why", remark), problem, el("button", { type: "submit" }, "Settle"));
  answer.addEventListener("change", showFields);
  showFields();
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { answer: answer.value, group: answer.value === "confirm" ? group.value : null, reason: answer.value === "reject" ? reason.value : null, remark: remark.value.trim() };
    if (await submitting(form, problem, () => post(`/api/candidates/${item.id}/adjudications`, body))) await desk.reload();
  });
  return form;
}
