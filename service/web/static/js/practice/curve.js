// One group's learning curve: the share right of the last ten objects, against objects seen.

import { el, svg } from "../dom.js";
import { percent } from "../shares.js";
import { countOf } from "../words.js";

const SIZE = { width: 320, height: 150, left: 44, right: 8, top: 8, bottom: 24 };

export function curve({ label, curve: points, n_needed: needed, share_needed: share }) {
  const last = points.at(-1)[0];
  const toX = (n) => SIZE.left + (SIZE.width - SIZE.left - SIZE.right) * (last === 1 ? 1 : (n - 1) / (last - 1));
  const toY = (value) => SIZE.top + (SIZE.height - SIZE.top - SIZE.bottom) * (1 - value);
  const words = `${label}: ${percent(points.at(-1)[1])} right of the last ten, after ${countOf(last, "object")}`;
  const drawing = svg("svg", { viewBox: `0 0 ${SIZE.width} ${SIZE.height}`, role: "img", "aria-label": words });
  for (const value of [0, 0.5, 1]) {
    drawing.append(svg("path", { class: "curve-grid", d: `M${SIZE.left} ${toY(value)}H${SIZE.width - SIZE.right}` }),
      text(SIZE.left - 6, toY(value) + 4, percent(value), "end"));
  }
  if (needed) drawing.append(svg("path", { class: "curve-asked", d: `M${SIZE.left} ${toY(share)}H${SIZE.width - SIZE.right}` }));
  drawing.append(
    svg("polyline", { class: "curve-line", points: points.map(([n, value]) => `${toX(n)},${toY(value)}`).join(" ") }),
    svg("circle", { class: "curve-end", cx: toX(last), cy: toY(points.at(-1)[1]), r: 3.5 }),
    text(SIZE.width - SIZE.right, SIZE.height - 6, countOf(last, "object"), "end"));
  return el("figure", { class: "panel curve" },
    el("figcaption", {}, el("strong", {}, label), `, ${percent(points.at(-1)[1])} of the last ten`, needed ? ` (dashed: ${percent(share)} asked for)` : ""), drawing);
}

function text(x, y, words, anchor) {
  return svg("text", { x, y, "text-anchor": anchor }, words);
}
