// After the lock: found by both, only by the reader, only by the tool; and what the reader changed since.

import { get } from "../api.js";
import { byId, el, fill } from "../dom.js";
import { countOf, dateTime } from "../words.js";
import { markWords } from "./mark-words.js";

const DIRECTIONS = {
  toward_tool: "→ toward the tool", away_from_tool: "← away from the tool", neither: "↔ neither toward the tool nor away from it",
};

export async function showDifferences(desk) {
  const place = byId("differences");
  const isLocked = desk.read?.mode === "unaided" && Boolean(desk.read.locked_at) && desk.canRead();
  const found = isLocked && !desk.isWithheld ? await get(`/api/reads/${desk.read.id}/differences`).catch(() => null) : null;
  place.hidden = !found;
  if (!found) return;
  const focused = place.contains(document.activeElement) ? document.activeElement.dataset.candidateId : null;
  fill(byId("differences-lists"),
    list(desk, "=", "Found by both", found.both.map((pair) => ({ id: pair.candidate_id, more: pairWords(pair, desk) }))),
    list(desk, "◁", "Only by you", found.only_reader.map((id) => ({ id }))),
    list(desk, "▷", "Only by the tool", found.only_tool.map((id) => ({ id }))),
    changesPart(found.changes, desk));
  if (focused) place.querySelector(`[data-candidate-id="${focused}"]`)?.focus();
}

function pairWords(pair, desk) {
  const other = pair.object_group === pair.candidate_group ? "same group" : `you: ${desk.labelOf(pair.object_group)}`;
  return pair.below_cut ? `${other}, below the cut` : other;
}

function list(desk, symbol, heading, rows) {
  const known = rows.map((row) => ({ ...row, item: desk.items().find(({ id }) => id === row.id) })).filter(({ item }) => item);
  return el("div", { class: "part" }, el("h3", {}, el("span", { "aria-hidden": "true" }, `${symbol} `), `${heading}: ${rows.length}`),
    known.length > 0 && el("ul", { class: "difference-list" }, known.map(({ item, more }) => el("li", {}, el("button", {
      type: "button", "data-candidate-id": item.id, onclick: () => desk.select(item.id, { moves: true }),
    }, `${item.name}, ${desk.labelOf(item.group)}`, more && el("span", { class: "hint" }, ` (${more})`))))));
}

function changesPart(changes, desk) {
  const words = ({ candidate_id: id, mark, before_answer: answer, before_group: group, direction }) => {
    const name = desk.items().find((item) => item.id === id)?.name ?? `Candidate no. ${id}`;
    const before = answer === null ? "not found" : answer === "unsure" ? "Unsure" : `${answer === "confirm" ? "Confirmed" : "Rejected"}: ${desk.labelOf(group)}`;
    return `${name}: from ${before} to ${markWords(mark, desk)} (${DIRECTIONS[direction]}), ${dateTime(mark.created_at)}`;
  };
  return el("details", { class: "part" }, el("summary", {}, countOf(changes.length, "change since you locked your read", "changes since you locked your read")),
    el("ol", { class: "words" }, changes.map((change) => el("li", {}, words(change)))));
}
