// Who read a specimen before the practice that the hospital asks for was done.

import { get } from "./api.js";
import { byId, el, fill } from "./dom.js";

/** A sentence for each such reader; the page goes without it when no answer comes. */
export async function showLearnerNotes(specimenId) {
  const notes = await get(`/api/specimens/${encodeURIComponent(specimenId)}/learner-reads`).catch(() => []);
  const place = byId("learner-notes");
  place.hidden = notes.length === 0;
  fill(place, notes.map(({ words }) => el("p", {}, words)));
}
