// Visible words and the form of figures.

import { stateMark } from "./dom.js";

export const SPECIES = { dog: "Dog", cat: "Cat", other: "Other" };
export const METHODS = { centrifuged: "Centrifuged", passive: "Passive (bench-top)" };

export const CONSISTENCIES = { formed: "Formed", soft: "Soft", slurry: "Slurry", liquid: "Liquid" };

/** The three answers, and none; `symbol` is shown wherever the color is. */
export const ANSWERS = {
  confirm: { symbol: "✓", done: "confirmed", verb: "Confirm" },
  reject: { symbol: "✕", done: "rejected", verb: "Reject" },
  unsure: { symbol: "?", done: "unsure", verb: "Unsure" },
  none: { symbol: "○", done: "unmarked", verb: "" },
};

export const countOf = (count, one, many = `${one}s`) => `${count.toLocaleString("en-US")} ${count === 1 ? one : many}`;

export function dateTime(text) {
  return text ? new Date(text).toLocaleString("en-US", { dateStyle: "medium", timeStyle: "short" }) : "";
}

export function day(text) {
  if (!text) return "";
  const [year, month, date] = text.slice(0, 10).split("-").map(Number);
  return new Date(year, month - 1, date).toLocaleDateString("en-US", { dateStyle: "medium" });
}

export function fileSize(bytes) {
  if (bytes < 1024) return `${bytes} B`;
  return bytes < 1024 ** 2 ? `${(bytes / 1024).toFixed(0)} KiB` : `${(bytes / 1024 ** 2).toFixed(1)} MiB`;
}

export const pixelsWords = (width, height) => `${width.toLocaleString("en-US")} × ${height.toLocaleString("en-US")} px`;

export function personName(person) {
  return typeof person === "string" ? person : person?.display_name ?? "unknown";
}

export function scaleWords(calibration) {
  if (!calibration) return "Scale unknown";
  const spread = calibration.um_per_px_sd ? ` ± ${figure(calibration.um_per_px_sd)}` : "";
  return `${figure(calibration.um_per_px)}${spread} µm per pixel`;
}

/** What the file says of its own scale, as long as nothing else is known. */
export function fileScaleWords({ calibration, file_scale: stated }) {
  return stated && !calibration ? `the file says ${figure(stated.um_per_px)} µm per pixel, which nobody has confirmed` : "";
}

export const figure = (value) => Number(value.toPrecision(3)).toString();

/** Length and width with their standard uncertainty, or the size in pixels where no scale is known. */
export function sizeLines(candidate) {
  if (candidate.length_um === null || candidate.length_um === undefined) return [pixelSizeWords(candidate)];
  return [
    `${withSpread(candidate.length_um, candidate.length_um_sd)} µm long`,
    `${withSpread(candidate.width_um, candidate.width_um_sd)} µm wide`,
  ];
}

function pixelSizeWords({ ellipse, bbox }) {
  const [length, width] = ellipse ? [ellipse.length_px, ellipse.width_px] : [bbox[2], bbox[3]].sort((a, b) => b - a);
  return `${length.toFixed(0)} × ${width.toFixed(0)} px`;
}

function withSpread(value, sd) {
  return sd === null || sd === undefined ? value.toFixed(1) : `${value.toFixed(1)} ± ${sd.toFixed(1)}`;
}

export function timeLeft(seconds) {
  if (seconds === null || seconds === undefined) return "";
  return seconds < 90 ? `, about ${Math.max(1, Math.round(seconds))} s left` : `, about ${Math.round(seconds / 60)} min left`;
}

/** State of one picture as symbol and words. */
export function pictureState(image) {
  if (image.state === "waiting") return stateMark("works", "◷", "Waiting its turn");
  if (image.state === "proposing") return stateMark("works", "◐", `Looking for candidates, ${Math.floor(100 * image.progress)} %`);
  if (image.state === "failed") return stateMark("failed", "!", "Could not be assessed");
  if (image.state === "stopped") return stateMark("failed", "□", "Search stopped");
  return markedState(image.candidates, image.unmarked);
}

function markedState(candidates, unmarked) {
  if (candidates === null) return stateMark("waits", "◇", "Your unaided read is open");
  if (unmarked) return stateMark("waits", ANSWERS.none.symbol, `${unmarked.toLocaleString("en-US")} to mark`);
  return candidates === 0 ? stateMark("empty", "–", "No candidate above the cut") : stateMark("done", ANSWERS.confirm.symbol, "All marked");
}

/** States of one specimen of the worklist: all that still stands between it and its sign-off. */
export function specimenStates(specimen) {
  if (specimen.signed_off_at) return [stateMark("done", "■", "Signed off")];
  if (!specimen.images) return [stateMark("empty", "–", "Needs pictures")];
  const { images_failed: failed, images_under_way: underWay, images_withheld: withheld, unmarked } = specimen;
  const states = [
    failed && stateMark("failed", "!", `${countOf(failed, "picture")} could not be assessed`),
    underWay && stateMark("works", "◐", `${countOf(underWay, "picture")} being worked on`),
    withheld && stateMark("waits", "◇", countOf(withheld, "unaided read open", "unaided reads open")),
    unmarked && stateMark("waits", ANSWERS.none.symbol, `${unmarked.toLocaleString("en-US")} to mark`),
  ].filter(Boolean);
  return states.length ? states : [stateMark("waits", "□", "All marked so far")];
}
