// An object unlike anything the reader knows: it goes to the veterinarians' list, and their answer comes back here.

import { get, post } from "../api.js";
import { announce, byId, el } from "../dom.js";
import { submitting } from "../page.js";
import { dateTime, personName } from "../words.js";

export async function loadCalls(desk) {
  return desk.canRead() ? get(`/api/images/${desk.image.id}/doctor-calls`).catch(() => []) : [];
}

export function callPart(item, desk) {
  const calls = desk.calls.filter((call) => call.candidate_id === item.id);
  const isOpen = calls.some((call) => !call.answered_at);
  return [
    ...calls.map((call) => callNotice(call, desk)),
    desk.canMark() && !isOpen && callForm(item, desk),
  ];
}

function callNotice(call, desk) {
  const isAnswerable = !call.answered_at && desk.canMark() && ["veterinarian", "administrator"].includes(desk.session.user.role);
  return el("div", { class: "part call" },
    el("p", {}, el("strong", {}, "☎ Unlike anything known. "), `${personName(call.created_by)}, ${dateTime(call.created_at)}: “${call.words}”`),
    call.answered_at
      ? el("p", {}, `${personName(call.answered_by)}, ${dateTime(call.answered_at)}: “${call.answer}”`)
      : el("p", { class: "hint" }, "Waits for a veterinarian."),
    isAnswerable && wordsForm("What you see in it", "Answer the call", "call-answer", (words) => post(`/api/doctor-calls/${call.id}/answer`, { words }), desk));
}

function callForm(item, desk) {
  return el("details", { class: "part", id: "doctor-call" }, el("summary", {}, "Unlike anything I know… ", el("kbd", { "aria-hidden": "true" }, "D")),
    el("p", { class: "hint" }, "It goes to the veterinarians' list, and counts as unsure until you or they mark it."),
    wordsForm("What do you see?", "Call the veterinarian", "call-words", (words) => post(`/api/candidates/${item.id}/doctor-calls`, { words }), desk));
}

function wordsForm(label, verb, id, send, desk) {
  const problem = el("p", { class: "problem", role: "alert" });
  const words = el("textarea", { id, rows: 2, required: true });
  const form = el("form", { class: "stack" }, el("div", { class: "field" }, el("label", { for: id }, label), words), problem, el("button", { type: "submit" }, verb));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!(await submitting(form, problem, () => send(words.value.trim())))) return;
    await desk.reload();
    announce("Noted.");
  });
  return form;
}

export function openCall() {
  const part = byId("doctor-call");
  if (!part) return;
  part.open = true;
  byId("call-words").focus();
}
