// Beside a candidate: the same place in other pictures of the scan, and what it may be mistaken for.

import { get } from "../api.js";
import { el, fill } from "../dom.js";
import { planCrop, planCropAt, ruledCrop } from "./ruled-crop.js";

const CROP_PX = 128;
const answers = new Map();

/** Asked once a candidate; the next one is asked for ahead, so that a quick reader does not wait. */
function ask(item) {
  if (!answers.has(item.id)) {
    const path = `/api/candidates/${item.id}`;
    answers.set(item.id, Promise.all([get(`${path}/elsewhere`), get(`${path}/likenesses`)]).catch(() => { answers.delete(item.id); return null; }));
  }
  return answers.get(item.id);
}

export function askAhead(item, image) {
  if (!item) return;
  ask(item);
  new Image().src = planCrop(item, image).href;
}

/** Two places that fill themselves once the answers are there. */
export function comparisonParts(item, desk) {
  const [elsewhere, likenesses] = [el("div", { class: "part" }), el("div", { class: "part" })];
  ask(item).then((found) => {
    if (!found) return fill(elsewhere, el("p", { class: "hint" }, "What to compare it with could not be loaded."));
    fill(elsewhere, elsewhereContent(found[0], item, desk));
    return fill(likenesses, likenessContent(found[1]));
  });
  return [elsewhere, likenesses];
}

function elsewhereContent(places, item, desk) {
  if (!places.length) return null;
  const plan = planCrop(item, desk.image);
  return [el("h3", {}, "The same place in other pictures of the scan"),
    el("ul", { class: "crop-row" }, places.map((place) => el("li", {},
      ruledCrop(planCropAt({ id: place.image_id }, place.x, place.y, plan), `The same place in ${place.file_name}`),
      el("a", { href: place.candidate_id ? `/reading/${place.image_id}?candidate=${place.candidate_id}` : `/reading/${place.image_id}` },
        `${place.is_mosaic ? "Mosaic" : place.file_name}${place.candidate_name ? `, ${place.candidate_name}` : ""}`))))];
}

function likenessContent(likenesses) {
  if (!likenesses.length) return null;
  return [el("h3", {}, "What it may be taken for"),
    el("ul", { class: "likenesses" }, likenesses.map((one) => el("li", {},
      el("strong", {}, one.kind === "look_alike" ? `${one.label} (look-alike)` : one.label), el("span", { class: "hint" }, `: ${one.appearance}`),
      one.examples.length > 0
        ? el("ul", { class: "crop-row" }, one.examples.map(example))
        : el("span", { class: "small-label" }, " No example is signed off here yet."))))];
}

function example({ candidate_id: id, specimen_code: code, length_um: length, width_um: width }) {
  const size = length === null ? "size unknown" : `${length.toFixed(0)} × ${width.toFixed(0)} µm`;
  return el("li", {}, el("img", { src: `/api/candidates/${id}/crop.jpg?side_px=${CROP_PX}`, alt: `From specimen ${code}, ${size}`, width: CROP_PX, height: CROP_PX, loading: "lazy" }),
    el("span", { class: "small-label" }, `${code}, ${size}`));
}
