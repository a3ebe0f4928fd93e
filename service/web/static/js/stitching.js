// Asks for several overlapping pictures to be made one, and shows what came of it.

import { get, post } from "./api.js";
import { announce, byId, el, fill, stateMark } from "./dom.js";
import { submitting, withProblem } from "./page.js";
import { scanMap } from "./scan-map.js";
import { countOf } from "./words.js";

const POLL_MS = 1500;
const STATES = {
  waiting: ["waits", "○", "Waits"],
  stitching: ["works", "◐", "Being stitched"],
  ready: ["done", "✓", "Stitched"],
  failed: ["failed", "!", "Not stitched"],
};

const PLACE_STATES = {
  ...STATES,
  stitching: ["works", "◐", "Being compared"],
  ready: ["done", "✓", "Compared"],
  failed: ["failed", "!", "Not compared"],
};

let preparation;
let pollTimer;
let onMosaic;
const shown = new Map();

/** Call once; `refresh` shows the preparation's pictures anew when a mosaic has come. */
export function startStitching(refresh) {
  onMosaic = refresh;
  const form = byId("stitch-form");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const writesMosaic = event.submitter?.value !== "places";
    const asked = await submitting(form, byId("stitch-problem"), () => post(`/api/preparations/${preparation.id}/stitchings`, request(writesMosaic)));
    if (!asked) return;
    announce(writesMosaic ? "The pictures wait to be stitched." : "The pictures wait to be compared.");
    await showStitchings();
  });
}

/** Call whenever the preparation's pictures have changed. */
export function offerStitching(fresh, isSignedOff) {
  preparation = fresh;
  const fields = preparation.images.filter((image) => !isMosaic(image));
  byId("stitching").hidden = isSignedOff ? shown.size === 0 : fields.length < 2;
  byId("stitch-form").hidden = isSignedOff || fields.length < 2;
  // A mosaic counts in place of its fields as soon as its own candidates are there.
  showShownTwice();
  const before = new Map([...byId("stitch-choices").querySelectorAll("input")].map((box) => [Number(box.value), box.checked]));
  if (before.size === fields.length && fields.every((image) => before.has(image.id))) return;
  fill(byId("stitch-choices"), fields.map((image) => choice(image, before.get(image.id) ?? true)));
}

function isMosaic(image) {
  return [...shown.values()].some((row) => row.image_id === image.id);
}

function choice(image, isChosen) {
  return el("label", { class: "check" }, el("input", { type: "checkbox", value: image.id, checked: isChosen }), ` ${image.file_name}`);
}

function request(writesMosaic) {
  const boxes = [...byId("stitch-choices").querySelectorAll("input:checked")];
  return { image_ids: boxes.map((box) => Number(box.value)), order: byId("stitch-in-order").checked ? "as-taken" : "unknown", writes_mosaic: writesMosaic };
}

export async function showStitchings() {
  clearTimeout(pollTimer);
  const rows = await withProblem(byId("stitch-problem"), () => get(`/api/preparations/${preparation.id}/stitchings`));
  if (!rows) return;
  const isNew = rows.some((row) => row.state === "ready" && shown.get(row.id)?.state !== "ready");
  rows.forEach((row) => shown.set(row.id, row));
  fill(byId("stitch-list"), rows.toReversed().map(stitchingItem));
  if (isNew) await onMosaic();
  await showShownTwice();
  if (rows.some((row) => row.state === "waiting" || row.state === "stitching")) pollTimer = setTimeout(showStitchings, POLL_MS);
}

async function showShownTwice() {
  const list = byId("shown-twice");
  list.hidden = ![...shown.values()].some((row) => row.state === "ready");
  if (list.hidden) return;
  const told = await withProblem(byId("stitch-problem"), () => get(`/api/preparations/${preparation.id}/shown-twice`));
  if (told) fillShownTwice(list, told);
}

function fillShownTwice(list, { same }) {
  const nameOf = new Map(preparation.images.map((image) => [image.id, image.file_name]));
  fill(list, [
    el("p", {}, same.length === 0 ? "No candidate is seen in two pictures." : `${countOf(same.length, "object")} ${same.length === 1 ? "is" : "are"} seen in several pictures and ${same.length === 1 ? "counts" : "count"} once:`),
    same.length > 0 && el("ul", { class: "plain-list" }, same.map((object) => sameItem(list, object, nameOf))),
  ].filter(Boolean));
}

