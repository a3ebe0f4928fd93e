// Unaided first or with proposals: asked once for each picture, and kept.

import { post } from "../api.js";
import { byId } from "../dom.js";
import { withProblem } from "../page.js";

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

/** Shows the lock button while an unaided read is open; `onLocked` runs once it is locked. */
export function offerLock(read, onLocked) {
  const panel = byId("unaided-panel");
  panel.hidden = !isUnaidedOpen(read);
  byId("lock-button").onclick = async () => {
    const locked = await withProblem(byId("unaided-problem"), () => post(`/api/reads/${read.id}/lock`));
    if (!locked) return;
    panel.hidden = true;
    await onLocked();
  };
}
