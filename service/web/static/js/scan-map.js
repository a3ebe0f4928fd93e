// What a scan shows of its coverslip: a map of fields and gaps, areas in words.

import { el, svg } from "./dom.js";

/** Elements for a stitching's report, or a part of it; the map carries its words for people who don't see it. */
export function scanMap(report, whole = "scan") {
  const { coverage, mosaic, field, placed } = report;
  const words = areaWords(coverage, whole);
  const fields = placed.map((one) => svg("rect", {
    class: "map-field", x: one.x, y: one.y, width: field.width, height: field.height,
    transform: `rotate(${one.turn_deg} ${one.x + field.width / 2} ${one.y + field.height / 2})`,
  }, svg("title", {}, one.field)));
  return withWords(`Map of the ${whole}.`, mosaic, [...fields, ...gapShapes(coverage.gaps)], words);
}

/** Elements for one picture's `area`: its parts by focus, the coverslip's outline and the gaps. */
export function pictureMap(seen, picture, sideMm) {
  const side = seen.outline?.is_whole ? null : sideMm;
  const share = (part) => (part.mm2 !== null && side !== null ? { ...part, share_of_coverslip: part.mm2 / side ** 2 } : part);
  const words = [seen.outline_note, ...areaWords({
    coverslip_mm: seen.outline?.is_whole ? seen.outline.area_mm2 : side,
    imaged: share(seen.imaged), in_focus: share(seen.in_focus), focus_not_judged: seen.focus_not_judged, gaps: seen.gaps,
  }, "picture")];
  if (seen.parts.some(({ in_focus: isSharp }) => !isSharp)) words.push("Tinted parts of the map are in focus; dotted ones aren't, or nothing stands out there to judge it by.");
  if (seen.imaged.mm2 !== null && side !== null) words.push(`Shares are of the filed coverslip, ${side} x ${side} mm.`);
  const parts = seen.parts.map(({ bbox: [x, y, width, height], in_focus: isSharp }) => svg("rect", {
    class: isSharp ? "map-field" : "map-field map-unsharp", x, y, width, height,
  }, svg("title", {}, isSharp === null ? "Nothing to judge the focus by" : isSharp ? "In focus" : "Out of focus")));
  const outline = seen.outline && svg("polygon", { class: "map-outline", points: seen.outline.points.map((point) => point.join(",")).join(" ") }, svg("title", {}, "Edge of the coverslip"));
  return withWords("Map of the picture.", picture, [...parts, ...gapShapes(seen.gaps), outline].filter(Boolean), words);
}

/** Shapes of the gaps that a report names, on a map in pixels of the picture. */
export function gapShapes(gaps) {
  return gaps.map((gap) => {
    const [x, y, width, height] = gap.bbox;
    return svg("rect", { class: "map-gap", x, y, width, height }, svg("title", {}, `Gap: ${gap.name}`));
  });
}

function withWords(name, { width, height }, shapes, words) {
  const unit = Math.max(width, height) / 100;
  const map = svg("svg", {
    class: "scan-map", role: "img", "aria-label": `${name} ${words.join(" ")}`,
    viewBox: [-unit, -unit, width + 2 * unit, height + 2 * unit].join(" "),
  }, ...shapes);
  return [map, ...words.map((sentence) => el("p", { class: "hint" }, sentence))];
}

function areaWords({ coverslip_mm: side, imaged, in_focus: sharp, focus_not_judged: unjudged, gaps }, whole = "scan") {
  const words = [];
  if (imaged.mm2 === null) words.push("The area shown is unknown, because the scale is unknown.");
  else {
    words.push(`Shown: ${area(imaged)}. In focus: ${area(sharp)}${unjudged.mm2 > 0 ? `; on ${square(unjudged.mm2)} nothing stands out to judge the focus by` : ""}.`);
    if (side === null) words.push("The coverslip's side isn't on file, so its share is unknown.");
  }
  if (gaps.length === 0) words.push(`No gaps within the ${whole}.`);
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
