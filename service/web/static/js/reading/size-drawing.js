// The measured length and width drawn against the published range of each taxon; the words stand beside the drawing.

import { el, svg } from "../dom.js";

const ROOM = 1.1;
const COVERAGE = 2;

export function sizeDrawing(item) {
  const taxa = item.size_check?.taxa ?? [];
  const sides = [
    { name: "Length", value: item.length_um, sd: item.length_um_sd, range: "length_range_um" },
    { name: "Width", value: item.width_um, sd: item.width_um_sd, range: "width_range_um" },
  ].filter((side) => side.value !== null && side.value !== undefined);
  const drawn = sides.map((side) => sideDrawing(side, taxa.filter((taxon) => taxon[side.range]))).filter(Boolean);
  return drawn.length > 0 && el("div", { class: "size-drawing" }, drawn);
}

function sideDrawing({ name, value, sd, range }, taxa) {
  if (!taxa.length) return null;
  const most = ROOM * Math.max(value + COVERAGE * (sd ?? 0), ...taxa.map((taxon) => taxon[range][1]));
  const spread = sd ? ` ± ${sd.toFixed(1)}` : "";
  return el("div", {}, el("h4", {}, `${name} ${value.toFixed(1)}${spread} µm, against published ranges`),
    el("ul", { class: "range-rows" }, taxa.map((taxon) => el("li", {},
      el("em", {}, taxon.taxon), rangeBar(value, sd, taxon[range], most), el("span", { class: "figure" }, `${taxon[range][0]}–${taxon[range][1]} µm`)))));
}

/** The range as a bar, the measured size as a line with a band of two standard uncertainties on both sides. */
function rangeBar(value, sd, [low, high], most) {
  const at = (um) => (100 * um) / most;
  const band = COVERAGE * (sd ?? 0);
  return svg("svg", { class: "range-bar", viewBox: "0 0 100 12", preserveAspectRatio: "none", "aria-hidden": "true" },
    svg("path", { class: "range-axis", d: "M0 10H100" }),
    svg("rect", { class: "range-published", x: at(low), y: 3, width: Math.max(0.6, at(high - low)), height: 7 }),
    svg("rect", { class: "range-spread", x: at(value - band), y: 0.5, width: at(2 * band), height: 11 }),
    svg("path", { class: "range-measured", d: `M${at(value)} 0V12` }));
}
