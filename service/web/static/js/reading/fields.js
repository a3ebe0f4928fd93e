// The pictures of a preparation in their order, to be read field by field.

import { byId, el, fill } from "../dom.js";

export function showFields({ image, specimen }) {
  const fields = specimen.preparations.find((one) => one.images.some(({ id }) => id === image.id))?.images ?? [];
  byId("fields").hidden = fields.length < 2;
  if (fields.length < 2) return;
  const place = fields.findIndex(({ id }) => id === image.id);
  byId("fields-words").textContent = `Picture ${place + 1} of ${fields.length}`;
  fill(byId("fields-links"), link(fields[place - 1], "‹ Previous", "prev"), link(fields[place + 1], "Next ›", "next"));
}

/** Without its state: how much the tool proposes there is not for a reader who reads unaided first. */
function link(field, words, rel) {
  if (!field) return null;
  return el("a", { class: "button", href: `/reading/${field.id}`, rel, "aria-label": `${words.replace(/[‹›]/g, "").trim()} picture, ${field.file_name}` }, words);
}

/** The key of the next picture; true where there is one. */
export function goToNextField() {
  const next = document.querySelector("#fields-links a[rel=next]");
  next?.click();
  return Boolean(next);
}
