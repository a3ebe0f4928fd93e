// µm per pixel over time as a small drawing: each calibration with its 95 % interval.

import { svg } from "./dom.js";

const HEIGHT = 190;
const ROOM = { left: 64, right: 14, top: 12, bottom: 30 };
const DAY_MS = 86_400_000;
const LEAST_REACH = 0.005;
const SYMBOL_PX = 6;

/** Draws `series.points` into `place`, as wide as it is, and again whenever its width changes. */
export function showDrift(place, series) {
  let drawnWidth = 0;
  new ResizeObserver(() => {
    const width = Math.max(260, Math.floor(place.clientWidth));
    if (width === drawnWidth) return;
    drawnWidth = width;
    place.replaceChildren(drawPlot(series, width));
  }).observe(place);
}

function drawPlot(series, width) {
  const { points } = series;
  const [toX, toY, ticks] = scales(points, width);
  const plot = svg("svg", { viewBox: `0 0 ${width} ${HEIGHT}`, role: "img", "aria-label": words(series) });
  for (const tick of ticks) {
    plot.append(svg("line", { class: "grid", x1: ROOM.left, x2: width - ROOM.right, y1: toY(tick), y2: toY(tick) }));
    plot.append(svg("text", { x: ROOM.left - 8, y: toY(tick) + 4, "text-anchor": "end" }, tick.toFixed(digitsFor(ticks))));
  }
  plot.append(svg("polyline", { class: "course", points: points.map((point) => `${toX(point)},${toY(point.um_per_px)}`).join(" ") }));
  for (const point of points) plot.append(drawPoint(point, toX(point), toY));
  plot.append(...dateLabels(points, toX, width));
  return plot;
}

/** A point that drifted is a diamond, so that its color is not needed to tell it. */
function drawPoint(point, x, toY) {
  const y = toY(point.um_per_px);
  const shape = point.has_drifted
    ? svg("path", { class: "value", d: `M${x} ${y - SYMBOL_PX - 1}l${SYMBOL_PX + 1} ${SYMBOL_PX + 1}l${-SYMBOL_PX - 1} ${SYMBOL_PX + 1}l${-SYMBOL_PX - 1} ${-SYMBOL_PX - 1}z` })
    : svg("circle", { class: "value", cx: x, cy: y, r: SYMBOL_PX - 1 });
  const spread = svg("line", { class: "spread", x1: x, x2: x, y1: toY(point.low), y2: toY(point.high) });
  return svg("g", { class: point.has_drifted ? "drifted" : "steady" }, spread, shape);
}

function scales(points, width) {
  const times = points.map((point) => Date.parse(point.at));
  const [first, last] = [Math.min(...times), Math.max(...times)];
  const span = Math.max(last - first, DAY_MS);
  const middle = (first + last) / 2;
  const toX = (point) => ROOM.left + 14 + (width - ROOM.left - ROOM.right - 28) * ((Date.parse(point.at) - middle) / span + 0.5);
  const [low, high] = reach(points);
  const toY = (value) => HEIGHT - ROOM.bottom - (HEIGHT - ROOM.top - ROOM.bottom) * ((value - low) / (high - low));
  return [toX, toY, roundTicks(low, high)];
}

/** Never narrower than half a percent each way, or noise would look like drift. */
function reach(points) {
  const middle = points.reduce((sum, point) => sum + point.um_per_px, 0) / points.length;
  const low = Math.min(...points.map((point) => point.low), middle * (1 - LEAST_REACH));
  const high = Math.max(...points.map((point) => point.high), middle * (1 + LEAST_REACH));
  const room = 0.08 * (high - low);
  return [low - room, high + room];
}

function roundTicks(low, high) {
  const step = [1, 2, 5, 10].map((factor) => factor * 10 ** Math.floor(Math.log10((high - low) / 3))).find((one) => (high - low) / one <= 5);
  const first = Math.ceil(low / step);
  return Array.from({ length: Math.floor(high / step) - first + 1 }, (_, index) => (first + index) * step);
}

function digitsFor(ticks) {
  const step = ticks.length > 1 ? ticks[1] - ticks[0] : ticks[0];
  return Math.min(6, Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)));
}

function dateLabels(points, toX, width) {
  const label = (point, anchor) => svg("text", { x: toX(point), y: HEIGHT - 8, "text-anchor": anchor }, dateOf(point));
  const [oldest, newest] = [points[0], points.at(-1)];
  if (dateOf(oldest) === dateOf(newest)) return [svg("text", { x: (ROOM.left + width - ROOM.right) / 2, y: HEIGHT - 8, "text-anchor": "middle" }, dateOf(newest))];
  return [label(oldest, "start"), label(newest, "end")];
}

const dateOf = (point) => new Date(point.at).toLocaleDateString("en-US", { dateStyle: "medium" });

function words({ points }) {
  const newest = points.at(-1);
  return `µm per pixel over time, ${points.length} calibrations; newest ${newest.um_per_px.toPrecision(4)}, 95 % interval ${newest.low.toPrecision(4)} to ${newest.high.toPrecision(4)}.`;
}
