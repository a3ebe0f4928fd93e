// Signed versions of a specimen's record: why each was made, what it changed; and the form that opens an amendment.

import { get, post } from "./api.js";
import { announce, byId, el, fill } from "./dom.js";
import { submitting } from "./page.js";
import { countOf, dateTime, personName } from "./words.js";

/** Shows the versions, and lets a reader open a signed record again; `onOpened` runs after that. */
export async function showVersions(specimen, mayAmend, onOpened) {
  const place = byId("versions");
  if (place.contains(document.activeElement)) return;
  const told = await get(`/api/specimens/${specimen.id}/versions`).catch(() => null);
  fill(place, told && [
    told.open_amendment && el("p", { class: "notice" }, `Version ${told.open_amendment.number} is being written: ${amendmentWords(told.open_amendment)}`),
    told.versions.length > 0 && el("ul", { class: "plain-list", "aria-label": "Signed versions" }, told.versions.map(versionItem)),
    specimen.signed_off && mayAmend && amendmentForm(specimen, onOpened),
  ].filter(Boolean));
}

function versionItem(version) {
  return el("li", {},
    `Version ${version.number}: signed by ${personName(version.signed_by)}, ${dateTime(version.signed_at)}.`,
    version.amendment && ` ${amendmentWords(version.amendment)}`,
    version.amendment && el("details", {},
      el("summary", {}, countOf(version.changes.length, "change")),
      el("ul", {}, version.changes.map((change) => el("li", {}, changeWords(change))))));
}

function amendmentWords(amendment) {
  return `Amended by ${personName(amendment.opened_by)}, ${dateTime(amendment.opened_at)}, because: ${amendment.reason}`;
}

function changeWords({ candidate_id: candidateId, image_id: imageId, before, after, by }) {
  const who = by ? `, by ${personName(by)}` : "";
  if (candidateId) return `Object ${candidateId} of picture ${imageId}: ${answerWords(before)} → ${answerWords(after)}${who}`;
  return imageId ? `Picture ${imageId} or its scale was ${before ? "changed" : "added"}.` : "A fact was changed.";
}

function answerWords(said) {
  return said ? [said.answer, said.group ?? said.reason].filter(Boolean).join(" ").replaceAll("_", " ") : "no mark";
}

function amendmentForm(specimen, onOpened) {
  const problem = el("p", { class: "problem", role: "alert" });
  const reason = el("input", { id: "amendment-reason", autocomplete: "off", required: true, minlength: 3, maxlength: 1000 });
  const form = el("form", { class: "stack" },
    el("div", { class: "field" }, el("label", { for: "amendment-reason" }, "Reason for an amendment"), reason,
      el("p", { class: "hint" }, "Opens the record again. The signed version stays; the next sign-off makes a new one that shows what changed.")),
    problem, el("button", { type: "submit" }, "Open an amendment"));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const opened = await submitting(form, problem, () => post(`/api/specimens/${specimen.id}/amendments`, { reason: reason.value.trim() }));
    if (!opened) return;
    reason.blur();
    document.activeElement?.blur();
    announce("The record is open again.");
    await onOpened();
  });
  return form;
}
