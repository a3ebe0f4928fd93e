// Taking back one's own newest mark: a new row on record, nothing erased.

import { post } from "../api.js";
import { announce, byId } from "../dom.js";
import { withProblem } from "../page.js";

const LOOK_AGAIN_MS = 40;
const LONGEST_WAIT_MS = 5000;

/** Takes back the mark made last on this page, or the newest own one of the current candidate. */
export async function takeBack(desk) {
  if (!desk.canMark()) return;
  if (!(await isStored(desk.outbox))) return announce("A mark is still on its way. Try again once it is stored.");
  const item = desk.items().find(({ id }) => id === desk.marked.at(-1)) ?? desk.current();
  const mark = item && ownMark(item, desk);
  if (!mark) return announce("There is no mark of yours to take back here.");
  const taken = await withProblem(byId("page-problem"), () => post(`/api/marks/${mark.id}/withdrawal`));
  if (!taken) return;
  desk.marked.pop();
  await desk.reload();
  if (desk.items().some(({ id }) => id === item.id)) desk.select(item.id, { moves: true });
  announce(`Your last mark of ${item.name} is taken back; it stays on record.`);
}

/** Waits a moment for marks on their way; whoever sees a slip takes it back at once. */
async function isStored(outbox) {
  const end = Date.now() + LONGEST_WAIT_MS;
  while ((outbox.isSending || outbox.entries.length) && Date.now() < end) await new Promise((resolve) => setTimeout(resolve, LOOK_AGAIN_MS));
  return !outbox.isSending && !outbox.entries.length;
}

export function ownMark(item, desk) {
  return item.marks.filter((mark) => mark.reader.id === desk.session.user.id).at(-1);
}
