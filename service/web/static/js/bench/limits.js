// Why what is not seen on a slide may still be there.

import { get } from "../api.js";
import { byId, el, fill } from "../dom.js";
import { withProblem } from "../page.js";
import { cite } from "./source-words.js";

export async function showLimits() {
  const answer = await withProblem(byId("sizes-problem"), () => get("/api/bench/limits"));
  fill(byId("limits-list"), (answer?.limits ?? []).map((one) => el("li", {}, one.text, " ", cite(one))));
  fill(byId("prepatent-table"), answer && table(answer.prepatent_periods));
}

function table(periods) {
  return el("table", {}, el("caption", { class: "visually-hidden" }, "Published prepatent periods"),
    el("thead", {}, el("tr", {}, ["Taxon", "Host", "Prepatent period", "Source"].map((name) => el("th", { scope: "col" }, name)))),
    el("tbody", {}, periods.map(periodRow)));
}

function periodRow(one) {
  return el("tr", {}, el("th", { scope: "row" }, el("em", {}, one.taxon)),
    el("td", { "data-label": "Host" }, one.host === "both" ? "dog and cat" : one.host),
    el("td", { "data-label": "Prepatent period" }, [one.printed, one.way].filter(Boolean).join(", ")),
    el("td", { "data-label": "Source" }, cite(one)));
}
