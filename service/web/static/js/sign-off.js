// Sign-off of a specimen, and what stands in its way.

import { ApiProblem, post } from "./api.js";
import { announce, el, fill } from "./dom.js";
import { submitting } from "./page.js";
import { dateTime, personName } from "./words.js";

const OPEN_ITEMS_SHOWN = 8;

export function signedOffWords(signedOff) {
  return `Signed off by ${personName(signedOff.by)}, ${dateTime(signedOff.at)}. The marks are frozen.`;
}

/** Shows who signed off, or the form; `onSigned` runs after it worked. */
export function showSignOff(place, specimen, onSigned) {
  if (specimen.signed_off) return fill(place, el("p", {}, signedOffWords(specimen.signed_off)));
  fill(place, signOffForm(specimen, onSigned));
}

function signOffForm(specimen, onSigned) {
  const problem = el("p", { class: "problem", role: "alert" });
  const open = el("ul", { class: "plain-list", "aria-label": "Still open" });
  const remark = el("input", { id: "sign-off-remark", autocomplete: "off" });
  const form = el("form", { class: "stack" },
    el("p", { class: "hint" }, "Signing off says that you judged every candidate and looked over each picture. It freezes the marks. It is not a diagnosis."),
    el("div", { class: "field" }, el("label", { for: "sign-off-remark" }, "Remark"), remark),
    problem, open, el("button", { type: "submit", class: "primary" }, "Sign off"));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    fill(open);
    const signed = await submitting(form, problem, () => signOff(specimen, remark.value.trim(), open));
    if (!signed) return;
    announce("The specimen is signed off.");
    await onSigned();
  });
  return form;
}

async function signOff(specimen, remark, open) {
  try {
    return await post(`/api/specimens/${specimen.id}/sign-off`, { remark: remark || null });
  } catch (error) {
    if (error instanceof ApiProblem && error.status === 409) fill(open, openItems(error.document, specimen));
    throw error;
  }
}

function openItems({ unmarked = [], unsettled = [], drawn_alone: alone = [], not_ready: notReady = [], open_reads: openReads = [] }, specimen) {
  const pictures = new Map(specimen.preparations.flatMap((row) => row.images).map((image) => [image.id, image.file_name]));
  const nameOf = (item) => `${item.rank ? `candidate ${item.rank}` : "an added object"} of ${pictures.get(item.image_id)}`;
  return [
    ...notReady.map((id) => openItem(`/reading/${id}`, `${pictures.get(id)} has no proposals yet`)),
    ...openReads.map((id) => openItem(`/reading/${id}`, `An unaided read of ${pictures.get(id)} is not locked`)),
    ...unsettled.map((item) => openItem(candidatePath(item), `Readers differ on ${nameOf(item)}`)),
    ...alone.map((item) => openItem(candidatePath(item), `Only one reader drew an object of ${pictures.get(item.image_id)}`)),
    ...firstOf(unmarked.map((item) => openItem(candidatePath(item), `Mark ${nameOf(item)}`))),
  ];
}

function firstOf(items) {
  const more = items.length - OPEN_ITEMS_SHOWN;
  return more > 0 ? [...items.slice(0, OPEN_ITEMS_SHOWN), el("li", { class: "hint" }, `and ${more} more to mark`)] : items;
}

const candidatePath = (item) => `/reading/${item.image_id}?candidate=${item.candidate_id}`;
const openItem = (path, words) => el("li", {}, el("a", { href: path }, words));
