// The losses of a training by step, with the checks on the held-out split.

import { el, svg } from "./dom.js";

const SIZE = { width: 480, height: 190, left: 44, bottom: 26, top: 10, right: 10 };

/** A drawing with its words; `losses` are `[step, loss]`, `checks` `[step, loss, recall]`. */
export function curveChart({ losses, checks }) {
  const points = [...losses, ...checks];
  const last = Math.max(...points.map(([step]) => step), 1);
  const most = Math.max(...points.map(([, loss]) => loss), 1e-6);
  const toX = (step) => SIZE.left + (SIZE.width - SIZE.left - SIZE.right) * step / last;
  const toY = (loss) => SIZE.top + (SIZE.height - SIZE.top - SIZE.bottom) * (1 - loss / most);
  const path = (rows) => `M${rows.map(([step, loss]) => `${toX(step).toFixed(1)} ${toY(loss).toFixed(1)}`).join("L")}`;
  const best = checks.reduce((one, other) => (one && one[1] <= other[1] ? one : other), null);
  const words = best ? `Lowest held-out loss ${best[1].toFixed(3)} at step ${best[0]}.` : "Nothing was held out to check on.";
  const drawing = svg("svg", { viewBox: `0 0 ${SIZE.width} ${SIZE.height}`, role: "img", class: "curve-chart", "aria-label": `Losses over ${last} steps. ${words}` },
    svg("path", { class: "axis", d: `M${SIZE.left} ${SIZE.top}V${SIZE.height - SIZE.bottom}H${SIZE.width - SIZE.right}` }),
    text(SIZE.left - 6, toY(most) + 8, most.toFixed(1), "end"), text(SIZE.left - 6, toY(0), "0", "end"),
    text(SIZE.width - SIZE.right, SIZE.height - 8, `step ${last}`, "end"));
  if (losses.length) drawing.append(svg("path", { class: "learnt", d: path(losses) }));
  if (checks.length) drawing.append(svg("path", { class: "checked", d: path(checks) }));
  for (const [step, loss] of checks) drawing.append(svg("circle", { class: "check-point", cx: toX(step), cy: toY(loss), r: 3 }));
  return el("figure", { class: "curve" }, drawing,
    el("figcaption", { class: "hint" }, `Full line: what is learnt from. Dashed line with dots: the held-out split. ${words}`));
}

function text(x, y, words, anchor) {
  return svg("text", { x, y, "text-anchor": anchor }, words);
}
