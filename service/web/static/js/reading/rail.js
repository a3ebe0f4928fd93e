// The ranked row of candidates under the picture.

import { byId, el, fill } from "../dom.js";
import { ANSWERS, countOf } from "../words.js";

const CROP_PX = 96;

export function showRail(desk) {
  const repaint = (list, items) => fill(list, items.map((item) => el("li", {}, railItem(item, desk))));
  repaint(byId("rail-list"), desk.mainItems());
  repaint(byId("below-cut-list"), desk.belowCut);
  byId("below-cut").hidden = desk.belowCut.length === 0;
  byId("below-cut-summary").textContent = `Below the cut: ${countOf(desk.belowCut.length, "weaker candidate")}`;
  byId("rail-count").textContent = countWords(desk);
}

function countWords(desk) {
  if (desk.isWithheld) return `${countOf(desk.objects.length, "object")} placed by you; proposals are withheld until you lock the read`;
  const items = desk.mainItems();
  if (!items.length) return "No candidate above the cut. Look over the whole picture yourself.";
  const unmarked = items.filter((item) => desk.answerOf(item) === "none").length;
  const words = unmarked ? `${unmarked} to mark` : "all marked";
  return `${countOf(items.length, "candidate")}, ${words}`;
}

function railItem(item, desk) {
  const answer = desk.answerOf(item);
  const { symbol, done } = ANSWERS[answer];
  const isWaiting = desk.isOnItsWay(item);
  const words = isWaiting ? "not stored yet" : done;
  return el("button", {
    type: "button", class: "rail-item", "data-candidate-id": item.id, "aria-current": String(item.id === desk.currentId),
    "aria-label": `${item.name}, resembles ${item.groupLabel}, ${words}${item.unsettled ? ", readers differ" : ""}`, onclick: () => desk.select(item.id, { moves: true }),
  },
  el("img", { src: `/api/candidates/${item.id}/crop.jpg?side_px=${CROP_PX}`, alt: "", loading: "lazy", width: CROP_PX, height: CROP_PX }),
  el("span", { class: "rail-line" }, el("span", { class: "rail-rank" }, item.shortName),
    el("span", { class: `rail-mark answer-${desk.areApart(item) ? "none" : answer}` }, isWaiting ? "… waits" : item.unsettled ? "≠ readers differ" : `${symbol} ${done}`)),
  el("span", { class: "rail-group" }, withoutBrackets(item.groupLabel)));
}

/** The narrow card has room for the name alone; its accessible name says the whole label. */
const withoutBrackets = (label) => label.replace(/ \(.*\)$/, "");

export function showCurrentInRail(currentId) {
  for (const button of document.querySelectorAll(".rail-item")) {
    const isCurrent = button.dataset.candidateId === String(currentId);
    button.setAttribute("aria-current", String(isCurrent));
    if (isCurrent) scrollIntoRail(button);
  }
}

/** Only the row scrolls, never the page. */
function scrollIntoRail(button) {
  const list = button.closest(".rail-list");
  const [row, box] = [list.getBoundingClientRect(), button.getBoundingClientRect()];
  if (box.left < row.left || box.right > row.right) list.scrollLeft += box.left - row.left - row.width / 3;
}
