// Figures of a judged detector, as words and tables.

import { shareWords } from "./shares.js";
import { table } from "./tables.js";

const FEW = 20;
const FACTORS = { microscope: "Microscope", solution: "Solution", focus: "Focus" };

/** A share with Wilson's interval, and the one of drawing specimens anew where there is one. */
export function judgedShare({ share, n, of, wilson, by_specimen: drawn }) {
  const words = shareWords({ n, of, share, interval: wilson, is_few: of < FEW });
  return drawn ? `${words}; ${Math.round(drawn[0] * 100)} to ${Math.round(drawn[1] * 100)} % by specimen` : words;
}

/** One table a factor: found, group right and false candidates, by what makes slides differ. */
export function breakdown(figures) {
  const heads = ["", "Pictures", "Found", "Group right", "False a picture"];
  const rows = Object.entries(FACTORS).flatMap(([name, label]) => Object.entries(figures.by[name] ?? {}).map(([kind, row]) => [
    `${label}: ${kind.replaceAll("_", " ")}`, row.pictures, judgedShare(row.recall), judgedShare(row.group_right), row.false_per_picture.toFixed(2)]));
  const readers = Object.entries(figures.by_reader).map(([name, row]) => [`Confirmed by ${name}`, "", judgedShare(row), "", ""]);
  return [...rows, ...readers].length ? table(heads, [...rows, ...readers]) : null;
}

/** The main figures, one a row. */
export function mainFigures(figures) {
  const { average_precision: ap, length, counts, calibration } = figures;
  const ends = ap.AP_by_specimen ? ` (${ap.AP_by_specimen.map((end) => end.toFixed(3)).join(" to ")} by specimen)` : "";
  const rows = [
    ["Found at the working point", judgedShare(figures.recall)],
    ["Group right, of those found", judgedShare(figures.group_right)],
    ["Average precision (COCO)", `${figure(ap.AP)}${ends}; at overlap 0.5: ${figure(ap.AP50)}`],
    ["Length, said less marked", length.bias === undefined ? "too few measured objects" : `${signed(length.bias)} µm, 95 % between ${signed(length.limits[0])} and ${signed(length.limits[1])} µm (${length.n} objects)`],
    ["Candidates less objects, a coverslip", counts.bias === undefined ? "too few coverslips" : `${signed(counts.bias)}, 95 % between ${signed(counts.limits[0])} and ${signed(counts.limits[1])}; concordance ${figure(counts.concordance)} (${counts.coverslips} coverslips)`],
    ["Scores against shares that hold", `mean difference ${figure(calibration.error)} (${calibration.n} candidates)`],
  ];
  return table(["Figure", "On the locked split"], rows);
}

const figure = (value) => (value === null || value === undefined || value < 0 ? "unknown" : value.toFixed(3));
const signed = (value) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(2)}`;
