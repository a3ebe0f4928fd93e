// Pictures without marks that would teach a detector most.

import { get } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { withProblem } from "./page.js";
import { table } from "./tables.js";

export async function showNextToLabel(canRead) {
  byId("next-panel").hidden = !canRead;
  if (!canRead) return;
  const pictures = await withProblem(byId("next-problem"), () => get("/api/next-to-label")) ?? [];
  fill(byId("next-list"), pictures.length
    ? table(["Picture", "Specimen", "Doubt", "Unlike the others"], pictures.map(pictureRow))
    : el("p", { class: "empty" }, "Every picture that you may see has marks."));
}

function pictureRow(one) {
  return [el("a", { href: `/reading/${one.image_id}` }, one.file_name), one.specimen_code, one.doubt.toFixed(1), one.novelty.toFixed(1)];
}
