// Pictures in, one after the other, each with its own progress and its own problem.

import { upload } from "./api.js";
import { announce, byId, el } from "./dom.js";
import { readScale, startScaleChoice } from "./scale-choice.js";
import { fileSize } from "./words.js";

let queue = Promise.resolve();

export async function startUploads(preparationId, onStored) {
  const take = (files) => [...files].forEach((file) => enqueue(file, preparationId, onStored));
  for (const id of ["file-input", "camera-input"]) {
    byId(id).addEventListener("change", (event) => { take(event.target.files); event.target.value = ""; });
  }
  startDropZone(take);
  byId("upload-form").addEventListener("submit", (event) => event.preventDefault());
  await startScaleChoice(byId("upload-problem"));
}

function startDropZone(take) {
  const zone = byId("drop-zone");
  const mark = (isOver) => (event) => { event.preventDefault(); zone.classList.toggle("is-over", isOver); };
  zone.addEventListener("dragenter", mark(true));
  zone.addEventListener("dragover", mark(true));
  zone.addEventListener("dragleave", mark(false));
  zone.addEventListener("drop", (event) => { mark(false)(event); take(event.dataTransfer.files); });
}

function enqueue(file, preparationId, onStored) {
  const scale = readScale(byId("upload-problem"));
  if (!scale) return;
  const query = new URLSearchParams({ ...scale, file_name: file.name });
  const path = `/api/preparations/${preparationId}/images?${query}`;
  const item = uploadItem(file);
  byId("upload-list").append(item.row);
  const attempt = () => { queue = queue.then(() => sendFile(path, file, item, onStored)); };
  item.again.addEventListener("click", attempt);
  attempt();
}

function uploadItem(file) {
  const words = el("span", { class: "hint" }, "Waits to be sent");
  const bar = el("progress", { max: 1, value: 0, "aria-label": `Sending ${file.name}` });
  const problem = el("p", { class: "problem", role: "alert" });
  const again = el("button", { type: "button", hidden: true }, `Send ${file.name} again`);
  const row = el("li", {}, el("div", { class: "upload-row" },
    el("span", { class: "picture-name" }, file.name), el("span", { class: "hint" }, fileSize(file.size)), words), bar, problem, again);
  return { row, words, bar, problem, again };
}

async function sendFile(path, file, item, onStored) {
  item.again.hidden = true;
  item.problem.textContent = "";
  item.bar.hidden = false;
  try {
    await upload(path, file, (share) => showShare(item, share));
    item.row.remove();
    announce(`${file.name} is stored and waits for proposals.`);
    await onStored();
  } catch (error) {
    item.words.textContent = "Not stored";
    item.bar.hidden = true;
    item.problem.textContent = error.message;
    item.again.hidden = false;
  }
}

function showShare(item, share) {
  item.bar.value = share;
  item.words.textContent = share < 1 ? `Sending, ${Math.floor(100 * share)} %` : "Sent; being stored";
}
