// What became of each object and each box, in words.

import { el, stateMark } from "../dom.js";

/** How an answer is drawn on the picture: as confirmed, rejected, unsure or unmarked things are. */
export const ANSWER_LINES = {
  right: "confirm", "other group": "reject", missed: "none", "nothing labelled there": "reject", "not counted": "unsure",
};
const STATES = {
  right: ["done", "✓", "Right"],
  "other group": ["failed", "✕", "Another group"],
  missed: ["waits", "○", "Missed"],
  "nothing labelled there": ["failed", "✕", "Nothing labelled there"],
  "not counted": ["empty", "–", "Not counted"],
};

export const answerWords = ({ known_label: known, said_label: said }) => known ?? said;

export function answerItem(answer, place, onShow) {
  const name = answerWords(answer);
  return el("li", { class: "answer" },
    el("div", { class: "actions" }, el("strong", {}, name), stateMark(...STATES[answer.result]),
      el("button", { type: "button", class: "quiet", onclick: () => onShow(place) }, "Show", el("span", { class: "visually-hidden" }, ` ${name}, answer ${place + 1}`))),
    el("ul", { class: "advice" }, answer.reasons.map((words) => el("li", {}, words))),
    answer.sizes.length > 0 && el("details", {}, el("summary", {}, "Published sizes"),
      el("ul", { class: "advice" }, answer.sizes.map((size) => el("li", {}, `${size.taxon}: ${rangeWords(size)}`, el("cite", {}, size.source))))));
}

function rangeWords({ length_range_um: length, width_range_um: width }) {
  const of = (bounds, words) => bounds && `${bounds[0]} to ${bounds[1]} µm ${words}`;
  return [of(length, "long"), of(width, "wide")].filter(Boolean).join(", ");
}
