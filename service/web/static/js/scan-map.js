// What a scan shows of its coverslip: a map of fields and gaps, areas in words.

import { el, svg } from "./dom.js";

/** Elements for a stitching's report; the map carries its words for people who don't see it. */
export function scanMap(report) {
  const { coverage, mosaic, field, placed } = report;
  const unit = Math.max(mosaic.width, mosaic.height) / 100;
  const words = areaWords(coverage);
  const fields = placed.map((one) => svg("rect", {
    class: "map-field", x: one.x, y: one.y, width: field.width, height: field.height,
    transform: `rotate(${one.turn_deg} ${one.x + field.width / 2} ${one.y + field.height / 2})`,
  }, svg("title", {}, one.field)));
  const gaps = coverage.gaps.map((gap) => {
    const [x, y, width, height] = gap.bbox;
    return svg("rect", { class: "map-gap", x, y, width, height }, svg("title", {}, `Gap: ${gap.name}`));
  });
  const map = svg("svg", {
    class: "scan-map", role: "img", "aria-label": `Map of the scan. ${words.join(" ")}`,
    viewBox: [-unit, -unit, mosaic.width + 2 * unit, mosaic.height + 2 * unit].join(" "),
  }, ...fields, ...gaps);
  return [map, ...words.map((sentence) => el("p", { class: "hint" }, sentence))];
}

function areaWords({ coverslip_mm: side, imaged, in_focus: sharp, focus_not_judged: unjudged, gaps }) {
  const words = [];
  if (imaged.mm2 === null) words.push("The area shown is unknown, because the scale is unknown.");
  else {
    words.push(`Shown: ${area(imaged)}. In focus: ${area(sharp)}${unjudged.mm2 > 0 ? `; on ${square(unjudged.mm2)} nothing stands out to judge the focus by` : ""}.`);
    if (side === null) words.push("The coverslip's side isn't on file, so its share is unknown.");
  }
  if (gaps.length === 0) words.push("No gaps within the scan.");
  else words.push(`${gaps.length === 1 ? "Gap" : "Gaps"} (dashed on the map): ${gaps.map(gapWords).join("; ")}.`);
  return words;
}

function gapWords(gap) {
  return gap.mm2 === null ? gap.name : `${gap.name} (${square(gap.mm2)})`;
}

function area({ mm2, share_of_coverslip: share }) {
  return share === null ? square(mm2) : `${square(mm2)}, ${percent(share)} of the coverslip`;
}

const square = (mm2) => `${Number(mm2.toPrecision(3))} mm²`;
const percent = (share) => `${Number((100 * share).toPrecision(2))} %`;
