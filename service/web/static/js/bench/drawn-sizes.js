// Outlines to one scale; attributes only, since the page allows no inline style.

import { svg } from "../dom.js";

const PX_PER_UM = window.matchMedia("(max-width: 30rem)").matches ? 1.1 : 1.4;
const RULER_UM = 200;
const MARGIN_PX = 2;

/** The ruler that all outlines are drawn to. */
export function drawRuler() {
  const marks = Array.from({ length: RULER_UM / 10 + 1 }, (_, index) => index * 10);
  const width = RULER_UM * PX_PER_UM + 2 * MARGIN_PX + 24;
  return svg("svg", { viewBox: `0 0 ${width} 34`, width, height: 34, role: "img", "aria-label": `Ruler of ${RULER_UM} µm, a mark every 10 µm` },
    svg("path", { class: "ruler-line", d: marks.map((um) => `M${MARGIN_PX + um * PX_PER_UM} 2v${um % 50 ? 7 : 13}`).join("") + `M${MARGIN_PX} 2h${RULER_UM * PX_PER_UM}` }),
    ...marks.filter((um) => um % 50 === 0).map((um) => svg("text", { x: MARGIN_PX + um * PX_PER_UM, y: 29, "text-anchor": um ? "middle" : "start" }, um === RULER_UM ? `${um} µm` : String(um))));
}

/** Smallest and largest outline of a taxon; null where no source prints a length with both ends. */
export function drawSize(row) {
  const range = row.length_range_um;
  if (range && row.width_range_um) return picture(range[1], row.width_range_um[1], [
    ellipse(range[1], row.width_range_um[1], range[1], row.width_range_um[1], "outline"),
    ellipse(range[1], row.width_range_um[1], range[0], row.width_range_um[0], "outline inner"),
  ]);
  if (range) return picture(range[1], 6, [stroke(range[1], range[1], "outline"), stroke(range[1], range[0], "outline inner")]);
  const single = row.figures.find(({ length_um: [, length], width_um: [, width] }) => length && width);
  if (!single) return null;
  const [length, width] = [single.length_um[1], single.width_um[1]];
  return picture(length, width, [ellipse(length, width, length, width, "outline single")]);
}

function picture(length_um, width_um, parts) {
  const [width, height] = [length_um * PX_PER_UM + 2 * MARGIN_PX, width_um * PX_PER_UM + 2 * MARGIN_PX];
  return svg("svg", { viewBox: `0 0 ${width} ${height}`, width, height, "aria-hidden": "true", focusable: "false" }, ...parts);
}

function ellipse(frameLength, frameWidth, length_um, width_um, kind) {
  return svg("ellipse", {
    class: kind,
    cx: MARGIN_PX + (frameLength * PX_PER_UM) / 2, cy: MARGIN_PX + (frameWidth * PX_PER_UM) / 2,
    rx: (length_um * PX_PER_UM) / 2, ry: (width_um * PX_PER_UM) / 2,
  });
}

function stroke(frameLength, length_um, kind) {
  const start = MARGIN_PX + ((frameLength - length_um) * PX_PER_UM) / 2;
  const y = kind.endsWith("inner") ? 8 : 4;
  return svg("path", { class: kind, d: `M${start} ${y}h${length_um * PX_PER_UM}` });
}
