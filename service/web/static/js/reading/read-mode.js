// Unaided first or with proposals: asked once for each picture, and kept.

import { post } from "../api.js";
import { byId } from "../dom.js";
import { withProblem } from "../page.js";
import { dateTime } from "../words.js";
import { goToNextField } from "./fields.js";
import { remindOfOpenBox } from "./object-form.js";

/** Asks, when no read is open yet and nothing is frozen; resolves with the read that was opened. */
export async function chooseRead(image) {
  const choice = byId("read-choice");
  choice.hidden = false;
  const read = await new Promise((resolve) => {
    byId("start-unaided").onclick = () => open(image, "unaided", resolve);
    byId("start-aided").onclick = () => open(image, "aided", resolve);
  });
  choice.hidden = true;
  return read;
}

async function open(image, mode, resolve) {
  const read = await withProblem(byId("page-problem"), () => post(`/api/images/${image.id}/reads`, { mode }));
  if (read) resolve(read);
}

export const isUnaidedOpen = (read) => read?.mode === "unaided" && !read.locked_at;

/** How this reader read the picture, for the record; nothing while the read is open. */
export function showReadWords(read) {
  const unaided = read?.locked_at ? `You read this picture unaided first and locked it ${dateTime(read.locked_at)}.` : "";
  byId("read-words").textContent = read?.mode === "aided" ? "You read this picture with the proposals shown at once." : unaided;
}

/** Shows the lock buttons while an unaided read is open; `onLocked(read)` runs once it is locked. */
export function offerLock(read, onLocked) {
  const panel = byId("unaided-panel");
  panel.hidden = !isUnaidedOpen(read);
  byId("lock-next-button").hidden = !document.querySelector("#fields-links a[rel=next]");
  const lock = async () => {
    if (remindOfOpenBox()) return undefined;
    const locked = await withProblem(byId("unaided-problem"), () => post(`/api/reads/${read.id}/lock`));
    return locked && { ...read, ...locked };
  };
  byId("lock-button").onclick = async () => {
    const locked = await lock();
    if (!locked) return;
    panel.hidden = true;
    await onLocked(locked);
  };
  // The proposals of this picture stay unseen until the reader comes back to it.
  byId("lock-next-button").onclick = async () => { if (await lock()) goToNextField(); };
}
