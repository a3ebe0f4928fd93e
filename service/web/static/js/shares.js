// Shares with their intervals, as words and as a drawing.

import { el, svg } from "./dom.js";

const WIDTH = 160;

export const percent = (share) => `${Math.round(share * 100)} %`;

/** `n of m, 67 % (35 to 88 %)`; too few objects are said to be few. */
export function shareWords({ n, of, share, interval: [low, high], is_few: isFew }) {
  if (!of) return "no object yet";
  return `${n} of ${of}, ${percent(share)} (${Math.round(low * 100)} to ${percent(high)})${isFew ? "; few objects" : ""}`;
}

/** The words with a bar for the interval and a mark for the share; a scale from 0 to 100 %. */
export function shareCell(one) {
  return el("span", { class: "share" }, el("span", {}, shareWords(one)), one.of > 0 && intervalBar(one));
}

function intervalBar({ share, interval: [low, high] }) {
  const at = (value) => 1 + value * (WIDTH - 2);
  return svg("svg", { class: "share-bar", viewBox: `0 0 ${WIDTH} 12`, "aria-hidden": "true", preserveAspectRatio: "none" },
    svg("path", { class: "share-axis", d: `M1 6H${WIDTH - 1}` }),
    svg("rect", { class: "share-interval", x: at(low), y: 3, width: Math.max(2, at(high) - at(low)), height: 6 }),
    svg("path", { class: "share-mark", d: `M${at(share)} 1V11` }));
}
