// The tail of the ranking side by side. It can be rejected in one act once every crop has been on the screen.

import { post } from "../api.js";
import { announce, byId, el, fill } from "../dom.js";
import { withProblem } from "../page.js";
import { countOf, sizeLines } from "../words.js";

const CROP_PX = 160;
const LOOKED_AT_MS = 300;

export function startContactSheet(desk) {
  byId("tail-button").addEventListener("click", () => openContactSheet(desk));
  byId("sheet-close").addEventListener("click", () => byId("sheet-dialog").close());
  byId("sheet-take-back").addEventListener("click", () => takeBackSheet(desk));
}

/** The button is there while, from the current candidate on, at least two are unmarked. */
export function showTailButton(desk) {
  const tail = tailOf(desk);
  byId("tail-button").hidden = !desk.canMark() || tail.length < 2;
  byId("tail-button").textContent = `Reject the tail (${tail.length})…`;
}

function tailOf(desk) {
  const current = desk.current();
  if (!current?.rank || current.below_cut) return [];
  return desk.candidates.filter((item) => item.rank >= current.rank && item.marks.length === 0 && desk.answerOf(item) === "none");
}

export async function openContactSheet(desk) {
  if (byId("tail-button").hidden) return;
  const sheet = await withProblem(byId("page-problem"), () => post(`/api/images/${desk.image.id}/contact-sheets`, { from_rank: desk.current().rank }));
  if (!sheet) return;
  const dialog = byId("sheet-dialog");
  const items = sheet.candidate_ids.map((id) => desk.items().find((item) => item.id === id)).filter(Boolean);
  fill(byId("sheet-reason"), el("option", { value: "" }, "Choose what they are"), desk.lookAlikes().map((group) => el("option", { value: group.name }, group.label)));
  fill(byId("sheet-crops"), items.map((item) => crop(item, desk)));
  byId("sheet-problem").textContent = "";
  dialog.showModal();
  const watch = watchCrops(sheet);
  const close = new AbortController();
  byId("sheet-form").addEventListener("submit", (event) => { event.preventDefault(); reject(desk, sheet, dialog); }, { signal: close.signal });
  dialog.addEventListener("close", () => { watch.disconnect(); close.abort(); }, { once: true });
}

function crop(item, desk) {
  return el("li", { "data-candidate-id": item.id },
    el("img", { src: `/api/candidates/${item.id}/crop.jpg?side_px=${CROP_PX}`, alt: `${item.name}, resembles ${item.groupLabel}`, width: CROP_PX, height: CROP_PX }),
    el("span", { class: "small-label" }, `${item.name}. ${desk.labelOf(item.group)}. ${sizeLines(item).join(", ")}`),
    el("span", { class: "sheet-seen small-label" }, "○ not seen yet"));
}

/** A crop counts once it was whole on the screen for a moment, its picture loaded. */
function watchCrops(sheet) {
  const unseen = new Set(sheet.unseen);
  const timers = new Map();
  showUnseen(unseen, sheet);
  const note = async (image, id) => {
    if (!image.complete || !image.naturalWidth) { timers.set(id, setTimeout(() => note(image, id), LOOKED_AT_MS)); return; }
    const noted = await withProblem(byId("sheet-problem"), () => post(`/api/contact-sheets/${sheet.id}/views`, { candidate_ids: [id] }));
    if (!noted) return;
    unseen.delete(id);
    image.closest("li").querySelector(".sheet-seen").textContent = "✓ seen";
    showUnseen(unseen, sheet);
  };
  const watch = new IntersectionObserver((entries) => entries.forEach(({ target, intersectionRatio }) => {
    const id = Number(target.closest("li").dataset.candidateId);
    clearTimeout(timers.get(id));
    if (unseen.has(id) && intersectionRatio >= 0.95) timers.set(id, setTimeout(() => note(target, id), LOOKED_AT_MS));
  }), { threshold: [0, 0.95] });
  for (const image of byId("sheet-crops").querySelectorAll("img")) watch.observe(image);
  return watch;
}

function showUnseen(unseen, sheet) {
  const all = sheet.candidate_ids.length;
  byId("sheet-count").textContent = unseen.size ? `${unseen.size} of ${all} have not been on your screen yet. Scroll through all of them.` : `All ${all} have been on your screen.`;
  byId("sheet-reject").disabled = unseen.size > 0;
  byId("sheet-reject").textContent = `Reject all ${all}`;
}

async function reject(desk, sheet, dialog) {
  const reason = byId("sheet-reason").value;
  if (!reason) { byId("sheet-problem").textContent = "Choose what they are instead."; return; }
  const done = await withProblem(byId("sheet-problem"), () => post(`/api/contact-sheets/${sheet.id}/rejection`, { reason }));
  if (!done) return;
  dialog.close();
  desk.lastSheet = done;
  await desk.reload();
  const words = `${countOf(done.mark_ids.length, "candidate")} rejected in one act as ${desk.labelOf(reason)}.`;
  byId("sheet-notice").hidden = false;
  byId("sheet-done").textContent = words;
  announce(words);
}

async function takeBackSheet(desk) {
  const done = await withProblem(byId("page-problem"), () => post(`/api/contact-sheets/${desk.lastSheet.id}/withdrawal`));
  if (!done) return;
  byId("sheet-notice").hidden = true;
  await desk.reload();
  announce("The rejection of the tail is taken back; it stays on record.");
}
