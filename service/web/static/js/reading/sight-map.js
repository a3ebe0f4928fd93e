// A small map of the picture: hatched where it has not been on the screen large enough, plain where it has,
// dashed where the picture shows nothing.

import { svg } from "../dom.js";
import { gapShapes } from "../scan-map.js";

export function sightMap(state, image, view, gaps) {
  const { cell_px: cell, shown } = state;
  const runs = shown.flatMap((row, y) => runsOf(row).map(([start, end]) => svg("rect", { class: "map-seen", x: start * cell, y: y * cell, width: (end - start) * cell, height: cell })));
  const unit = Math.max(image.width, image.height) / 60;
  const hatch = svg("pattern", { id: "unseen-hatch", width: unit, height: unit, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("path", { class: "map-hatch", d: `M0 0V${unit}`, "stroke-width": unit / 2 }));
  const [x, y, width, height] = view;
  return svg("svg", { class: "sight-map", role: "img", viewBox: `0 0 ${image.width} ${image.height}`, "aria-label": `Map of the picture. ${shownWords(state, gaps)}` },
    svg("defs", {}, hatch),
    svg("rect", { class: "map-unseen", width: image.width, height: image.height, fill: "url(#unseen-hatch)" }),
    ...runs, ...gapShapes(gaps), svg("rect", { class: "map-view", x, y, width, height }));
}

export function shownWords(state, gaps) {
  const black = gaps.length > 0 ? ` The picture shows nothing at: ${gaps.map(({ name }) => name).join("; ")}.` : "";
  return `${sightWords(state)}${black}`;
}

function sightWords(state) {
  const group = state.groups.find((one) => one.name === state.group);
  const cells = state.columns * state.rows;
  const share = state.shown.join("").replaceAll("0", "").length / cells;
  // Never up: a map with a gap is not to read as whole.
  const percent = `${Math.floor(100 * share)} %`;
  if (!group) return `${percent} has been on your screen at full size; without a scale it can't be told which groups that shows.`;
  return `${percent} has been on your screen large enough to show ${group.label} (${group.smallest_width_um} µm wide or more).`;
}

function runsOf(row) {
  return [...row.matchAll(/1+/g)].map((run) => [run.index, run.index + run[0].length]);
}
