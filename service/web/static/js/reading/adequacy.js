// What the picture can show and what it can't: all of it below the picture, its limits above it as well.

import { byId, el, fill } from "../dom.js";
import { figure } from "../words.js";
import { showSeenArea } from "./seen-area.js";

const LIMITS = { sampling: "too few pixels across", optics: "the objective resolves too little", focus: "out of focus" };
const TOO_FEW_PIXELS = ["sampling"];

export function showAdequacy(adequacy, caution, desk) {
  fill(byId("adequacy"), adequacy ? adequacyParts(adequacy, caution, desk) : el("p", { class: "hint" }, "Told once the proposals are made."));
  showSeenArea(adequacy?.area, desk);
  const limits = adequacy ? [unresolvable(adequacy, desk), ...adequacy.notes.map((note) => el("p", {}, note))].filter(Boolean) : [];
  fill(byId("limits-notice"), limits);
  byId("limits-notice").hidden = limits.length === 0;
}

/** Groups that the picture can't show, those with the same limits together. */
function unresolvable(adequacy, desk) {
  const byLimits = new Map();
  for (const name of adequacy.groups_not_resolvable) {
    const limits = (visibilityOf(adequacy, name)?.limited_by ?? TOO_FEW_PIXELS).join(" ");
    byLimits.set(limits, [...(byLimits.get(limits) ?? []), desk.labelOf(name)]);
  }
  return byLimits.size > 0 && el("div", {}, [...byLimits].map(([limits, labels]) => el("p", {},
    el("strong", {}, "Can't be assessed in this picture: "), `${labels.join("; ")}. ${whyAndWhatToDo(limits.split(" "), adequacy)}`)));
}

function whyAndWhatToDo(limits, { objective }) {
  const why = limits.map((limit) => LIMITS[limit]).join(" and ");
  const isFine = objective && objective.magnification >= 40;
  const steps = [
    limits.includes("focus") && "take it again in focus",
    limits.some((limit) => limit !== "focus") && (isFine ? "photograph it with more pixels or a larger aperture" : "go to 40x"),
  ].filter(Boolean);
  return `${why.charAt(0).toUpperCase()}${why.slice(1)}: ${steps.join(", ")}.`;
}

function visibilityOf({ groups = [] }, name) {
  return groups.find(({ group }) => group === name);
}

function adequacyParts(adequacy, caution, desk) {
  const assessed = `${Math.round(100 * adequacy.assessed_fraction)} % of the picture was assessed.`;
  return [
    el("ul", {}, [assessed, ...measured(adequacy), ...adequacy.notes].map((sentence) => el("li", {}, sentence))),
    unresolvable(adequacy, desk),
    groupsPart(adequacy, desk),
    el("p", { class: "caution" }, caution),
  ];
}

function measured({ objective, focus, light }) {
  return [
    objective && `Objective ${objective.magnification}x, NA ${objective.numerical_aperture}${objective.is_aperture_usual ? " (usual, not read from it)" : ""}.`,
    focus && `Sharpness ${figure(focus.sharpness)}; blurred below ${focus.least_sharpness}.`,
    light && `Light: the darkest part has ${Math.round(100 * light.evenness)} % of the brightest; ${Math.round(100 * light.burnt_out_fraction)} % is burnt out.`,
  ].filter(Boolean);
}

/** Every group with what the picture gives its smallest member. */
function groupsPart({ groups = [] }, desk) {
  if (!groups.length) return null;
  const columns = ["Group", "Smallest, µm", "Pixels across", "Resolved", "In this picture"];
  return el("details", {}, el("summary", {}, "Group by group"),
    el("div", { class: "table-wrap" }, el("table", {}, el("caption", { class: "visually-hidden" }, "What this picture can show, group by group"),
      el("thead", {}, el("tr", {}, columns.map((name) => el("th", { scope: "col" }, name)))),
      el("tbody", {}, groups.map((one) => el("tr", {}, el("th", { scope: "row" }, desk.labelOf(one.group)),
        [one.smallest_width_um, pixels(one.width_px), pixels(one.resolved_px), one.advice]
          .map((content, index) => el("td", { "data-label": columns[index + 1] }, String(content)))))))));
}

/** To a tenth, never up: 11.998 is not to read as 12 where 12 are needed. */
function pixels(count) {
  return count === null ? "unknown" : String(Math.floor(10 * count) / 10);
}
