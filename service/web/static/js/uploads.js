// Pictures in, one after the other, each with its own progress and its own problem.

import { upload } from "./api.js";
import { announce, byId, el } from "./dom.js";
import { readScale, startScaleChoice } from "./scale-choice.js";
import { findBegun, follow, listBegun, PART_BYTES, sendInParts, stop } from "./upload-in-parts.js";
import { dateTime, fileSize } from "./words.js";

let queue = Promise.resolve();

export async function startUploads(preparationId, onStored) {
  const take = (files) => [...files].forEach((file) => enqueue(file, preparationId, onStored));
  for (const id of ["file-input", "camera-input"]) {
    byId(id).addEventListener("change", (event) => { take(event.target.files); event.target.value = ""; });
  }
  startDropZone(take);
  byId("upload-form").addEventListener("submit", (event) => event.preventDefault());
  await Promise.all([startScaleChoice(byId("upload-problem")), showBegun(preparationId, onStored)]);
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
  const item = uploadItem(file.name, file.size);
  byId("upload-list").append(item.row);
  const send = file.size > PART_BYTES
    ? (signal) => sendLarge(`/api/preparations/${preparationId}/uploads?${query}`, file, item, signal)
    : () => upload(`/api/preparations/${preparationId}/images?${query}`, file, (share) => showShare(item, share));
  const attempt = () => { queue = queue.then(() => sendFile(send, file, item, onStored)); };
  item.again.addEventListener("click", attempt);
  attempt();
}

function uploadItem(name, bytes) {
  const words = el("span", { class: "hint" }, "Waits to be sent");
  const bar = el("progress", { max: 1, value: 0, "aria-label": `Sending ${name}` });
  const problem = el("p", { class: "problem", role: "alert" });
  const again = el("button", { type: "button", hidden: true }, `Send ${name} again`);
  const end = el("button", { type: "button", hidden: true }, `Stop sending ${name}`);
  const away = el("button", { type: "button", class: "quiet", hidden: true, onclick: () => takeOff(row, name) }, `Take ${name} off this list`);
  const row = el("li", {}, el("div", { class: "upload-row" },
    el("span", { class: "picture-name" }, name), el("span", { class: "hint" }, fileSize(bytes)), words), bar, problem,
    el("div", { class: "actions" }, again, end, away));
  return { row, words, bar, problem, again, end, away };
}

function takeOff(row, name) {
  row.remove();
  announce(`${name} is off the list.`);
  byId("file-input").focus();
}

async function sendFile(send, file, item, onStored) {
  if (!item.row.isConnected) return;
  item.again.hidden = true;
  item.away.hidden = true;
  item.problem.textContent = "";
  item.bar.hidden = false;
  const stopper = new AbortController();
  item.end.onclick = () => stopper.abort();
  try {
    await send(stopper.signal);
    item.row.remove();
    announce(`${file.name} is stored and waits for proposals.`);
    await onStored();
  } catch (error) {
    if (stopper.signal.aborted) {
      item.row.remove();
      return;
    }
    showProblem(item, error);
    item.again.hidden = false;
  }
}

/** A file in parts; a stop removes what has arrived. */
async function sendLarge(begin, file, item, signal) {
  const says = {
    share: (share) => showShare(item, share),
    lost: (share) => { item.words.textContent = `Connection lost at ${Math.floor(100 * share)} %; goes on by itself`; },
    checking: () => { item.end.hidden = true; item.words.textContent = "Sent; being checked"; },
  };
  await removeLeftOver(begin, file);
  item.end.hidden = false;
  try {
    return await sendInParts(begin, file, says, signal);
  } catch (error) {
    const begun = signal.aborted ? await findBegun(begin, file).catch(() => undefined) : undefined;
    // Without an answer it is removed by the service later on.
    if (begun) await stop(begun).catch(() => undefined);
    throw error;
  } finally {
    item.end.hidden = true;
  }
}

async function removeLeftOver(begin, file) {
  const begun = await findBegun(begin, file).catch(() => undefined);
  if (begun) byId("upload-list").querySelector(`[data-upload="${begun.id}"]`)?.remove();
}

/** What was begun before this page was opened. */
async function showBegun(preparationId, onStored) {
  const begun = await listBegun(`/api/preparations/${preparationId}/uploads`).catch(() => []);
  for (const one of begun) {
    const item = uploadItem(one.file_name, one.bytes);
    item.row.dataset.upload = one.id;
    item.bar.value = one.offset / one.bytes;
    byId("upload-list").append(item.row);
    if (one.state === "checking") followBegun(one, item, onStored);
    else offerToGoOn(one, item);
  }
}

async function followBegun(one, item, onStored) {
  item.words.textContent = "Sent; being checked";
  try {
    await follow(one);
    item.row.remove();
    await onStored();
  } catch (error) {
    showProblem(item, error);
  }
}

function offerToGoOn(one, item) {
  const until = one.expires_at ? ` Kept until ${dateTime(one.expires_at)}.` : "";
  item.words.textContent = `${Math.floor((100 * one.offset) / one.bytes)} % arrived. Choose the same file again to go on.${until}`;
  item.problem.textContent = one.problem ?? "";
  item.end.textContent = `Remove what arrived of ${one.file_name}`;
  item.end.hidden = false;
  item.end.onclick = async () => {
    try {
      await stop(one);
      item.row.remove();
    } catch (error) {
      item.problem.textContent = error.message;
    }
  };
}

function showProblem(item, error) {
  item.words.textContent = "Not stored";
  item.bar.hidden = true;
  item.problem.textContent = error.message;
  item.away.hidden = false;
}

function showShare(item, share) {
  item.bar.value = share;
  item.words.textContent = share < 1 ? `Sending, ${Math.floor(100 * share)} %` : "Sent; being stored";
}
