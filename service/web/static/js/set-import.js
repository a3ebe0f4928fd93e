// Marked pictures from elsewhere: what to send, and what came of it.

import { upload } from "./api.js";
import { byId, el } from "./dom.js";
import { submitting } from "./page.js";
import { isVeterinarian } from "./roles.js";
import { table } from "./tables.js";
import { countOf } from "./words.js";
import { zipFiles } from "./zip-files.js";

/** Offers the form to whoever may import; the page of the new set then says what was refused. */
export function startImport(session) {
  const form = byId("import-form");
  form.hidden = !isVeterinarian(session);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const made = await submitting(form, byId("import-problem"), () => sendChosen(form));
    byId("import-progress").hidden = true;
    if (made) location.assign(`/labelled-sets/${made.id}`);
  });
}

async function sendChosen(form) {
  const files = [...form.files.files];
  const isZip = files.length === 1 && /\.zip$/i.test(files[0].name);
  if (!isZip && files.filter((file) => /\.json$/i.test(file.name)).length !== 1) {
    throw new Error("Choose one zip file, or one JSON file together with its pictures.");
  }
  const query = new URLSearchParams();
  for (const line of form.groups.value.split("\n").map((one) => one.trim()).filter(Boolean)) query.append("group", line);
  if (form.um_per_px.value) query.set("um_per_px", form.um_per_px.value);
  const progress = byId("import-progress");
  progress.hidden = false;
  const body = isZip ? files[0] : await zipFiles(files);
  return upload(`/api/labelled-sets/imports?${query}`, body, (share) => { progress.value = share; });
}

/** The report of an import. */
export function importWords(report) {
  const mapped = Object.entries(report.mapped);
  const same = mapped.filter(([theirs, ours]) => theirs === ours).map(([theirs]) => theirs);
  const taken = mapped.filter(([theirs, ours]) => theirs !== ours).map(([theirs, ours]) => [theirs, ours, ""]);
  const left = Object.entries(report.unmapped).map(([theirs, boxes]) => [theirs, "none of ours", `${countOf(boxes, "box", "boxes")} became regions where nothing is said`]);
  const rows = [...taken, ...left];
  return [
    el("p", {}, `${countOf(report.n_pictures, "picture")}, ${countOf(report.n_objects, "label")}, ${countOf(report.n_ignored_regions, "region")} where nothing is said.`),
    same.length > 0 && el("p", {}, `Taken by equal name: ${same.join(", ").replaceAll("_", " ")}.`),
    rows.length > 0 && table(["Their category", "Our group", "Remark"], rows),
    report.refused.length > 0 && table(["Refused", "Why"], report.refused.map((row) => [row.what, row.why])),
    report.refused_in_all > report.refused.length && el("p", { class: "hint" }, `And ${report.refused_in_all - report.refused.length} more.`),
    report.refused_in_all === 0 && el("p", { class: "hint" }, "Nothing was refused."),
  ];
}
