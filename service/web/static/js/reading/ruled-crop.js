// A crop of stated width with a ruler in micrometres; without a scale the ruler counts the picture's pixels.

import { el, svg } from "../dom.js";
import { roundDown } from "./scale-bar.js";

const SIDE_PX = 320;
const SPANS_UM = [20, 40, 80, 160, 320, 640];
const SPANS_PX = [40, 80, 160, 320, 640, 1280, 2560];
const FILL = 0.6;
// As a share of the crop: how far an object may lie from its middle without its box being drawn.
const MOST_BESIDE = 0.1;
const SETTING = "crop-span-um";

/** `{unit, um, span, href, box}` of the crop around a box; the span is the reader's choice, or what the object fits. */
export function planCrop(item, image, chosenUm = readSpan()) {
  const um = image.calibration?.um_per_px;
  const [x, y, width, height] = item.bbox;
  const side = Math.max(width, height) * (um ?? 1);
  const spans = um ? SPANS_UM : SPANS_PX;
  const span = (um && chosenUm) || (spans.find((one) => side <= FILL * one) ?? side / FILL);
  const plan = cutout({ image, x: x + width / 2, y: y + height / 2, span, um });
  return { ...plan, box: boxBeside(item.bbox, image, plan.span / (um ?? 1)) };
}

/** The box in percent of its crop, where the picture's edge keeps the crop's middle from it; else null. */
function boxBeside([x, y, width, height], image, spanPx) {
  const start = (middle, length) => Math.min(Math.max(0, middle - spanPx / 2), length - spanPx);
  const [middleX, middleY] = [x + width / 2, y + height / 2];
  const [left, top] = [start(middleX, image.width), start(middleY, image.height)];
  const isBeside = Math.max(Math.abs(middleX - left - spanPx / 2), Math.abs(middleY - top - spanPx / 2)) > MOST_BESIDE * spanPx;
  const percent = (pixels) => (100 * pixels) / spanPx;
  return isBeside ? { x: percent(x - left), y: percent(y - top), width: percent(width), height: percent(height) } : null;
}

/** The same width of another picture of the scan. */
export function planCropAt(image, x, y, { span, um }) {
  return cutout({ image, x, y, span, um });
}

function cutout({ image, x, y, span, um }) {
  const most = image.width ? Math.min(image.width, image.height) : Infinity;
  const spanPx = Math.min(span / (um ?? 1), most);
  const href = `/api/images/${image.id}/cutout.jpg?x=${x.toFixed(1)}&y=${y.toFixed(1)}&span_px=${Math.max(8, spanPx).toFixed(2)}&side_px=${SIDE_PX}`;
  return { unit: um ? "µm" : "px", um, span: spanPx * (um ?? 1), href };
}

export function ruledCrop(plan, alt) {
  const { unit, span, href, box } = plan;
  return el("figure", { class: "ruled-crop" },
    el("img", { src: href, alt: `${alt}, ${Math.round(span)} ${unit} across`, width: SIDE_PX, height: SIDE_PX }),
    ruler(span, unit, box), el("figcaption", { class: "small-label" }, `${Number(span.toPrecision(3))} ${unit} across`));
}

/** A bar of about half the width, with ten divisions; and the object's box where it isn't in the middle. */
function ruler(span, unit, box) {
  const length = roundDown(span / 2);
  const end = (100 * length) / span;
  const ticks = Array.from({ length: 11 }, (_, index) => `M${3 + (end * index) / 10} 96v${index % 5 ? -2.5 : -4.5}`).join("");
  const path = `M3 96H${3 + end}${ticks}`;
  const boxes = box ? ["box-casing", "box-line"].map((name) => svg("rect", { ...box, class: name })) : [];
  return svg("svg", { class: "crop-ruler", viewBox: "0 0 100 100", "aria-hidden": "true" }, ...boxes,
    svg("path", { class: "ruler-casing", d: path }), svg("path", { class: "ruler-line", d: path }),
    text(3, 89, `${length} ${unit}`, "ruler-casing"), text(3, 89, `${length} ${unit}`, "ruler-words"));
}

const text = (x, y, words, name) => svg("text", { x, y, class: name }, words);

/** A width that stays the same from candidate to candidate makes sizes comparable at a glance. */
export function spanChoice(desk, onChange) {
  if (!desk.image.calibration) return null;
  const chosen = readSpan();
  const option = (value, words) => el("option", { value: value ?? "", selected: value === chosen }, words);
  return el("div", { class: "field span-choice" }, el("label", { for: "crop-span" }, "Width of the crop"),
    el("select", { id: "crop-span", onchange: ({ target }) => { keepSpan(target.value); onChange(); } },
      option(null, "to fit"), SPANS_UM.map((span) => option(span, `${span} µm`))));
}

function readSpan() {
  try { return Number(localStorage.getItem(SETTING)) || null; } catch { return null; }
}

function keepSpan(value) {
  try { localStorage.setItem(SETTING, value); } catch { /* storage is off: what the object fits */ }
}