function sameItem(list, { candidate_ids: candidates, image_ids: images }, nameOf) {
  const links = images.flatMap((id, place) => [place > 0 && " and ", el("a", { class: "picture-name", href: `/reading/${id}` }, nameOf.get(id) ?? `picture ${id}`)]).filter(Boolean);
  const part = el("button", { type: "button", class: "quiet" }, "These are two objects");
  part.addEventListener("click", async () => {
    const body = { candidate_ids: candidates.slice(0, 2) };
    const told = await withProblem(byId("stitch-problem"), () => post(`/api/preparations/${preparation.id}/partings`, body));
    if (!told) return;
    announce("They count as two objects.");
    fillShownTwice(list, told);
  });
  return el("li", {}, ...links, " ", candidates.length === 2 && !byId("stitch-form").hidden && part);
}

function stitchingItem(row) {
  const item = el("li", { class: "stitching" },
    el("div", { class: "heading-row" }, stateMark(...(row.writes_mosaic ? STATES : PLACE_STATES)[row.state]), el("span", { class: "hint" }, countOf(row.image_ids.length, "picture"))),
    row.problem && el("p", { class: "problem" }, row.problem));
  if (row.report) item.append(...reportOf(row));
  return item;
}

function contradictionsOf(pairs) {
  if (pairs.length === 0) return [];
  const named = pairs.map((names) => el("li", {}, el("span", { class: "picture-name" }, names[0]), " and ", el("span", { class: "picture-name" }, names[1])));
  return [
    el("p", {}, "These pictures should show the same where they overlap, and don't. One of them may lie wrongly, or something moved in between; look at that place, or take them again:"),
    el("ul", { class: "plain-list" }, named),
  ];
}

function partItem(part, field, words) {
  const names = part.placed.flatMap((one, place) => [place > 0 && ", ", el("span", { class: "picture-name" }, one.field)]).filter(Boolean);
  const choose = el("button", { type: "button", class: "quiet" }, "Choose these pictures");
  choose.addEventListener("click", () => chooseOnly(new Set(part.placed.map((one) => one.image_id))));
  return el("details", {},
    el("summary", {}, words),
    el("p", {}, ...names),
    ...scanMap({ ...part, mosaic: part, field }, "part"),
    !byId("stitch-form").hidden && el("div", { class: "actions" }, choose));
}

function chooseOnly(ids) {
  for (const box of byId("stitch-choices").querySelectorAll("input")) box.checked = ids.has(Number(box.value));
  announce(`${countOf(ids.size, "picture")} chosen.`);
  byId("stitch-form").querySelector("button").focus();
}

function partsOf(parts, field) {
  if (parts.length === 0) return [];
  return [
    el("p", {}, `${parts.length === 1 ? "One more part hangs together" : `${parts.length} more parts hang together, each by itself`}, but nothing ties ${parts.length === 1 ? "it" : "them"} surely to the rest. `,
      "The pictures are kept one by one, and what those of a part share counts once. Choose a part to stitch it alone, or take pictures in between."),
    ...parts.map((part, place) => partItem(part, field, `Part ${place + 2}: ${countOf(part.placed.length, "picture")}`)),
  ];
}

function leftOutOf(report, parts) {
  const inParts = new Set(parts.flatMap((part) => part.placed.map((one) => one.image_id)));
  const single = report.left_out.filter((one) => !inParts.has(one.image_id));
  if (single.length === 0) return [];
  return [
    el("p", {}, `${countOf(single.length, "picture")} left out:`),
    el("ul", { class: "plain-list" }, single.map((one) => el("li", {}, el("span", { class: "picture-name" }, one.field), `: ${one.reason}`))),
  ];
}

function reportOf({ image_id: imageId, report }) {
  const parts = report.parts ?? [];
  const least = Math.min(...report.placed.map((one) => one.sureness));
  const widest = Math.max(...report.placed.map((one) => one.sd_px));
  const sure = least >= 0.9995 ? "more than 99.9 %" : `${(100 * least).toFixed(1)} %`;
  return [
    el("p", {}, `${countOf(report.placed.length, "picture")} placed from ${countOf(report.overlaps.used, "overlap")}. `,
      `The least sure one is ${sure} sure to lie where it was put; places are uncertain by ${widest.toFixed(2)} px at most (standard uncertainty).`),
    ...contradictionsOf(report.overlaps.contradicting ?? []),
    ...scanMap(report),
    ...partsOf(parts, report.field),
    ...leftOutOf(report, parts),
    imageId !== null && el("div", { class: "actions" }, el("a", { class: "button", href: `/reading/${imageId}` }, "Read the mosaic")),
  ].filter(Boolean);
}
