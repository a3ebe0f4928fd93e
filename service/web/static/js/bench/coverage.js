// Fields and passes over a square coverslip.

import { byId, el, facts, fill, svg } from "../dom.js";
import { countOf, figure } from "../words.js";
import { askOnChange, fieldsOf } from "./asking.js";

const DRAWN_PX = 220;
const MOST_PASSES_DRAWN = 60;

export function startCoverage() {
  return askOnChange(byId("coverage-form"), { path: "/api/bench/coverage", read, show, problem: byId("coverage-problem") });
}

function read(form) {
  const { overlap_percent: percent, ...rest } = fieldsOf(form);
  return { ...rest, overlap: percent === "" ? "" : Number(percent) / 100 };
}

function show(coverage) {
  facts(byId("coverage-facts"), [
    ["Field of view", `${figure(coverage.field_mm)} mm`],
    ["Coverslip over field", `${coverage.area_ratio.toFixed(1)} fields at the very least`],
    ["Passes", countOf(coverage.n_passes, "pass", "passes")],
    ["Still fields without a gap", countOf(coverage.n_gap_free_fields, "field")],
    ["Resolved distance", coverage.rayleigh_um && `${figure(coverage.rayleigh_um)} µm`],
    ["Coarsest useful pixel", coverage.largest_useful_um_per_px && `${figure(coverage.largest_useful_um_per_px)} µm per pixel`],
  ]);
  fill(byId("coverage-drawn"), drawPasses(coverage.n_passes));
  fill(byId("coverage-notes"), coverage.notes.map((note) => el("li", {}, note)));
}

/** The way over the coverslip: down one pass, up the next. */
function drawPasses(passes) {
  if (passes > MOST_PASSES_DRAWN) return null;
  const step = DRAWN_PX / passes;
  const way = Array.from({ length: passes }, (_, index) => {
    const x = 2 + (index + 0.5) * step;
    return index % 2 ? `L${x} ${DRAWN_PX - 8}L${x} 12` : `L${x} 12L${x} ${DRAWN_PX - 8}`;
  }).join("").replace("L", "M");
  return svg("svg", { viewBox: `0 0 ${DRAWN_PX + 4} ${DRAWN_PX + 4}`, width: DRAWN_PX + 4, height: DRAWN_PX + 4, role: "img", "aria-label": `Coverslip with ${countOf(passes, "pass", "passes")}, down and up in turn` },
    svg("rect", { class: "coverslip", x: 2, y: 2, width: DRAWN_PX, height: DRAWN_PX }), svg("path", { class: "way", d: way }));
}
